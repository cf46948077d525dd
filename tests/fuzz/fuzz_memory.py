"""Fuzz target: what the relay finds in its memory at power-up, and what it then does.

An input is one byte that says how it is meant, then bytes of memory, or records of two bytes of place and four of
value that are written over a whole image whose CRC is then made right: 16 bits of CRC let one damage in 65536 by.
"""

from __future__ import annotations

import struct
from array import array
from binascii import crc_hqx

import rig as rigs
from grammar import LINE
from rig import Rig

from boards.bench import NV_BYTES
from packwarden.bench.result import parse
from warden import elements, journal, modes, settings
from warden.modes import POWER

SCANS = 50
LONG_SCANS = 500  # now and then: long enough for the power-up test to end
BOUNDS = [(row[4], row[5]) for row in settings.TABLE for _ in range(row[1])]
DEFAULTS = settings.defaults()


def settings_image(records: bytes, fold: bool) -> bytearray:
    """A settings image with a right CRC; `fold` brings each value within its bounds."""
    values = array("i", DEFAULTS)
    for place, value in struct.iter_unpack("<Hi", records[: len(records) // 6 * 6]):
        n = place % len(values)
        low, high = BOUNDS[n]
        if n == 0 and fold:
            # As many modules as the boxes hold.
            boxes = [min(4, max(0, value % 24 + 1 - 4 * b)) for b in range(6)]
            for b in range(6):
                values[settings.BASE["box_modules"] + b] = boxes[b]
            values[settings.BASE["n_modules"]] = sum(boxes)
        else:
            values[n] = low + value % (high - low + 1) if fold else value
    image = bytearray(settings.IMAGE_BYTES)
    settings.pack(values, image)
    return image


WHOLE = bytes(settings_image(b"", False))


def journal_image(records: bytes) -> bytearray:
    """A journal image with a right CRC."""
    made = journal.Journal()
    for place, value in struct.iter_unpack("<Hi", records[: len(records) // 6 * 6]):
        made.word[place % len(made.word)] = value
    image = bytearray(journal.IMAGE_BYTES)
    made.write(image, 0)
    return image


def memory(data: bytes) -> bytearray:
    """The memory that an input means."""
    how, rest = (data[0], data[1:]) if data else (0, b"")
    whole = WHOLE
    if how & 3 == 0:
        nv = bytearray(rest[:NV_BYTES].ljust(NV_BYTES, b"\0"))
        if how & 4:
            nv[: len(whole)] = whole
    elif how & 3 == 1:
        nv = settings_image(rest, bool(how & 4)) + bytearray(journal.IMAGE_BYTES)
    elif how & 3 == 2:
        nv = bytearray(whole) + journal_image(rest)
    else:
        half = len(rest) // 12 * 6
        nv = settings_image(rest[:half], True) + journal_image(rest[half:])
    if how & 8 and rest:
        nv[rest[0] * 4 % NV_BYTES] ^= 1 << (rest[-1] & 7)
    return nv


def check_settings(nv: bytearray) -> bool:
    """True when the settings image is taken: then every value is within its bounds."""
    values = settings.unpack(nv)
    if values is None:
        return False
    assert isinstance(values, array) and len(values) == len(BOUNDS)
    assert all(low <= v <= high for v, (low, high) in zip(values, BOUNDS)), "a value out of bounds was taken"
    return True


def check_journal(nv: bytearray) -> int:
    """What reading the journal says; every word that is used as a place is within what it points into."""
    made = journal.Journal()
    found = made.read(nv, settings.IMAGE_BYTES)
    w = made.word
    end = settings.IMAGE_BYTES + journal.IMAGE_BYTES
    crc = crc_hqx(bytes(nv[settings.IMAGE_BYTES : end - 2]), 0xFFFF)
    assert found in (journal.EMPTY, journal.WHOLE, journal.DAMAGED)
    assert found != journal.WHOLE or crc == nv[end - 2] << 8 | nv[end - 1], "a wrong CRC was taken"
    assert found != journal.DAMAGED or w[journal.LATCHED], "damaged is not locked out"
    assert 0 <= w[journal.PRIOR_HEAD] < journal.PRIOR and w[journal.LATCHED] in (0, 1)
    for n in (journal.TRIP_N, journal.BOOTS, journal.OPS, *range(journal.MAH_OUT, journal.WH_IN + 1)):
        assert 0 <= w[n] < 1 << 30, "counter %d holds %d" % (n, w[n])
    for n in range(journal.TRIPS):
        p = made.trip(n)
        assert 0 <= w[p] < len(elements.NUMBER) and 0 <= w[p + 1] < 24 and 0 <= w[p + 3] < len(modes.MODES)
    for n in range(journal.PRIOR):
        assert 0 <= w[made.prior(n) + 3] <= 24
    return found


def one_input(data: bytes) -> None:
    """Boot a relay on the memory, in a healthy car whose driver wants to go."""
    nv = memory(data)
    whole = check_settings(nv)
    found = check_journal(nv)
    rig = Rig(nv)
    locked = not whole or found == journal.DAMAGED
    latched = rig.relay.journal.word[journal.LATCHED]
    rig.inputs |= rigs.KEY
    rig.send("list 1 what=trips")
    booting = True
    for n in range(LONG_SCANS if data and data[0] & 16 else SCANS):
        if n == 30:
            rig.inputs |= rigs.START
        rig.scan()
        booting = booting and rig.mode == "boot"
        if booting or locked or latched:
            assert not rig.board.out_bits & POWER, "power on an untested or damaged relay"
            assert rig.mode in ("boot", "lockout"), "locked out, yet in %s" % rig.mode
    if data and data[0] & 16 and (locked or latched):
        assert rig.mode == "lockout", "locked out, yet in %s after %d scans" % (rig.mode, LONG_SCANS)
    for raw in rig.lines.splitlines(keepends=True):
        assert len(raw) <= 240 and LINE.fullmatch(raw) and parse(raw[:-1]), raw
