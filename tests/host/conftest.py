"""Makes the host package and the small scenarios importable."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
for place in (str(HERE), str(HERE.parents[1] / "host")):
    if place not in sys.path:
        sys.path.insert(0, place)
