"""The results of sizing in a terminal: a table for each topic, and what to look at first."""

from __future__ import annotations

from typing import Sequence

from rich.console import Console
from rich.text import Text

from packwarden.sizing.job import Job
from packwarden.sizing.result import DECIDE, MEANING, OK, REFUSE, TIGHT, VERDICTS, Result
from packwarden.sizing.topics import Done
from packwarden.views.table import grid

# Colours by IEC 60073, each with a shape and its word.
SIGNS = {
    OK: ("\u25cf", "green"),
    TIGHT: ("\u25b2", "yellow"),
    REFUSE: ("\u25a0", "bold red"),
    DECIDE: ("\u25c6", "blue"),
}
PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))
PREFIXED = ("V", "A", "ohm", "W", "J", "A2s", "F", "Hz", "Wh")


def amount(value: float, unit: str) -> str:
    """A value to three figures with its unit, with a prefix where that unit takes one."""
    if unit == "1":
        return "%.3g" % value
    size = abs(value)
    if unit in PREFIXED and size and unit != "A2s":
        factor, prefix = next(((f, p) for f, p in PREFIXES if size >= f * 0.9995), PREFIXES[-1])
        return "%s %s%s" % (_three(value / factor), prefix, unit)
    if unit == "s" and 0.0 < size < 0.9995:
        return "%s ms" % _three(value * 1e3)
    return "%s %s" % (_three(value), unit)


def _three(value: float) -> str:
    return "%.0f" % value if 999.5 <= abs(value) < 1e7 else "%.3g" % value


def sign(verdict: str) -> Text:
    """Shape and word."""
    shape, style = SIGNS[verdict]
    return Text("%s %s" % (shape, verdict), style)


def table(console: Console, job: Job, done: Sequence[Done], every: bool) -> None:
    """A table for each topic; `every`: formula, source and assumptions as well."""
    console.print(Text.assemble((job.pack.name, "bold"), ": ", job.pack.about))
    console.print(Text("with the parts of %s: %s" % (job.parts.name, job.parts.about), "dim"))
    for d in done:
        console.print()
        console.print(Text.assemble((d.topic.name, "bold"), "  ", (d.topic.about, "dim")))
        made = grid(("verdict", "value", "limit", "what", "why"), ("value", "limit"))
        for r in d.report.results:
            if r.detail and not every and r.verdict in (OK, DECIDE):
                continue
            made.add_row(sign(r.verdict), amount(r.value, r.unit), _limit(r), Text(r.what), Text(r.why))
            if every:
                told = "%s; %s" % (r.formula, r.source)
                made.add_row("", "", "", Text(told, "dim"), Text("; ".join(r.assumes), "dim"))
        console.print(made)
        for text in dict.fromkeys(r.caution for r in d.report.results if r.caution):
            console.print(Text("Caution: " + text, "yellow"))
    _summary(console, done)


def _limit(r: Result) -> str:
    return "" if r.limit is None else amount(r.limit, r.unit)


def _summary(console: Console, done: Sequence[Done]) -> None:
    results = [r for d in done for r in d.report.results]
    console.print()
    for verdict in (REFUSE, TIGHT):
        for r in results:
            if r.verdict == verdict:
                line = ": ".join(part for part in (r.name, r.what, r.why) if part)
                console.print(Text.assemble(sign(verdict), "  ", line))
    for verdict in VERDICTS:
        n = sum(r.verdict == verdict for r in results)
        console.print(Text.assemble(sign(verdict), ": %d, %s" % (n, MEANING[verdict])))
