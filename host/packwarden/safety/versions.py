"""Which firmware, Python and interpreter a result is about."""

from __future__ import annotations

import hashlib
import platform

from packwarden import paths
from packwarden.bench import tables
from packwarden.bench.inprocess import firmware_version
from packwarden.bench.interpreter import Interpreter
from packwarden.bench.target import TargetError


def firmware_hash() -> str:
    """The start of a SHA-256 over names and bytes of the relay's and the boards' files, as campaigns keep it."""
    found = hashlib.sha256()
    for folder in ("warden", "boards"):
        for path in sorted((paths.firmware_dir() / folder).rglob("*")):
            if path.suffix in (".py", ".toml"):
                found.update(path.relative_to(paths.ROOT).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()[:16]


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
