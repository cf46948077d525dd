"""The made part of docs/sizing.md: every result, and every key of a file of parts, from the tables.

`python -m packwarden.sizing.reference` writes it.
"""

from __future__ import annotations

import dataclasses

from packwarden import paths
from packwarden.bench import reference
from packwarden.sizing import parts, topics
from packwarden.sizing.result import TABLE

PAGE = "sizing.md"


def results() -> str:
    """Every row of the table of results, by topic, as Markdown."""
    out: list[str] = []
    for topic in topics.TOPICS:
        out += ["### %s" % topic.name, "", topic.about[0].upper() + topic.about[1:] + ".", ""]
        out += ["| result | unit | formula | source | what it is | when it is not ok |", "|---|---|---|---|---|---|"]
        for name, row in TABLE.items():
            if name.partition(".")[0] == topic.name:
                unit, formula, source, what, word = (cell.replace("%%", "%").replace("||", "parallel") for cell in row)
                out.append("| `%s` | %s | %s | %s | %s | %s |" % (name, unit, formula, source, what, word))
        out.append("")
    return "\n".join(out).rstrip()


def keys() -> str:
    """Every key of a file of parts, with its default and bounds, as Markdown."""
    out: list[str] = []
    plain = parts.load_parts()
    tables = [(name, getattr(plain, name)) for name in parts.ONE]
    tables += [("adc." + name, adc) for name, adc in plain.adc.items()] + [("box.1", plain.box[1])]
    for name, table in tables:
        out += ["### `[%s]`" % name, "", "| key | reference | lowest | highest | meaning |", "|---|---|---|---|---|"]
        for f in dataclasses.fields(table):
            cells = (f.name, getattr(table, f.name), f.metadata["low"], f.metadata["high"], f.metadata["about"])
            out.append("| `%s` | %g | %g | %g | %s |" % cells)
        out.append("")
    return "\n".join(out).rstrip()


def whole() -> str:
    """Everything that is made."""
    return "## Every result\n\n%s\n\n## Every key of a file of parts\n\n%s" % (results(), keys())


if __name__ == "__main__":
    file = paths.ROOT / "docs" / PAGE
    file.write_text(reference.page(file.read_text(encoding="utf-8"), whole), encoding="utf-8")
