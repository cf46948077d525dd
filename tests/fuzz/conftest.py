"""Makes the fuzz targets, the firmware and its rig importable."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
for place in (HERE, ROOT / "tests" / "firmware", ROOT / "firmware", ROOT / "host"):
    if str(place) not in sys.path:
        sys.path.insert(0, str(place))
