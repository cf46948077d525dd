"""Fuzz target: a file of settings, as `packwarden settings check` reads it."""

from __future__ import annotations

from telling import told_well

from packwarden import packs
from packwarden.bench import tables
from packwarden.errors import InputError
from warden import settings

FILE = "fuzz.toml"


def one_input(data: bytes) -> None:
    """Check the file; what is taken is what the firmware takes."""
    values = tables.defaults()
    try:
        tables.placed(values, tables.settings_data(packs.parse_toml(FILE, data), FILE), FILE)
        digest = tables.checked(values, FILE)
    except InputError as error:
        told_well(error)
        return
    image = bytearray(settings.IMAGE_BYTES)
    settings.pack(values, image)
    assert settings.unpack(image) == values
    assert digest == "%x" % settings.digest(values)
