"""What a finished campaign comes to: counts, the matrix of faults and modes, times, hazards, what stands out.

Read from the data of campaign.json alone; the terminal and the page both show what is counted here.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Mapping, Optional, Sequence

from packwarden.bench import hazards, outcome
from packwarden.bench.courses import MODES, MOMENTS
from packwarden.bench.faults import KINDS
from packwarden.views import words

ORDER = [name for name, _about in outcome.VERDICTS]  # from good to bad
ABOUT = dict(outcome.VERDICTS)
# verdict -> symbol, colour by IEC 60073 (green normal, yellow abnormal, red danger, blue asks for an action)
SIGN = {
    "quiet": ("\u25cb", "dim"),
    "harmless": ("\u25cb", "dim"),
    "safe": ("\u25cf", "green"),
    "detected": ("\u25b2", "yellow"),
    "late": ("\u25c6", "yellow"),
    "false alarm": ("\u25b3", "yellow"),
    "hazard": ("\u25a0", "red"),
    "undetected hazard": ("\u2716", "red"),
    "failed": ("?", "blue"),
}

Row = Mapping[str, Any]  # a cell with its outcome


@dataclass
class Times:
    """How long one stage took in every cell in which it was the first to trip, ms.

    `free_ms`: in cells where no budget counts (budget_ms of the cell is None); `budget_ms` None: it never does.
    """

    budget_ms: Optional[int] = None
    took_ms: list[int] = field(default_factory=list)
    free_ms: list[int] = field(default_factory=list)

    @property
    def text(self) -> str:
        """The longest against the budget, in words."""
        if self.budget_ms is None:
            return "%s, no budget" % words.duration(max(self.free_ms))
        return "%s of %s" % (words.duration(max(self.took_ms)), words.duration(self.budget_ms))


class Sums:
    """`data`: what campaign.json holds."""

    def __init__(self, data: Mapping[str, Any]) -> None:
        self.header = {key: value for key, value in data.items() if key != "results"}
        self.rows: list[Row] = data["results"]
        self.singles = [row for row in self.rows if len(row["faults"]) == 1]
        self.pairs = [row for row in self.rows if len(row["faults"]) > 1]
        self.healthy = [row for row in self.rows if not row["faults"]]
        self.counts = Counter(verdict(row) for row in self.rows)
        self.matrix: dict[tuple[str, str], Counter[str]] = {}
        for row in self.singles:
            self.matrix.setdefault((row["faults"][0]["kind"], row["mode"]), Counter())[verdict(row)] += 1

    @property
    def held(self) -> bool:
        """Nothing failed, alarmed falsely or came late, and every hazard is of a class that hardware has to solve."""
        return not any(self.unexplained())

    def bad(self) -> list[Row]:
        """Every cell that stands out, the worst first."""
        rows = [row for row in self.rows if verdict(row) in outcome.BAD]
        return sorted(rows, key=lambda row: (-ORDER.index(verdict(row)), len(row["faults"]), row["key"]))

    def unexplained(self) -> list[Row]:
        """Those of them that no row of hazards.HARDWARE answers."""
        return [row for row in self.bad() if not hazards.answers(row["faults"], row["outcome"].get("passed", []))]

    def kinds(self) -> dict[str, list[str]]:
        """Group -> the kinds in this campaign, in the library's order."""
        out: dict[str, list[str]] = {}
        seen = {kind for kind, _mode in self.matrix}
        for kind in KINDS.values():
            if kind.name in seen:
                out.setdefault(kind.group, []).append(kind.name)
        return out

    def times(self) -> dict[str, Times]:
        """Stage -> its times, in the order of names; single faults only."""
        out: dict[str, Times] = {}
        for row in self.singles:
            o = row["outcome"]
            if o.get("safe_ms") is not None and o["trip"] is not None:
                each = out.setdefault(o["trip"]["what"].partition("@")[0], Times())
                if o["budget_ms"] is None:
                    each.free_ms.append(o["safe_ms"])
                else:
                    each.took_ms.append(o["safe_ms"])
                    each.budget_ms = max(o["budget_ms"], each.budget_ms or 0)
        return dict(sorted(out.items()))

    def reached(self) -> dict[str, list[tuple[float, Row]]]:
        """Hazard -> (value against its limit, cell) of every cell in which it is above nothing."""
        out: dict[str, list[tuple[float, Row]]] = {row.name: [] for row in hazards.HAZARDS}
        for row in self.rows:
            for name, value in row["outcome"].get("hazards", {}).items():
                if value > 0:
                    out[name].append((value / self.header["limits"][row["pack"]][name], row))
        return out

    def silent(self) -> list[tuple[str, list[str], list[str]]]:
        """(kind, modes in which no cell said anything, the other modes) of each kind that has such a mode.

        A mode is marked where the relay acted without a word: it refused to start, or let the drive go.
        """
        acted = {(row["faults"][0]["kind"], row["mode"]) for row in self.singles if row["outcome"].get("acted")}
        out = []
        for kinds in self.kinds().values():
            for kind in kinds:
                counts = {mode: each for (name, mode), each in self.matrix.items() if name == kind}
                never = [mode for mode, each in counts.items() if set(each) <= {"harmless", "undetected hazard"}]
                if never:
                    marked = [mode + " (acts)" if (kind, mode) in acted else mode for mode in never]
                    out.append((kind, marked, [mode for mode in counts if mode not in never]))
        return out

    def classes(self) -> list[tuple[str, str, list[Row]]]:
        """(verdict, what passed, cells) of hazards: cells of the same kinds and the same quantities together."""
        found: dict[tuple[str, str, str], list[Row]] = {}
        for row in self.bad():
            if row["outcome"].get("passed"):
                kinds = " + ".join(sorted(fault["kind"] for fault in row["faults"]))
                key = (verdict(row), kinds, ", ".join(row["outcome"]["passed"]))
                found.setdefault(key, []).append(row)
        return [(v, "%s: %s" % (kinds, passed), rows) for (v, kinds, passed), rows in found.items()]


def verdict(row: Row) -> str:
    """The verdict on a cell."""
    return str(row["outcome"]["verdict"])


def worst(counts: Mapping[str, int]) -> str:
    """The worst verdict that came up."""
    return max((name for name in counts if counts[name]), key=ORDER.index)


def counted(counts: Mapping[str, int]) -> str:
    """Counts in words, the worst first."""
    return ", ".join("%d %s" % (counts[name], name) for name in reversed(ORDER) if counts.get(name))


def fault_text(row: Row) -> str:
    """The faults of a cell in words."""
    return " + ".join(_one(fault) for fault in row["faults"]) or "none"


def _one(fault: Mapping[str, Any]) -> str:
    kind = KINDS[fault["kind"]]
    text = kind.name
    if fault["place"] >= 0:
        text += " at %s %d" % (kind.place, fault["place"] + 1)
    if kind.low != kind.high:
        text += ", %g %s" % (fault["size"], kind.unit)
    if fault.get("later_s"):
        text += " (%g s later)" % fault["later_s"]
    return text


def moment_text(row: Row) -> str:
    """When the fault begins."""
    return MOMENTS[row["mode"]][row["moment"]].about


def passed_text(row: Row, limits: Mapping[str, Mapping[str, float]]) -> str:
    """What passed its limit, with both figures."""
    o = row["outcome"]
    parts = []
    for name in o.get("passed", []):
        unit = hazards.BY_NAME[name].unit
        parts.append("%s %.4g %s (limit %.4g)" % (name, o["hazards"][name], unit, limits[row["pack"]][name]))
    return "; ".join(parts) or o.get("why", "") or ", ".join(o.get("false_alarms", []))


def said_text(row: Row) -> str:
    """What was said first, and what tripped."""
    o = row["outcome"]
    parts = []
    if o.get("first"):
        parts.append("%s after %d ms" % (o["first"]["what"], o["first"]["ms"]))
    if o.get("trip") and o["trip"] != o.get("first"):
        parts.append("trip %s after %d ms" % (o["trip"]["what"], o["trip"]["ms"]))
    return "; ".join(parts) or "nothing"


def modes_of(kinds: Sequence[str]) -> list[str]:
    """The modes that any of these kinds can begin in."""
    return [mode for mode in MODES if any(mode in KINDS[kind].modes for kind in kinds)]


def replay(key: str) -> str:
    """The command that shows a cell."""
    return "packwarden campaign --show %s" % key
