"""What the fuzz targets found in the firmware, each with its story.  docs/fuzz.md has the list."""

import pytest
from rig import Rig

from warden import journal, settings
from warden.crc import crc16


def sealed(**words):
    """A memory with good settings and a journal image whose CRC is right, `words` by position in it."""
    made = journal.Journal()
    for key, value in words.items():
        made.word[int(key[1:])] = value
    nv = bytearray(settings.IMAGE_BYTES + journal.IMAGE_BYTES)
    settings.pack(settings.defaults(), nv)
    made.write(nv, settings.IMAGE_BYTES)
    return nv


UNSOUND = {
    "place of the next sample": {"w8": journal.PRIOR},
    "the same, below": {"w8": -1},
    "boots": {"w2": 0x7FFFFFFF},
    "trips": {"w1": -5},
    "energy": {"w5": 1 << 30},
    "row of a trip": {"w0": 1, "w1": 1, "w9": 200},
    "module of a trip": {"w0": 1, "w1": 1, "w10": 24},
    "mode of a trip": {"w0": 1, "w1": 1, "w12": 7},
    "latched": {"w0": 2},
    "module of a sample": {"w44": -1},
}


@pytest.mark.parametrize("what", UNSOUND)
def test_a_journal_that_can_not_be_is_damaged_whatever_its_crc(what):
    """16 bits of CRC let one damage in 65536 by.  Such a journal once ended in an exception in the scan, so in a
    relay that resets for ever, or at power-up."""
    rig = Rig(sealed(**UNSOUND[what]))
    assert rig.relay.memory_bad
    rig.send("list 1 what=trips")
    rig.run(5000)
    assert rig.mode == "lockout" and not rig.powered()
    rig.boot()  # what it then wrote is whole, and still locked out
    rig.run(5000)
    assert rig.mode == "lockout"


def test_a_sound_journal_is_still_taken():
    rig = Rig(sealed(w0=1, w1=3, w2=7, w9=5, w10=11, w11=-40000, w12=3))
    assert not rig.relay.memory_bad and rig.relay.journal.word[journal.BOOTS] == 8
    rig.send("list 1 what=trips")
    rig.run(5000)
    assert rig.mode == "lockout" and len(rig.told("trip")) == 3


def test_counters_begin_again_long_before_they_are_too_large():
    """In the scan nothing may reach 2**30; a counter past half of that starts again at the next power-up."""
    rig = Rig(sealed(w3=(1 << 30) - 1, w5=(1 << 29) + 5))
    assert not rig.relay.memory_bad
    assert rig.relay.journal.word[journal.MAH_OUT] == (1 << 29) - 1
    assert rig.relay.journal.word[journal.WH_OUT] == 5


@pytest.mark.parametrize("way", ["%04X", "0x%x", "+%03x", " %3x", "%x_"])
def test_a_crc_is_four_lower_case_digits(way):
    """int() takes more ways of writing a number than the protocol has; two interpreters did not even agree on them."""
    n = next(n for n in range(999) if "0a1" < "%04x" % crc16(b"get %d name=n_modules" % n) < "0fff")
    body = "get %d name=n_modules" % n
    crc = crc16(body.encode())
    for text, replies in ((way % crc, 0), ("%04x" % crc, 1)):
        rig = Rig()
        rig.run(1000)
        before = rig.relay.commands.refused
        rig.give(("%s*%s\n" % (body, text[-4:])).encode())
        rig.run(300)
        good = text[-4:] == "%04x" % crc
        assert len(rig.told("reply")) == (1 if good else 0)
        assert rig.relay.commands.refused - before == (0 if good else 1)
        assert good or not replies


def test_a_setting_has_one_name():
    """`box_modules.01` was another name for box_modules.1; a name with a space matched across two rows of the table,
    and a digit of another script ended in an exception where a settings file had one."""
    for name in ("box_modules.01", "box_modules.", "box_modules.+1", "box_modules.\u00b2", "n_modules \nbox_modules",
                 "box_modules." + "9" * 5000, "n_modules.", " n_modules", ""):  # fmt: skip
        with pytest.raises(settings.SettingError):
            settings.index_of(name)
    assert [settings.key_of(settings.index_of(settings.key_of(n))) for n in range(settings.COUNT)] == [
        settings.key_of(n) for n in range(settings.COUNT)
    ]


def test_commands_that_arrive_together_are_answered_one_a_turn():
    """Two in one chunk were answered at once, so that a second listing cut the first one short."""
    rig = Rig(reset_code=1)
    rig.until("rest")
    rig.run(2000)
    rig.lines = b""
    rig.send("list 1 what=settings")
    rig.send("list 2 what=trips")
    for n in range(3, 9):
        rig.send("who %d" % n)
    rig.run(6000)
    assert [r["req"] for r in rig.told("reply")] == [str(n) for n in range(1, 9)]
    assert len(rig.told("setting")) == settings.COUNT
    assert rig.relay.outbox.lost == 0
