"""The reference part of docs/bench.md, made from the tables: `python -m packwarden.bench.reference docs/bench.md`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import List

from packwarden.bench import faults, schema, verdict

BEGIN, END = "<!-- made from the tables -->", "<!-- end of what is made -->"


def words() -> str:
    """The words of `never`, `happens` and `before`, the figures, and the default budgets, as Markdown."""
    out: List[str] = ["### Happenings", "", "| word | what it is | `value` |", "|---|---|---|"]
    out += ["| `%s` | %s | %s |" % (name, row.about, row.value) for name, row in verdict.HAPPENINGS.items()]
    out += ["", "### Figures", "", "| figure | unit | what it is |", "|---|---|---|"]
    out += ["| `%s` | %s | %s |" % (name, row.unit, row.about) for name, row in verdict.FIGURES.items()]
    out += ["", "### Default budgets", "", "| element | stage | ms | what |", "|---|---|---|---|"]
    out += ["| %s | %s | %d | %s |" % (n, stage or "any", ms, about) for n, stage, ms, about in verdict.BUDGETS]
    return "\n".join(out) + "\n"


def whole() -> str:
    """Everything that is made."""
    parts = ["## Reference: the file", schema.reference().rstrip(), "## Reference: what can be named", words().rstrip()]
    parts += ["## Reference: the faults", faults.reference().rstrip()]
    return "\n\n".join(parts)


def page(text: str) -> str:
    """A page with its made part made anew.  ValueError when it has no place for it."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("the page has no place between %r and %r" % (BEGIN, END))
    return "%s%s\n\n%s\n\n%s%s" % (before, BEGIN, whole(), END, after)


if __name__ == "__main__":
    file = Path(sys.argv[1])
    file.write_text(page(file.read_text(encoding="utf-8")), encoding="utf-8")
