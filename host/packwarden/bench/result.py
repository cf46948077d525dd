"""What came of a run: records that hold it, and the decoding of the relay's lines into scenario time.

Standard library only; nothing here runs anything.
"""

from __future__ import annotations

import re
from array import array
from binascii import crc_hqx
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Dict, Iterator, List, Optional, Sequence, Tuple

from packwarden.bench.target import CLOCK_START_MS, TICKS

if TYPE_CHECKING:
    from packwarden.bench.plan import Scenario

# Kinds of line decoded into `events`; the others (measurements, listings) stay in `lines`.
EVENT_KINDS = ("ident", "change", "event", "reply", "trip", "prior")

# Bits above the relay's outputs in a `Change`.
PLUGGED, MAIN_IS_CLOSED, PRECHARGE_IS_CLOSED = 1 << 16, 1 << 17, 1 << 18

POWER = 0b1111  # main, precharge, charger, enable


@dataclass(frozen=True)
class Line:
    """A decoded line.  `t_s`: scenario time of its `t` field (of its arrival when it has none)."""

    t_s: float
    kind: str
    seq: int
    fields: Dict[str, str]


@dataclass(frozen=True)
class Change:
    """From `t_s` on: the relay's output bits, and with PLUGGED and the like what is so in the plant."""

    t_s: float
    bits: int


@dataclass(frozen=True)
class Switching:
    """Main's power contact really made or broke: current (A); link and string voltage (V) just before."""

    t_s: float
    closed: bool
    i_a: float
    link_v: float
    string_v: float


@dataclass
class Injected:
    """A fault as it was injected.  start_s None: its moment never came.  end_s None: to the end."""

    kind: str
    place: int
    size: float
    start_s: Optional[float] = None
    end_s: Optional[float] = None


@dataclass(frozen=True)
class Verdict:
    """One expectation judged.  `budget_ms`, `took_ms`: None where no time is in question."""

    text: str
    held: bool
    measured: str
    budget_ms: Optional[int] = None
    took_ms: Optional[int] = None


@dataclass
class RunResult:
    """Everything that views and reports read about one run.

    traces: columns on the one time axis `t_s`, ten a second in fine phases and one a scan in coarse ones:
    module_v.k, soc.k, i_a, string_v, link_v, aux_v, speed_kmh, temp_c.b, out_bits, mode, limit, and low_v,
    high_v, peak_a: the lowest and highest module voltage and the largest current since the row before.
    """

    scenario: "Scenario"
    target: str
    seeds: Dict[str, int]
    wall_s: float = 0.0
    simulated_s: float = 0.0
    scans: int = 0
    traces: Dict[str, "array[float]"] = field(default_factory=dict)
    lines: bytes = b""
    arrivals: List[Tuple[int, float]] = field(default_factory=list)  # (offset into lines, scenario time)
    clock: List[Tuple[int, float]] = field(
        default_factory=lambda: [(0, 0.0)]
    )  # (relay ms since start, scenario s)
    events: List[Line] = field(default_factory=list)
    changes: List[Change] = field(default_factory=list)
    switchings: List[Switching] = field(default_factory=list)
    faults: List[Injected] = field(default_factory=list)
    inputs: List[Optional[float]] = field(default_factory=list)  # when each [[input]] began
    hazards: Dict[str, float] = field(default_factory=dict)
    counters: Dict[str, int] = field(default_factory=dict)
    replies: Dict[str, float] = field(default_factory=dict)  # of a board: how long its answers took
    verdicts: List[Verdict] = field(default_factory=list)
    spoilt: int = 0  # lines from the relay that did not decode

    @property
    def pack(self) -> str:
        """Name of the pack."""
        return self.scenario.pack

    @property
    def phases(self) -> List[Tuple[str, float, float, int]]:
        """(name, start s, end s, scan ms) of each phase of the course."""
        return [(p.name, p.start_s, p.end_s, p.scan_ms) for p in self.scenario.phases]

    @property
    def held(self) -> bool:
        """True when every verdict held."""
        return all(v.held for v in self.verdicts)

    @property
    def identity(self) -> str:
        """Firmware version, protocol and digest of the settings, as the relay itself says."""
        for line in self.events:
            if line.kind == "ident":
                f = line.fields
                return "fw %s proto %s cfg %s" % (f.get("fw", "?"), f.get("proto", "?"), f.get("cfg", "?"))
        return "no identity line seen"

    @property
    def settings_digest(self) -> str:
        """Digest of the settings in use, in hex, from the identity line; empty when none was seen."""
        return next((line.fields.get("cfg", "") for line in self.events if line.kind == "ident"), "")

    def mode_at(self, t_s: float) -> str:
        """The relay's mode at a scenario time, from its change lines; "boot" before the first."""
        mode = "boot"
        for line in self.events:
            if line.t_s > t_s:
                break
            if line.kind == "change":
                mode = line.fields["to"]
            elif line.kind == "ident" and line.fields.get("boots") and line.seq == 0:
                mode = "boot"
        return mode

    def bits_at(self, t_s: float) -> int:
        """Output and plant bits at a scenario time."""
        at = bisect_right([c.t_s for c in self.changes], t_s) - 1
        return self.changes[at].bits if at >= 0 else 0


def seconds_of(ticks: int, clock: Sequence[Tuple[int, float]]) -> float:
    """Scenario time of relay ticks, by the points where the two clocks were seen together."""
    since = (ticks - CLOCK_START_MS) & TICKS
    at = max(0, bisect_right(clock, (since, float("inf"))) - 1)
    return clock[at][1] + (since - clock[at][0]) / 1000.0


LINE_MAX = 240  # bytes of a line, with its LF
_LINE = re.compile(rb"([a-z]+) ([0-9]{1,5})((?: [a-z_0-9]+=(?:\"[^\"]*\"|[^\" ]*))*)")
_FIELD = re.compile(r' ([a-z_0-9]+)=("[^"]*"|[^" ]*)')
_UNSIGNED = re.compile(r"[0-9]{1,10}")
# What the bench and the views read of a line: without it the line is as good as torn.
_WORD, _WHOLE, _HEX = re.compile(r"[A-Za-z0-9_.]{1,32}"), re.compile(r"-?[0-9]{1,10}"), re.compile(r"[0-9a-f]{1,8}")
_LIST = re.compile(r"-?[0-9]{1,10}(?:,-?[0-9]{1,10})*")
_NEEDS: Dict[str, Dict[str, "re.Pattern[str]"]] = {
    "change": {"t": _UNSIGNED, "to": _WORD, "why": _WORD},
    "event": {
        "t": _UNSIGNED, "el": _WORD, "stage": _WORD, "ix": _UNSIGNED, "on": re.compile("[01]"), "act": _HEX,
        "x": _WHOLE,
    },
    "mods": {"t": _UNSIGNED, "bad": _HEX, "mv": _LIST},
}  # fmt: skip


def parse(raw: bytes) -> Optional[Tuple[str, int, Dict[str, str]]]:
    """(kind, sequence number, fields) of a line without its LF, or None when it is not whole.

    As docs/protocol.md says a reader does: dropped are lines that are too long, or have a byte outside 0x20..0x7E,
    or a CRC (IBM-3740, four lower-case digits, over everything before the `*`) that is not theirs.
    """
    if not 8 <= len(raw) < LINE_MAX or raw[-5:-4] != b"*" or raw[-4:] != b"%04x" % crc_hqx(raw[:-5], 0xFFFF):
        return None
    found = _LINE.fullmatch(raw, 0, len(raw) - 5)
    if found is None:
        return None
    try:
        text = found[3].decode("ascii")
    except UnicodeDecodeError:
        return None
    seq = int(found[2])
    fields = {name: value.strip('"') for name, value in _FIELD.findall(text)}
    if seq > 65535 or not text.isprintable() or not _UNSIGNED.fullmatch(fields.get("t", "0")):
        return None
    kind = found[1].decode("ascii")
    if any(not form.fullmatch(fields.get(name, "")) for name, form in _NEEDS.get(kind, {}).items()):
        return None
    return kind, seq, fields


def decode(
    lines: bytes,
    kinds: Sequence[str],
    clock: Sequence[Tuple[int, float]],
    arrivals: Sequence[Tuple[int, float]] = ((0, 0.0),),
) -> Iterator[Any]:
    """Each line of `kinds` as a Line; for a line of any kind that does not decode, None."""
    starts = tuple(kind.encode() + b" " for kind in kinds)
    offsets = [offset for offset, _ in arrivals]
    at = 0
    for raw in lines.split(b"\n"):
        if raw.startswith(starts):
            parsed = parse(raw)
            if parsed is None:
                yield None
            else:
                kind, seq, fields = parsed
                if "t" in fields:
                    t_s = seconds_of(int(fields["t"]), clock)
                else:
                    t_s = arrivals[max(0, bisect_right(offsets, at) - 1)][1] if arrivals else 0.0
                yield Line(t_s, kind, seq, fields)
        at += len(raw) + 1


def counters(lines: bytes, clock: Sequence[Tuple[int, float]]) -> Dict[str, int]:
    """The relay's own counters: the last it said."""
    out: Dict[str, int] = {}
    for line in decode(lines, ("count",), clock):
        if line is not None:
            out = {n: int(v) for n, v in line.fields.items() if n != "t" and _UNSIGNED.fullmatch(v)}
    return out


def column(flat: "array[float]", at: int, width: int) -> "array[float]":
    """One column of rows of `width` values laid end to end."""
    return flat[at::width]
