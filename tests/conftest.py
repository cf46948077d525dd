"""Settings for every test: property tests are never judged by the clock of a busy machine, and repeat in CI."""

import os

from hypothesis import settings

settings.register_profile("here", deadline=None, print_blob=True)
settings.register_profile("ci", settings.get_profile("here"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")
