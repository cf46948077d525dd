"""Fuzz target: a file of parts, as `packwarden size --parts` reads it, and a drive cycle as CSV.

An input that begins with `#` or `time_s` is a cycle; any other is parts.
"""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

from telling import told_well

from packwarden import cycles
from packwarden.errors import InputError
from packwarden.sizing import parts


@lru_cache(maxsize=None)
def place() -> tempfile.TemporaryDirectory[str]:
    """A folder that goes away with the process."""
    return tempfile.TemporaryDirectory()


def one_input(data: bytes) -> None:
    """Read the file; InputError is the only error, and what is taken is in order."""
    file = Path(place().name) / "fuzz.toml"
    file.write_bytes(data)
    try:
        if data.startswith((b"#", b"time_s")):
            made = cycles.load_cycle(file)
            assert made.t_s[0] == 0.0 and all(a < b for a, b in zip(made.t_s, made.t_s[1:]))
            assert all(0.0 <= v <= cycles.SPEED_MAX_MPS for v in made.speed_mps) and made.distance_m >= 0.0
        else:
            assert isinstance(parts.load_parts(file), parts.Parts)
    except InputError as error:
        told_well(error, data)
