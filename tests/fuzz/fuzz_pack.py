"""Fuzz target: pack files and, after a line of dashes, the chemistry file that they name as own.toml."""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

from telling import told_well

from packwarden import packs
from packwarden.bench import scenario
from packwarden.errors import InputError
from packwarden.plant.plant import Commands, Plant, PlantError
from packwarden.plant.spec import PackSpec


@lru_cache(maxsize=None)
def place() -> tempfile.TemporaryDirectory[str]:
    """A folder that goes away with the process."""
    return tempfile.TemporaryDirectory()


def one_input(data: bytes) -> None:
    """Read the pack, its settings, and step its plant; InputError is the only error."""
    text, dashes, chemistry = data.partition(b"\n----\n")
    folder = Path(place().name)
    own = folder / "own.toml"
    if dashes:
        own.write_bytes(chemistry)
    elif own.exists():
        own.unlink()
    try:
        found = packs.parse_toml(folder / "fuzz.toml", text)
        spec = packs.from_toml(folder / "fuzz.toml", found)
        assert isinstance(spec, PackSpec)
        scenario.settings_of(spec)
    except InputError as error:
        told_well(error)
        return
    plant, commands = Plant(spec, 1), Commands()
    commands.out_bits, commands.limit_permille, commands.demand_w, commands.key = 0b1001, 1000, 20000.0, True
    try:
        for _ in range(5):
            plant.step(0.01, commands)
    except PlantError as error:
        assert str(error)
