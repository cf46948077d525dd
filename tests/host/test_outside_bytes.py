"""What the fuzz targets found on the host, each with its story, and what an error must tell (docs/fuzz.md)."""

from __future__ import annotations

from binascii import crc_hqx
from pathlib import Path

import pytest
from scenarios import make

from packwarden import batch, packs
from packwarden.bench import result, scenario, schema, tables
from packwarden.errors import InputError

HEAD = '[scenario]\nname = "own"\nabout = "a"\npack = "%s"\n[[course]]\ndo = "park"\nfor_s = 5\n'
DIGITS = "9" * 5000


def refused(folder: Path, text: str) -> InputError:
    """The error that a scenario file of this text ends in."""
    (folder / "own.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        scenario.load(folder / "own.toml")
    assert str(caught.value).isprintable() and len(str(caught.value)) < 1000
    return caught.value


@pytest.mark.parametrize("pack, key", [
    ("a" * 300, "pack"), ("\\u0000", "pack"), ("/dev/zero", "pack"), (".", "pack"), ("../" * 100, "pack"),
])  # fmt: skip
def test_a_pack_that_no_file_can_be(tmp_path: Path, pack: str, key: str) -> None:
    """A name too long or with a zero byte was an OSError or a ValueError; a device was read for ever."""
    assert refused(tmp_path, HEAD % pack).key == key


@pytest.mark.parametrize("line, key", [
    ("seed = " + DIGITS, "TOML"),  # more digits than Python reads
    ("x = " + "[" * 600, "TOML"),  # more nesting
    ('[[fault]]\nkind = "estop"\nat_s = 1' + "0" * 400, "fault[1].at_s"),  # more than a float holds
    ('[[expect]]\nfigure = "late_scans"\nat_most = 1' + "0" * 400, "expect[1].at_most"),
    ('[settings]\n"box_modules.\u00b2" = 1', "settings.box_modules.\u00b2"),
    ('[settings]\n"n_modules \\nbox_modules" = 1', "settings.n_modules \nbox_modules"),
    ('[[""]]', '""'),
])  # fmt: skip
def test_odd_numbers_and_names(tmp_path: Path, line: str, key: str) -> None:
    """Each was an exception of Python's own, or an error that named no key."""
    assert refused(tmp_path, HEAD % "orchard-truck" + line + "\n").key == key


@pytest.mark.parametrize("tables_text, key", [
    ("charge_state = 3", "tables.charge_state"), ('charge_state = "ab"\nocv_v = "ab"', "tables.charge_state"),
    ("", "tables.charge_state"),
])  # fmt: skip
def test_a_chemistry_whose_tables_are_none(tmp_path: Path, tables_text: str, key: str) -> None:
    """A number where a list should be ended in a TypeError."""
    (tmp_path / "own.toml").write_text('kind = "lead"\n[tables]\n' + tables_text)
    (tmp_path / "mine.toml").write_text('[module]\nchemistry = "own.toml"\n')
    with pytest.raises(InputError) as caught:
        packs.load_pack("mine.toml", tmp_path)
    assert caught.value.key == key


@pytest.mark.parametrize("name", ["a" * 300, "\\u0000", ".", "/dev/zero"])
def test_a_chemistry_that_no_file_can_be(tmp_path: Path, name: str) -> None:
    (tmp_path / "mine.toml").write_text('[module]\nchemistry = "%s"\n' % name)
    with pytest.raises(InputError, match="chemistry"):
        packs.load_pack("mine.toml", tmp_path)


def test_a_file_is_not_read_for_ever(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("# " + "x" * packs.BYTES_MAX)
    with pytest.raises(InputError, match="at most 1048576 bytes"):
        scenario.load(tmp_path / "own.toml")


# -- lines ---------------------------------------------------------------------------------------------------


def sealed(body: bytes) -> bytes:
    """A line with its CRC, without LF."""
    return b"%s*%04x" % (body, crc_hqx(body, 0xFFFF))


@pytest.mark.parametrize("body", [
    b"change 1 t= to=rest why=x", b"change 1 t=x to=rest why=x", b"change 1 t=5 why=x", b"change +1 t=5 to=rest why=x",
    b"change 1_0 t=5 to=rest why=x", b"change 70000 t=5 to=rest why=x",
    b"event 1 t=5 el=27 stage=a ix=1 on=2 act=1 x=0",
    b"change 1 t=5 to=re\x07st why=x", b"change 1 t=5 to=\xc3\xa9 why=x", b"mods 1 t=5 bad=0 mv=1,,2",
    b"change 1 t=5 to=rest why=" + b"x" * 220,
])  # fmt: skip
def test_a_line_that_is_not_the_protocols_is_dropped_whatever_its_crc(body: bytes) -> None:
    """Such a line ended in a ValueError or a KeyError in whoever read it."""
    assert result.parse(sealed(body)) is None
    assert list(result.decode(sealed(body) + b"\n", ("change", "event", "mods"), [(0, 0.0)])) == [None]


def test_a_crc_is_four_lower_case_digits() -> None:
    """int() takes more ways of writing a number than the protocol has."""
    bodies = [b"reply %d req=1" % n for n in range(2000)]
    body = next(b for b in bodies if crc_hqx(b, 0xFFFF) < 0x1000 and "%x" % crc_hqx(b, 0xFFFF) > "a")
    crc = crc_hqx(body, 0xFFFF)
    assert result.parse(b"%s*%04x" % (body, crc)) is not None
    for way in (b"%04X", b"+%03x", b" %3x"):
        assert result.parse(body + b"*" + way % crc) is None


def test_quoted_fields_are_whole() -> None:
    told = result.parse(sealed(b'field 5 kind=meas name=i type=int unit="mA" about="a = b, *c"'))
    assert told is not None and told[2]["unit"] == "mA" and told[2]["about"] == "a = b, *c"


def test_counters_pass_over_what_is_no_number() -> None:
    assert result.counters(sealed(b"count 1 t=5 late=3 worst=x") + b"\n", [(0, 0.0)]) == {"late": 3}


# -- what an error says --------------------------------------------------------------------------------------


def test_values_are_shown_as_toml_writes_them() -> None:
    say = {True: "true", False: "false", 12: "12"}
    for value, text in say.items():
        assert str(InputError("f.toml", "a.b", value, "x")) == "f.toml: a.b = %s: allowed x" % text
    assert str(InputError("f.toml", "a", [True, "x", 1.5], "x")) == 'f.toml: a = [true, "x", 1.5]: allowed x'
    assert str(InputError("f.toml", "other", {"x": 1}, "x")) == "f.toml: [other]: allowed x"
    assert str(InputError("f.toml", "fault[1].kind", {"x": 1}, "x")) == "f.toml: fault[1].kind = {...}: allowed x"


def test_an_error_is_one_printable_line() -> None:
    """A value from a file could clear the terminal, or fill it."""
    text = str(InputError("f\n.toml", "a\x1b[2J", "\x1b[31m" + "k" * 5000, "x\ny"))
    assert text.isprintable() and len(text) < 200
    assert "2000 bits" not in str(InputError("f", "a", 2**100, "x"))
    assert "a number of 2001 bits" in str(InputError("f", "a", 2**2000, "x"))


def test_an_unknown_key_is_shown_with_what_it_says(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("[module]\ncapacity = 40\n")
    with pytest.raises(InputError, match=r"module.capacity = 40: allowed did you mean capacity_ah\?"):
        packs.load_pack("mine.toml", tmp_path)


def test_an_unknown_scenario_is_answered_with_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        batch.find("zzzz-qqqq")
    assert len(str(caught.value)) < 250 and "`packwarden scenarios` lists them" in str(caught.value)
    with pytest.raises(InputError, match="did you mean lake-day"):
        batch.find("lakeday")


def test_few_words_are_all_named_and_many_are_not() -> None:
    assert schema.near("zzz", ["a", "b"]) == "one of a, b"
    many = ["word-%d" % n for n in range(40)]
    hint = schema.near("zzz", many)
    assert hint.startswith("one of 40 words, such as ") and hint.count(",") == 5


def test_settings_files_get_a_hint() -> None:
    with pytest.raises(InputError, match=r"did you mean v27_pickup_mv\?"):
        tables.placed(tables.defaults(), {"v27_pickup": 10500}, "s.toml")
    with pytest.raises(InputError, match=r"box_modules.0 to box_modules.5"):
        tables.placed(tables.defaults(), {"box_modules.7": 1}, "s.toml")


@pytest.mark.parametrize("entry, key, allowed", [
    ({"figure": "late_scans", "at_least": 5, "at_most": 3}, "expect[1].at_least", "at most at_most = 3"),
    ({"never": "trip", "from_s": 9, "until_s": 3}, "expect[1].from_s", "at most until_s = 3"),
    ({"mode": "drive", "from_s": 9, "by_s": 3}, "expect[1].from_s", "at most by_s = 3"),
])  # fmt: skip
def test_what_could_never_or_always_hold_is_refused(entry: dict[str, object], key: str, allowed: str) -> None:
    """An empty span holds whatever happens: `never` over none is no check at all."""
    with pytest.raises(InputError) as caught:
        make(expect=[entry])
    assert caught.value.key == key and allowed in caught.value.allowed
