"""Mutations that know what a file or a command looks like: words, numbers and lines, not bytes."""

from __future__ import annotations

import random
import re
import struct
from functools import lru_cache

from packwarden.bench import schema
from packwarden.bench.faults import KINDS
from packwarden.bench.scenario import ELEMENTS, SETTING
from packwarden.packs import CHEMISTRIES, PACKS
from packwarden.plant import spec
from warden import records

TOKEN = re.compile(rb'"[^"\n]*"|[A-Za-z_0-9.+-]+|\n|\s+|.', re.S)
ODD = [
    b"0", b"-1", b"1", b"2", b"0.0", b"-0.0", b"1e308", b"1e-308", b"nan", b"inf", b"-inf", b"true", b"false", b'""',
    b'"x"', b"[]", b"{}", b"[1, 2]", b"1979-05-27", b"07:32:00", b"1979-05-27T07:32:00Z", b"2147483648", b"-2147483649",
    b"9" * 400, b"9" * 5000, b"0x7fffffff", b'"\\u0000"', b'"\\u001b[31m"', b'"' + b"a" * 300 + b'"', b'"/dev/null"',
    '"\u00b2"'.encode(), b"1" + b"0" * 18, b"864000", b"0.01", b"24", b"[[1]]", b'"../"', b"-40", b"1073741823",
]  # fmt: skip


@lru_cache(maxsize=None)
def words() -> list[bytes]:
    """Every word that means something in a file."""
    found: set[str] = set(KINDS) | set(SETTING) | set(schema.CLAUSES)
    found |= {r[0] for r in ELEMENTS} | {r[1] for r in ELEMENTS}
    for section in schema.SECTIONS:
        found |= {section.name} | {key.name for key in section.keys}
        for key in section.keys:
            if key.form == "text" and key.allowed:
                found |= set(key.allowed)
    for made in (spec.Chemistry, spec.ModuleSpec, spec.BusSpec, spec.ChargerSpec, spec.VehicleSpec, spec.BoatSpec):
        found |= set(made.__dataclass_fields__)
    found |= {p.stem for p in (*PACKS.glob("*.toml"), *CHEMISTRIES.glob("*.toml"))} | set(records.KINDS)
    return [w.encode() for w in sorted(found)]


def _one(text: bytes, rng: random.Random) -> bytes:
    lines = text.split(b"\n")
    at = rng.randrange(len(lines))
    what = rng.randrange(9)
    if what == 0:
        del lines[at]
    elif what == 1:
        lines.insert(rng.randrange(len(lines) + 1), lines[at])
    elif what == 2:
        other = rng.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    elif what == 3:
        lines.insert(at, rng.choice(words()) + b" = " + rng.choice([*ODD, b'"%s"' % rng.choice(words())]))
    elif what == 4:
        lines.insert(at, rng.choice([b"[%s]", b"[[%s]]", b"[settings.%s]", b"[start.module.%s]"]) % rng.choice(words()))
    else:
        tokens = TOKEN.findall(lines[at])
        if tokens:
            n = rng.randrange(len(tokens))
            if tokens[n][:1] == b'"' and what < 7:
                tokens[n] = b'"%s"' % rng.choice([rng.choice(words()), tokens[n].strip(b'"') + b"x"])
            elif re.fullmatch(rb"-?[0-9.]+", tokens[n]) and what < 8:
                number = float(tokens[n]) if re.fullmatch(rb"-?[0-9]+(\.[0-9]+)?", tokens[n]) else 0.0
                made = rng.choice([number + 1, number - 1, number * 10, number / 10, -number, number / 3])
                tokens[n] = b"%d" % made if rng.random() < 0.7 and abs(made) < 1e15 else b"%r" % made
            else:
                tokens[n] = rng.choice(words() if rng.random() < 0.5 else ODD)
            lines[at] = b"".join(tokens)
    return b"\n".join(lines)


def toml(data: bytes, rng: random.Random) -> bytes:
    """A few changes to a TOML file."""
    for _ in range(rng.choice([1, 1, 1, 2, 3, 6])):
        data = _one(data, rng)
    return data


VERBS = [b"who", b"get", b"set", b"apply", b"forget", b"list", b"clear", b"service", b"open", b"wh", b""]
VALUES = [b"0", b"1", b"-1", b"12", b"4711", b"500", b"10500", b"%d", b"fields", b"settings", b"trips", b"999999999",
          b"1234567890", b"-999999999", b"1.5", b"+1", b"1_0", b"", b" ", b"=", b"reset_code",
          b"n_modules"]  # fmt: skip


def _command(rng: random.Random) -> bytes:
    name = rng.choice(words())
    if rng.random() < 0.6:
        name = rng.choice(list(SETTING)).encode()
    if rng.random() < 0.2:
        name += b".%d" % rng.randrange(26)
    req = rng.choice([b"1", b"7", b"999999", b"1000000", b"-1", b"01", b""] + [b"3"] * 8)
    row = SETTING.get(name.decode())
    value = rng.choice(VALUES)
    if row and rng.random() < 0.7:
        value = b"%d" % rng.choice([row[4], row[5], row[4] - 1, row[5] + 1, rng.randint(row[4], row[5])])
    return b"!" + rng.choice([
        b"who " + req, b"get " + req + b" name=" + name, b"set " + req + b" name=" + name + b" value=" + value,
        b"apply " + req + b" digest=" + rng.choice([b"%d", value]), b"forget " + req, b"service " + req,
        b"list " + req + b" what=" + rng.choice([b"fields", b"settings", b"trips", value]),
        b"clear " + req + b" code=" + rng.choice([b"4711", value]), rng.choice(VERBS) + b" " + req + b" " + value,
    ])  # fmt: skip


def wire(data: bytes, rng: random.Random) -> bytes:
    """A script of the wire target with a line put in, taken out, or changed."""
    head, lines = data[:1], data[1:].split(b"\n")
    for _ in range(rng.choice([1, 1, 2, 4])):
        at = rng.randrange(len(lines) + 1)
        what = rng.randrange(6)
        if what == 0 and at < len(lines) and len(lines) > 1:
            del lines[at]
        elif what == 1 and at < len(lines):
            tokens = TOKEN.findall(lines[at]) or [b""]
            tokens[rng.randrange(len(tokens))] = rng.choice(VALUES + VERBS)
            lines[at] = b"".join(tokens)
        elif what == 2 and at < len(lines):
            lines[at] = lines[at][: rng.randrange(len(lines[at]) + 1)]
        elif what == 3:
            head = bytes([rng.randrange(4)])
        else:
            lines.insert(at, _command(rng))
    return head + b"\n".join(lines)


def memory(data: bytes, rng: random.Random) -> bytes:
    """Another record, or another value in one."""
    data = data or b"\x02"
    what = rng.randrange(5)
    edge = [-1, 0, 1, 23, 24, 25, 0x3FFFFFFF, 0x40000000, 0x7FFFFFFF, -0x80000000, rng.randrange(-1 << 31, 1 << 31)]
    record = struct.pack("<Hi", rng.randrange(330), rng.choice(edge))
    if what == 0:
        return bytes([rng.randrange(32)]) + data[1:]
    at = 1 + 6 * rng.randrange((len(data) - 1) // 6 + 1)
    return data[:at] + record + data[at + (0 if what < 3 else 6) :]


def lines(data: bytes, rng: random.Random) -> bytes:
    """Lines of the relay with a word or a number changed."""
    kinds = [k.encode() if isinstance(k, str) else bytes(k) for k in records.KINDS]
    each = data.split(b"\n")
    at = rng.randrange(len(each))
    tokens = TOKEN.findall(each[at]) or [b"!"]
    tokens[rng.randrange(len(tokens))] = rng.choice([*kinds, *VALUES, b"t", b"9" * 5000, b'"', b"\x80", b"*", b"!"])
    each[at] = b"".join(tokens)
    return b"\n".join(each)


MUTATORS = {
    "wire": wire, "memory": memory, "lines": lines, "scenario": toml, "pack": toml, "settings": toml, "parts": toml,
}  # fmt: skip
