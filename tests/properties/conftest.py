"""Makes the rig importable."""

import sys
from pathlib import Path

place = str(Path(__file__).parents[1] / "firmware")
if place not in sys.path:
    sys.path.insert(0, place)
