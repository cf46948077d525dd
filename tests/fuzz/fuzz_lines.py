"""Fuzz target: the host's decoder of the relay's lines.

An input is text; a line that begins with `!` gets its CRC, others are taken as they are.
"""

from __future__ import annotations

from binascii import crc_hqx

from packwarden.bench import result

KINDS = ("ident", "meas", "mods", "state", "change", "event", "count", "field", "setting", "reply", "trip", "prior")


def one_input(data: bytes) -> None:
    """Decode; what is taken is whole, printable, short, and has the right CRC."""
    out = []
    for line in data.split(b"\n"):
        out.append(b"%s*%04x" % (line[1:], crc_hqx(line[1:], 0xFFFF)) if line[:1] == b"!" else line)
    for raw in out:
        told = result.parse(raw)
        if told is not None:
            kind, seq, fields = told
            assert len(raw) < 240 and all(32 <= b < 127 for b in raw)
            assert raw[-5:-4] == b"*" and raw[-4:] == b"%04x" % crc_hqx(raw[:-5], 0xFFFF)
            number = raw[len(kind) + 1 :].lstrip(b"0")
            assert raw.startswith(kind.encode() + b" ") and number.startswith(b"%d" % seq if seq else b"")
            assert 0 <= seq <= 65535 and all(isinstance(v, str) for v in fields.values())
    clock = [(0, 0.0), (1000, 2.0)]
    found = [line for line in result.decode(b"\n".join(out), KINDS, clock, [(0, 0.0), (40, 1.0)]) if line]
    made = result.RunResult(None, "none", {})  # type: ignore[arg-type]
    made.events = found
    assert isinstance(made.identity, str) and isinstance(made.settings_digest, str)
    assert isinstance(made.mode_at(1e9), str)
    assert isinstance(result.counters(b"\n".join(out), clock), dict)
