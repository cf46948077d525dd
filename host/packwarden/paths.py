"""Where things are in a checkout."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def firmware_dir() -> Path:
    """The firmware directory of this checkout; FileNotFoundError when there is none."""
    found = ROOT / "firmware"
    if not (found / "warden").is_dir():
        raise FileNotFoundError("no firmware beside the host package: packwarden runs from a checkout")
    return found


def use_firmware() -> None:
    """Make `warden` and `boards` importable."""
    place = str(firmware_dir())
    if place not in sys.path:
        sys.path.insert(0, place)
