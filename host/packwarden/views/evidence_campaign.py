"""The campaign's part of the evidence report: verdicts, the matrix of faults and modes, and a word on each danger."""

from __future__ import annotations

from html import escape
from typing import Any, Sequence

from packwarden.bench import outcome
from packwarden.bench.courses import MODES
from packwarden.bench.faults import KINDS
from packwarden.safety.results import GOOD
from packwarden.views import words
from packwarden.views.page import shape, table

Data = dict[str, Any]
HAZARDOUS = ("hazard", "undetected hazard")

# verdict -> shape, class, short word.  From good to bad, as outcome.VERDICTS; the worst of a field is shown.
SIGNS = {
    "quiet": ("held", "held", "quiet"),
    "harmless": ("told", "open", "harmless"),
    "safe": ("held", "held", "safe"),
    "detected": ("held", "held", "noticed"),
    "late": ("alarm", "alarm", "late"),
    "false alarm": ("alarm", "alarm", "false"),
    "hazard": ("trip", "broken-text", "hazard"),
    "undetected hazard": ("trip", "broken-text", "unseen"),
    "failed": ("broken", "broken-text", "failed"),
}
ORDER = [name for name, _about in outcome.VERDICTS]
# Bands of diagnostic coverage (IEC 61508-4, ISO 13849-1; from memory), as a yardstick only.
BANDS = ((99.0, "high"), (90.0, "medium"), (60.0, "low"), (0.0, "none"))


def campaign(part: Data) -> str:
    """The whole section."""
    if not part["run"]:
        return '<p><span class="sign">%s<b class="open">not run here</b></span> %s</p>\n' % (
            shape("told"), escape(part["why"]))  # fmt: skip
    cells = part["cells"]
    single = [c for c in cells if len(c["faults"]) == 1]
    note = '<p class="note">%d cells, profile %s, campaign seed %s. %s</p>\n' % (
        len(cells), escape(str(part.get("profile"))), escape(str(part.get("seed"))),
        "%d with one fault, %d with more, %d with none." % (
            len(single), sum(len(c["faults"]) > 1 for c in cells), sum(not c["faults"] for c in cells)),
    )  # fmt: skip
    return note + _counts(cells) + _share(single) + _dangers(cells) + _matrix(single)


def _sign(verdict: str, text: str = "") -> str:
    form, css, short = SIGNS[verdict]
    return '<span class="sign">%s<b class="%s">%s</b></span>' % (shape(form), css, escape(text or short))


def _counts(cells: Sequence[Data]) -> str:
    rows = []
    for verdict, about in outcome.VERDICTS:
        n = sum(c["verdict"] == verdict for c in cells)
        if n:
            rows.append((_sign(verdict, verdict), escape(about), str(n)))
    return table(("verdict", "what", "cells"), rows, (2,))


def _share(single: Sequence[Data]) -> str:
    """How many of the cells that could hurt were noticed and made safe, and what that number is not."""
    hurt = [c for c in single if c["verdict"] in ("safe", "late", *HAZARDOUS)]
    if not hurt:
        return ""
    safe = sum(c["verdict"] == "safe" for c in hurt)
    percent = 100.0 * safe / len(hurt)
    band = next(name for least, name in BANDS if percent >= least)
    return (
        "<p>Of %d cells with one fault that tripped or in which something passed its limit, %d (%.1f %%) "
        "were made safe in "
        'time. <span class="note">Read on the bands of diagnostic coverage (IEC 61508-4, ISO 13849-1; from '
        'memory) that is '
        "\u201c%s\u201d, but it is not that figure: cells are counted here as if each were as likely as the "
        "next, and nobody "
        "has measured how likely they are.</span></p>\n" % (len(hurt), safe, percent, band)
    )


def _dangers(cells: Sequence[Data]) -> str:
    """Each hazardous cell, alike ones together, with the word on it."""
    groups: dict[tuple[str, str, str, str], list[Data]] = {}
    for c in cells:
        if c["verdict"] not in GOOD:
            passed = ", ".join(sorted(c["passed"])).replace("_", " ")
            groups.setdefault((" + ".join(c["faults"]) or "none", c["verdict"], passed, c["word"]), []).append(c)
    if not groups:
        return "<p>No cell passed a limit, was late, or alarmed for nothing.</p>\n"
    order = sorted(groups.items(), key=lambda g: (len(g[1][0]["faults"]) > 1, -ORDER.index(g[0][1]), g[0]))
    rows = []
    for (fault, verdict, passed, word), mine in order:
        late = max((c for c in mine if c["verdict"] == "late"), key=lambda c: c["safe_ms"], default=None)
        time = "%s of %s" % tuple(words.duration(late[k]) for k in ("safe_ms", "budget_ms")) if late else ""
        rows.append((
            _sign(verdict, verdict), "<code>%s</code>" % escape(fault),
            escape(", ".join(mode for mode in MODES if any(c["mode"] == mode for c in mine))), str(len(mine)),
            escape(passed or time or mine[0]["why"]), escape(word) or '<b class="limit">open question</b>',
        ))  # fmt: skip
    head = "<h3>Cells that are not as they should be, and the word on each</h3>\n"
    return head + table(("verdict", "fault", "modes", "cells", "passed its limit", "word"), rows, (3,))


def _matrix(single: Sequence[Data]) -> str:
    """Faults by modes; each field is the worst of its cells."""
    worst: dict[tuple[str, str], str] = {}
    for c in single:
        key = (c["faults"][0], c["mode"])
        was = worst.get(key)
        if was is None or ORDER.index(c["verdict"]) > ORDER.index(was):
            worst[key] = c["verdict"]
    out = ["<h3>Faults by modes</h3>\n", '<p class="note">Each field is the worst of its cells. A dot: not a mode in '
           "which this fault is tried. A dash: not run.</p>\n"]  # fmt: skip
    out.append(
        '<div class="wide" tabindex="0" role="region" aria-label="faults by modes"><table class="matrix"><thead><tr>'
    )
    out.append("<th>fault</th>%s</tr></thead><tbody>\n" % "".join("<th>%s</th>" % mode for mode in MODES))
    group = ""
    for kind in KINDS.values():
        if kind.group != group:
            group = kind.group
            out.append(
                '<tr><th class="group" colspan="%d" scope="rowgroup">%s</th></tr>\n' % (len(MODES) + 1, escape(group))
            )
        fields = []
        for mode in MODES:
            if mode not in kind.modes:
                fields.append('<td class="no">\u00b7</td>')
            elif (kind.name, mode) not in worst:
                fields.append('<td class="no">\u2013</td>')
            else:
                fields.append("<td>%s</td>" % _sign(worst[kind.name, mode]))
        out.append("<tr><td><code>%s</code></td>%s</tr>\n" % (escape(kind.name), "".join(fields)))
    out.append("</tbody></table></div>\n")
    return "".join(out)
