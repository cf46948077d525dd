"""Makes the rig and the modules of this folder importable."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
for place in (str(HERE), str(HERE.parents[0] / "firmware")):
    if place not in sys.path:
        sys.path.insert(0, place)
