"""A campaign in the terminal: the matrix, how long trips took, how near hazards came, and what stands out."""

from __future__ import annotations

from typing import Mapping

from rich.console import Console
from rich.text import Text

from packwarden.bench import hazards
from packwarden.views import words
from packwarden.views.campaign_sums import (
    ABOUT,
    ORDER,
    SIGN,
    Row,
    Sums,
    counted,
    modes_of,
    passed_text,
    replay,
    said_text,
    verdict,
    worst,
)  # fmt: skip
from packwarden.views.table import grid

SHOWN_MAX = 40  # cells listed one by one


def sign(name: str) -> Text:
    """A verdict: symbol and word."""
    symbol, colour = SIGN[name]
    return Text("%s %s" % (symbol, name), "bold red" if colour == "red" else colour)


def show(console: Console, sums: Sums) -> None:
    """Everything that a person wants of a campaign, short."""
    _matrix(console, sums)
    _times(console, sums)
    _hazards(console, sums)
    _silent(console, sums)
    _bad(console, sums)
    _counts(console, sums)


def one(console: Console, row: Row, limits: Mapping[str, float]) -> None:
    """One cell with everything that is known of it."""
    o = row["outcome"]
    console.print(Text(row["key"], "bold"))
    line = sign(verdict(row))
    line.append("  %s; said: %s" % (ABOUT[verdict(row)], said_text(row)), "default")
    console.print(line)
    if o.get("safe_ms") is not None:
        budget = ", budget %s" % words.duration(o["budget_ms"]) if o["budget_ms"] is not None else ", no budget"
        console.print("safe after %s%s" % (words.duration(o["safe_ms"]), budget))
    table = grid(("quantity", "reached", "limit", "what it is"), ("reached", "limit"))
    for name, value in o.get("hazards", {}).items():
        unit, style = hazards.BY_NAME[name].unit, "bold red" if name in o.get("passed", []) else ""
        reached = Text(words.amount(value, unit), style)
        table.add_row(name, reached, words.amount(limits[name], unit), Text(hazards.BY_NAME[name].about))
    if table.row_count:
        console.print(table)
    if o.get("why"):
        console.print(Text(o["why"], "bold red"))
    for text in hazards.answers(row["faults"], o.get("passed", [])):
        console.print(Text("in hardware: " + text))


def _matrix(console: Console, sums: Sums) -> None:
    names = [kind for kinds in sums.kinds().values() for kind in kinds]
    if not names:
        return
    modes = modes_of(names)
    console.print(Text("\nsingle faults, worst of each mode, and how many cells", "bold"))
    table = grid(("fault", *modes))
    for group, kinds in sums.kinds().items():
        table.add_row(Text(group, "bold"))
        for kind in kinds:
            cells = []
            for mode in modes:
                counts = sums.matrix.get((kind, mode))
                if counts is None:
                    cells.append(Text("\u00b7", "dim"))
                    continue
                text = sign(worst(counts))
                n = sum(counts.values())
                text.append(" %d/%d" % (counts[worst(counts)], n) if counts[worst(counts)] < n else " %d" % n, "dim")
                cells.append(text)
            table.add_row(Text("  " + kind), *cells)
    console.print(table)


def _times(console: Console, sums: Sums) -> None:
    times = sums.times()
    if not times:
        return
    console.print(Text("\ntime to safe of the first trip", "bold"))
    heads = ("stage", "cells", "shortest", "middle", "longest", "budget", "left")
    table = grid(heads, heads[1:])
    for stage, each in times.items():
        took = sorted(each.took_ms + each.free_ms)
        left = None if each.budget_ms is None else each.budget_ms - max(each.took_ms)
        table.add_row(
            stage, "%d" % len(took), *(words.duration(ms) for ms in (took[0], took[len(took) // 2], took[-1])),
            words.duration(each.budget_ms), Text(words.duration(left), "bold red" if (left or 0) < 0 else ""),
        )  # fmt: skip
    console.print(table)


def _hazards(console: Console, sums: Sums) -> None:
    console.print(Text("\nhazards: the most that any cell reached, against its limit", "bold"))
    table = grid(("quantity", "most", "limit", "cells over", "what it is"), ("most", "limit", "cells over"))
    for name, each in sums.reached().items():
        row = hazards.BY_NAME[name]
        over = sum(name in cell["outcome"].get("passed", []) for _ratio, cell in each)
        most, limit = "\u2013", ""
        if each:
            _ratio, cell = max(each, key=lambda pair: pair[0])
            most = words.amount(cell["outcome"]["hazards"][name], row.unit)
            limit = words.amount(sums.header["limits"][cell["pack"]][name], row.unit)
        table.add_row(name, most, limit, Text(str(over or ""), "bold red"), Text(row.about))
    console.print(table)


def _bad(console: Console, sums: Sums) -> None:
    rows = sums.bad()
    if not rows:
        return
    console.print(Text("\nwhat stands out", "bold"))
    for row in rows[:SHOWN_MAX]:
        line = sign(verdict(row))
        line.append("  %s; said: %s" % (passed_text(row, sums.header["limits"]), said_text(row)), "default")
        console.print(line)
        console.print(Text("    " + replay(row["key"]), "dim"))
        for text in hazards.answers(row["faults"], row["outcome"].get("passed", [])):
            console.print(Text("    in hardware: " + text, "dim"))
    if len(rows) > SHOWN_MAX:
        console.print(Text("... and %d more: the page has them all" % (len(rows) - SHOWN_MAX), "dim"))


def _silent(console: Console, sums: Sums) -> None:
    rows = sums.silent()
    if rows:
        console.print(Text("\nnever said, whatever the size", "bold"))
        told = ("%s (%s)" % (kind, ", ".join(never)) for kind, never, _other in rows)
        console.print(Text("; ".join(told), "dim"))


def _counts(console: Console, sums: Sums) -> None:
    console.print()
    table = grid(("verdict", "cells", "meaning"), ("cells",))
    for name in ORDER:
        if sums.counts[name]:
            table.add_row(sign(name), str(sums.counts[name]), Text(ABOUT[name]))
    console.print(table)
    left = sums.unexplained()
    text = "%d cells, %d of them with two faults" % (len(sums.rows), len(sums.pairs))
    if left:
        console.print(Text("%s; %d stand out with no answer in hardware" % (text, len(left)), "bold red"))
    else:
        console.print(Text("%s; whatever stands out has its answer in hardware" % text, "green"))
    if sums.pairs:
        pairs = {name: sum(verdict(row) == name for row in sums.pairs) for name in ORDER}
        console.print(Text("of the pairs: " + counted(pairs), "dim"))
