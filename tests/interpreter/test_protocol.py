"""docs/protocol.md is the protocol: its ABNF is parsed and held against real lines both ways."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from abnf.grammars.misc import load_grammar_rules
from abnf.parser import ParseError, Rule
from crccheck.crc import Crc16Ibm3740
from hypothesis import given, settings
from hypothesis import strategies as st

from warden import crc, records

HERE = Path(__file__).parent
DOC = HERE.parents[1] / "docs" / "protocol.md"


def grammar_text():
    block = re.search(r"```abnf\n(.*?)```", DOC.read_text(), re.S).group(1)
    # A rule may be continued on indented lines; the parser wants CRLF.
    return [re.sub(r"\s+", " ", rule).strip() for rule in re.split(r"\n(?=\S)", block) if rule.strip()]


@load_grammar_rules()
class Protocol(Rule):
    """The grammar of the document."""

    grammar = grammar_text()


def emitted(n=24):
    env = {"PYTHONPATH": "%s:%s" % (HERE.parents[1] / "firmware", HERE.parent / "firmware")}
    told = [sys.executable, str(HERE / "told.py"), str(n)]
    done = subprocess.run(told, capture_output=True, text=True, env=env, check=True)
    return done.stdout.splitlines(keepends=True)


@pytest.fixture(scope="module")
def lines():
    return emitted()


def test_crc_is_the_catalogue_one():
    """CRC-16/IBM-3740: 0x29B1 (catalogue of parametrised CRC algorithms), and crccheck as a second opinion."""
    assert crc.crc16(b"123456789") == 0x29B1
    for n in range(200):
        data = bytes((n * k * 7 + 3) % 256 for k in range(n))
        assert crc.crc16(data) == Crc16Ibm3740.calc(data)


def test_every_emitted_line_is_in_the_grammar(lines):
    kinds = set()
    for line in {re.sub(r"\d", "7", text): text for text in lines}.values():  # one of each shape
        Protocol("line").parse_all(line)
        kinds.add(line.split(" ")[0])
    assert kinds >= set(records.KINDS) - {"setting"}


def test_every_line_is_whole_short_and_true(lines):
    last = None
    for line in lines:
        body, _, check = line.rstrip("\n").rpartition("*")
        assert len(line) <= records.LINE_MAX and line.isascii()
        assert Crc16Ibm3740.calc(body.encode()) == int(check, 16)
        seq = int(body.split(" ")[1])
        assert last is None or seq == (last + 1) % 65536
        last = seq


def test_fields_come_in_the_catalogues_order(lines):
    catalogue = dict(records.CATALOGUE)
    for line in lines:
        body = re.sub(r'"[^"]*"', "text", line.rpartition("*")[0])
        words = body.split(" ")
        assert [w.partition("=")[0] for w in words[2:]] == [f[0] for f in catalogue[words[0]]]


def test_the_document_names_every_field_of_the_catalogue():
    rules = {rule.split("=")[0].strip(): rule for rule in grammar_text()}
    for kind, fields in records.CATALOGUE:
        assert re.findall(r'%s"(\w+)="', rules[kind]) == [f[0] for f in fields]


def test_a_catalogue_asked_for_describes_every_field(lines):
    told = set(re.findall(r"^field \d+ kind=(\w+) name=(\w+)", "".join(lines), re.M))
    assert told == {(kind, f[0]) for kind, fields in records.CATALOGUE for f in fields}


ANY_INT = st.integers(-(1 << 30) + 1, (1 << 30) - 1)
FORMS = {
    records.INT: st.integers(0, (1 << 30) - 1),
    records.HEX: st.integers(0, (1 << 30) - 1),
    records.WORD: st.sampled_from([b"drive", b"27X", b"not_at_rest", b"0.1.0"]),
    records.LIST: st.lists(st.integers(-99999, 99999), min_size=1, max_size=24),
    records.TEXT: st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters='"'), max_size=60),
}
SIGNED = {"i", "u", "link", "aux", "lomv", "himv", "med", "x", "value", "low", "high", "at"}


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_anything_the_encoder_can_be_given_is_in_the_grammar(data):
    out = records.Outbox()
    kind = data.draw(st.integers(0, len(records.KINDS) - 1))
    out.seq = data.draw(st.integers(0, records.SEQ_MAX))
    assert out.open(kind)
    for name, form, _unit, _about in records.CATALOGUE[kind][1]:
        if name in ("strap", "on", "latched"):
            out.put(data.draw(st.integers(0, 1)))
        elif name == "status":
            out.put_word(data.draw(st.sampled_from([b"ok", b"error"])))
        elif form == records.INT:
            out.put(data.draw(st.integers(-999999, 9999999) if name in SIGNED else st.integers(0, (1 << 30) - 1)))
        elif form == records.HEX:
            out.put_hex(data.draw(FORMS[form]))
        elif form == records.WORD:
            out.put_word(data.draw(FORMS[form]))
        elif form == records.LIST:
            values = data.draw(FORMS[form])
            out.put_list(values, len(values) if name == "mv" else min(6, len(values)))
        else:
            out.put_text(data.draw(FORMS[form]).encode())
    out.close()
    line = bytes(out.slots[0][: out.lengths[0]]).decode()
    assert len(line) <= records.LINE_MAX
    Protocol("line").parse_all(line)


@settings(max_examples=300, deadline=None)
@given(ANY_INT)
def test_numbers_are_written_as_they_are(value):
    out = records.Outbox()
    out.open(records.PRIOR)
    out.put(value)
    assert bytes(out.slots[0][: out._at]).decode() == "prior 0 at=%d" % value


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_a_changed_byte_is_caught(data):
    """By the CRC always, so a reader never takes a torn line for a whole one."""
    line = bytearray(b"meas 7 t=100 i=5 u=6 link=7 aux=8 lo=1 lomv=2 hi=3 himv=4 lim=5 iso=6")
    good = crc.crc16(line)
    at = data.draw(st.integers(0, len(line) - 1))
    line[at] ^= data.draw(st.integers(1, 255))
    assert crc.crc16(line) != good


@pytest.mark.parametrize(
    "wrong",
    [
        "meas 1 t=1*0000\n",
        "meas  1 t=1 i=1 u=1 link=1 aux=1 lo=1 lomv=1 hi=1 himv=1 lim=1 iso=1*0000\n",
        "meas 1 i=1 t=1 u=1 link=1 aux=1 lo=1 lomv=1 hi=1 himv=1 lim=1 iso=1*0000\n",
        "MEAS 1 t=1 i=1 u=1 link=1 aux=1 lo=1 lomv=1 hi=1 himv=1 lim=1 iso=1*0000\n",
        "change 1 t=1 from=rest to=drive why=start*00G0\n",
        "change 1 t=1 from=rest to=drive why=start*0000",
        "change 123456 t=1 from=rest to=drive why=start*0000\n",
    ],
)
def test_the_grammar_refuses(wrong):
    with pytest.raises(ParseError):
        Protocol("line").parse_all(wrong)


def test_the_wire_has_a_third_to_spare(lines):
    """A relay with 24 modules, measurements at 10 Hz, 115 200 baud 8N1 (11 520 bytes a second)."""
    regular = [line for line in lines if line.split(" ")[0] in ("meas", "mods", "state", "count")]
    first, last = (int(re.search(r" t=(\d+)", line).group(1)) for line in (regular[0], regular[-1]))
    seconds = ((last - first) % (1 << 30)) / 1000
    assert sum(map(len, regular)) / seconds < 11520 * 2 / 3 * 0.9
    longest = {}
    for line in regular:
        kind = line.split(" ")[0]
        longest[kind] = max(longest.get(kind, 0), len(line))
    assert 10 * (longest["meas"] + longest["mods"]) + longest["state"] + longest["count"] < 11520 * 2 / 3


COMMANDS = [
    "who 1", "get 2 name=v27_floor_mv", "set 3 name=tap_gain_nv.3 value=-5", "apply 4 digest=1a2b", "forget 5",
    "list 6 what=trips", "clear 7 code=4711", "service 8",
]  # fmt: skip


@pytest.mark.parametrize("text", COMMANDS)
def test_commands_are_in_the_grammar(text):
    Protocol("command").parse_all("%s*%04x\n" % (text, crc.crc16(text.encode())))


def test_the_grammar_has_every_command():
    from warden.commands import TABLE

    assert {c.split(" ")[0] for c in COMMANDS} == {row[0] for row in TABLE}
