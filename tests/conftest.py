"""Settings for every test: property tests are never judged by the clock of a busy machine, and repeat in CI."""

import os

import pytest
from hypothesis import settings

settings.register_profile("here", deadline=None, print_blob=True)
settings.register_profile("ci", settings.get_profile("here"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")


@pytest.fixture(scope="session", autouse=True)
def firmware_stamp(record_testsuite_property):
    """Kept results say of which firmware they are: `packwarden evidence` counts no others."""
    from packwarden.safety.versions import firmware_hash

    record_testsuite_property("firmware", firmware_hash())
