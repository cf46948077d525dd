"""The reference parts of docs/bench.md and docs/protection.md, made from the tables.

`python -m packwarden.bench.reference` writes both.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Callable, Dict, List

from packwarden import paths
from packwarden.bench import faults, relay_tables, schema, verdict
from packwarden.plant import spec

BEGIN, END = "<!-- made from the tables -->", "<!-- end of what is made -->"


def words() -> str:
    """The words of `never`, `happens` and `before`, the figures, and the default budgets, as Markdown."""
    out: List[str] = ["### Happenings", "", "| word | what it is | `value` |", "|---|---|---|"]
    out += ["| `%s` | %s | %s |" % (name, row.about, row.value) for name, row in verdict.HAPPENINGS.items()]
    out += ["", "### Figures", "", "| figure | unit | what it is |", "|---|---|---|"]
    out += ["| `%s` | %s | %s |" % (name, row.unit, row.about) for name, row in verdict.FIGURES.items()]
    out += ["", "### Default budgets", "", "| element | stage | ms | what |", "|---|---|---|---|"]
    for n, stage, ms, about in verdict.BUDGETS:
        out.append("| %s | %s | %s | %s |" % (n, stage or "any", ms if isinstance(ms, int) else "`%s`" % ms, about))
    return "\n".join(out) + "\n"


def whole() -> str:
    """Everything that is made."""
    parts = ["## Reference: the file", schema.reference().rstrip(), "## Reference: what can be named", words().rstrip()]
    parts += ["## Reference: the faults", faults.reference().rstrip()]
    return "\n\n".join(parts)


def pack_keys() -> str:
    """Every number of a pack file and of a chemistry file, from the fields that the loader checks."""
    tables = (
        ("module", spec.ModuleSpec),
        ("bus", spec.BusSpec),
        ("charger", spec.ChargerSpec),
        ("vehicle", spec.VehicleSpec),
        ("boat", spec.BoatSpec),
        ("sensors", spec.SensorSpec),
        ("values", spec.Chemistry),
    )
    out: List[str] = []
    for name, kind in tables:
        where = "`[%s]`" % name if name != "values" else "A chemistry file's `[values]`"
        out += ["## %s" % where, "", "| key | default | lowest | highest | meaning |", "|---|---|---|---|---|"]
        for f in dataclasses.fields(kind):
            if "low" in f.metadata:
                default: Any = f.default
                cells = (f.name, default, f.metadata["low"], f.metadata["high"], f.metadata["about"])
                out.append("| `%s` | %g | %g | %g | %s |" % cells)
        out.append("")
    return "\n".join(out).rstrip()


PAGES: Dict[str, Callable[[], str]] = {
    "bench.md": whole,
    "packs.md": pack_keys,
    "protection.md": relay_tables.whole,
}


def page(text: str, made: Callable[[], str] = whole) -> str:
    """A page with its made part made anew.  ValueError when it has no place for it."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("the page has no place between %r and %r" % (BEGIN, END))
    return "%s%s\n\n%s\n\n%s%s" % (before, BEGIN, made(), END, after)


if __name__ == "__main__":
    for name, made in PAGES.items():
        file = paths.ROOT / "docs" / name
        file.write_text(page(file.read_text(encoding="utf-8"), made), encoding="utf-8")
