"""A run in a terminal: the verdict, what operated against which budget, and how far it came."""

from __future__ import annotations

import math
from typing import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from packwarden.bench.result import RunResult
from packwarden.views import words
from packwarden.views.words import Context

# Colours by IEC 60073: red danger, yellow abnormal, green normal; each with a word, and a shape where one fits.
HELD, BROKEN = Text("\u25cf held", "green"), Text("\u25a0 BROKEN", "bold red")
SHORT_FIGURES = (
    "worst_module_v", "highest_module_v", "reversal_as", "peak_current_a", "break_current_a", "make_gap_v",
    "live_while_plugged_s", "precharge_resistor_j", "hottest_c",
)  # fmt: skip


def run(console: Console, result: RunResult, context: Context) -> None:
    """Everything that a person wants of one run, short."""
    s = result.scenario
    console.print()
    console.print(Text.assemble((s.name, "bold"), ": ", s.about))
    speed = result.simulated_s / result.wall_s if result.wall_s else 0.0
    line = "%s%s, %s; %s simulated in %.1f s (%.0fx); scans %s" % (
        " and ".join(context.targets or (result.target,)), " (%s)" % context.python if context.python else "",
        result.identity, words.length(result.simulated_s), result.wall_s, speed, words.scan_text(s))  # fmt: skip
    console.print(Text(line, "dim"))
    if context.compared:
        console.print(Text(context.compared, "green" if context.same else "bold red"))
    if result.replies:
        each = ", ".join("%s %g" % (name, value) for name, value in result.replies.items())
        console.print(Text("the board's answers: " + each, "dim"))
    _operations(console, result)
    _verdicts(console, result)
    _figures(console, result)


def grid(heads: Sequence[str], right: Sequence[str] = ()) -> Table:
    """An empty table in the house's look."""
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    for head in heads:
        table.add_column(head, justify="right" if head in right else "left", no_wrap=head in right)
    return table


def _operations(console: Console, result: RunResult) -> None:
    done = words.operations(result)
    if not done:
        console.print(Text("nothing operated", "dim"))
        return
    table = grid(("operated", "where", "at", "took", "from", "budget", "left"), ("at", "took", "budget", "left"))
    for each in done:
        style, sign = ("bold red", "\u25a0 trip ") if each.trips else ("yellow", "\u25b2 alarm")
        left = Text(words.duration(each.margin_ms), "bold red" if (each.margin_ms or 0) < 0 else "")
        times = " x%d" % each.times if each.times > 1 else ""
        table.add_row(
            Text("%s %s %s%s" % (sign, each.element, each.stage, times), style),
            Text(each.place + (" (%s)" % each.value if each.value else "")), words.seconds(each.t_s),
            words.duration(each.took_ms), each.since, words.duration(each.budget_ms), left,
        )  # fmt: skip
    console.print(table)


def _verdicts(console: Console, result: RunResult) -> None:
    if not result.verdicts:
        console.print(Text("the scenario expects nothing", "yellow"))
        return
    table = grid(("verdict", "expected", "seen", "took", "allowed"), ("took", "allowed"))
    for v in result.verdicts:
        sign = HELD if v.held else BROKEN
        table.add_row(
            sign, Text(v.text), Text(v.measured), words.duration(v.took_ms), words.duration(v.budget_ms)
        )
    console.print(table)


def _figures(console: Console, result: RunResult) -> None:
    parts = []
    for name, value, unit, _about in words.figures(result):
        if name in SHORT_FIGURES and not math.isnan(value):
            parts.append("%s %s" % (name, words.amount(value, unit)))
    console.print(Text("; ".join(parts), "dim"))


def summary(console: Console, runs: Sequence[tuple[RunResult, Context]], failed: Sequence[tuple[str, str]]) -> None:
    """One line for each of many runs."""
    table = grid(("verdict", "scenario", "expected", "simulated", "took", "what came of it"), ("simulated", "took"))
    for result, context in runs:
        broken = sum(not v.held for v in result.verdicts)
        held = not broken and context.same is not False
        text = "%d of %d" % (len(result.verdicts) - broken, len(result.verdicts)) if result.verdicts else "nothing"
        table.add_row(
            HELD if held else BROKEN, Text(result.scenario.name), text, words.length(result.simulated_s),
            "%.1f s" % result.wall_s, Text(_outcome(result, context)),
        )  # fmt: skip
    for name, why in failed:
        table.add_row(BROKEN, Text(name), "", "", "", Text(why))
    console.print()
    console.print(table)


def _outcome(result: RunResult, context: Context) -> str:
    if context.same is False:
        return context.compared
    for v in result.verdicts:
        if not v.held:
            return "%s: %s" % (v.text, v.measured)
    tripped = [done for done in words.operations(result) if done.trips]
    if not tripped:
        return "nothing tripped"
    first = tripped[0]
    took = ", %s after %s" % (words.duration(first.took_ms), first.since) if first.took_ms is not None else ""
    place = "" if first.place == "string" else " at " + first.place
    return "tripped %s %s%s%s" % (first.element, first.stage, place, took)
