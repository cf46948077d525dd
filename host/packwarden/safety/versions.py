"""Which firmware, Python and interpreter a result is about."""

from __future__ import annotations

import platform

from packwarden.bench import campaign, tables
from packwarden.bench.inprocess import firmware_version
from packwarden.bench.interpreter import Interpreter
from packwarden.bench.target import TargetError


def firmware_hash() -> str:
    """The hash of the relay's and the boards' files that a campaign keeps, too."""
    return campaign.hash_of("firmware/warden", "firmware/boards")


def versions() -> dict[str, str]:
    """Everything that a result hangs on, by name."""
    try:
        target = Interpreter()
        micropython = tables.python_of(target)
    except TargetError as error:
        micropython = "none here: %s" % error
    return {
        "firmware": firmware_version(),
        "firmware_hash": firmware_hash(),
        "python": "%s %s" % (platform.python_implementation(), platform.python_version()),
        "micropython": micropython,
    }
