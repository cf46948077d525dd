"""The traces of a run made small enough for a page: fewer rows, every extreme kept, and what the relay itself read.

Rows are real samples, never averages.  Round every fault, operation and change of mode all rows stay.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from typing import Sequence

from packwarden.bench.result import RunResult, decode
from packwarden.views.words import first_trip

ROWS_MAX = 9000
NEAR_S = 20.0  # all rows stay this near to something that happened
READING_V = 0.2  # a reading this far from the truth is worth showing
READING_S = 0.5  # when it stays so for this long


@dataclass(frozen=True)
class Reading:
    """What the relay said it read.  Times in s; mv: one list of every module's voltage for each time."""

    t_s: list[float]
    mv: list[list[int]]
    bad: list[int]  # bit k: module k is not believed


def moments(result: RunResult) -> list[float]:
    """Times of what happened: faults, inputs, operations, changes of mode."""
    out = [line.t_s for line in result.events if line.kind in ("change", "event", "ident")]
    out += [f.start_s for f in result.faults if f.start_s is not None]
    out += [f.end_s for f in result.faults if f.end_s is not None]
    out += [t_s for t_s in result.inputs if t_s is not None]
    return sorted(set(out))


def chosen(result: RunResult, most: int = ROWS_MAX) -> list[int]:
    """Rows to show, at most about `most`, in order.

    First those near something that happened, up to half of `most` (nearest first); then, of each equal stretch
    of the rest, the first row and those with the lowest and highest of each voltage and current.
    """
    times = result.traces["t_s"]
    n = len(times)
    if n <= most:
        return list(range(n))
    keep = {0, n - 1}
    near_s = NEAR_S
    while True:
        near: set[int] = set()
        for t_s in moments(result):
            near.update(range(bisect_left(times, t_s - near_s), bisect_right(times, t_s + near_s)))
        if len(near) <= most // 2 or near_s < 0.05:
            break
        near_s /= 2
    keep |= near if len(near) <= most // 2 else set()
    columns = [result.traces[name] for name in ("low_v", "high_v", "i_a", "peak_a", "link_v", "aux_v", "speed_kmh")]
    each = 1 + 2 * len(columns)  # rows that a stretch keeps at most; mostly they are fewer, since extremes coincide
    room = most - len(keep)
    for part in (each // 3, each // 2, each):
        found = _extremes(times, columns, (times[-1] - times[0]) / max(1, room // part)) | keep
        if len(found) <= most:
            break
    return sorted(found)


def _extremes(times: Sequence[float], columns: Sequence[Sequence[float]], stretch_s: float) -> set[int]:
    """Of each stretch of so many seconds the first row, and those with the extremes of each column."""
    keep: set[int] = set()
    start = 0
    while start < len(times):
        stop = max(start + 1, bisect_right(times, times[start] + stretch_s))
        keep.add(start)
        rows = range(start, stop)
        for column in columns:
            keep.add(min(rows, key=column.__getitem__))
            keep.add(max(rows, key=column.__getitem__))
        start = stop
    return keep


def readings(result: RunResult) -> Reading:
    """Every `mods` line of the relay."""
    out = Reading([], [], [])
    for line in decode(result.lines, ("mods",), result.clock, result.arrivals):
        if line is None:
            continue
        out.t_s.append(line.t_s)
        out.mv.append([int(v) for v in line.fields["mv"].split(",")])
        out.bad.append(int(line.fields["bad"], 16))
    return out


def at_rows(reading: Reading, times: Sequence[float]) -> list[int]:
    """For each time the number of the last reading told by then, or -1."""
    return [bisect_right(reading.t_s, t_s) - 1 for t_s in times]


def misread(result: RunResult, reading: Reading) -> list[int]:
    """Modules (from 0) that the relay read wrong or did not believe, for longer than a passing moment."""
    out = []
    times = result.traces["t_s"]
    for k in range(result.scenario.spec.n_modules):
        true_v = result.traces["module_v.%d" % k]
        since: float | None = None
        for t_s, mv, bad in zip(reading.t_s, reading.mv, reading.bad):
            row = min(len(times) - 1, bisect_left(times, t_s))
            # The truth moves while modules are sampled in turn: a reading is off when no truth of late is near.
            near = [true_v[at] for at in range(max(0, row - 3), min(len(times), row + 2))]
            off = bad >> k & 1 or not min(near) - READING_V < mv[k] / 1000.0 < max(near) + READING_V
            if not off or t_s < 2.0:
                since = None
            elif since is None:
                since = t_s
            elif t_s - since >= READING_S:
                out.append(k)
                break
    return out


def spans(result: RunResult, bit: int) -> list[tuple[float, float]]:
    """(from s, to s) of every stretch in which an output or plant bit is on."""
    out: list[tuple[float, float]] = []
    since: float | None = None
    for change in result.changes:
        on = bool(change.bits & bit)
        if on and since is None:
            since = change.t_s
        elif not on and since is not None:
            out.append((since, change.t_s))
            since = None
    if since is not None:
        out.append((since, result.simulated_s))
    return out


def modes(result: RunResult) -> list[tuple[float, str]]:
    """(from s, mode) of every stretch, from the relay's own lines."""
    out = [(0.0, "boot")]
    for line in result.events:
        mode = line.fields["to"] if line.kind == "change" else None
        if line.kind == "ident" and line.seq == 0 and line.t_s > 1.0:
            mode = "boot"
        if mode is not None and mode != out[-1][1]:
            out.append((line.t_s, mode))
    return out


def worst_moment(result: RunResult) -> tuple[int, float, str]:
    """(row, time s, what it is) of what the string line shows first: the trip, else the widest spread.

    At a trip the row is the last one before the relay let go: after that the current is gone and modules recover.
    """
    times = result.traces["t_s"]
    trip = first_trip(result)
    if trip is not None:
        left = [c.t_s for c in result.events if c.kind == "change" and c.fields["why"] == "trip"]
        left = [t_s for t_s in left if trip.t_s - 1.0 <= t_s <= trip.t_s]
        return max(0, bisect_right(times, min(left, default=trip.t_s)) - 1), trip.t_s, "at the trip"
    columns = [result.traces["module_v.%d" % k] for k in range(result.scenario.spec.n_modules)]
    spread = [max(row) - min(row) for row in zip(*columns)]
    row = spread.index(max(spread))
    return row, times[row], "at the widest spread"
