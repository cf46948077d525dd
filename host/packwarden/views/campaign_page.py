"""The page of a campaign: one HTML file that needs nothing else, for a screen, a phone or paper.

Everything is in the HTML; a few lines of script only open what a link points to.  No colour stands alone: each
verdict has a shape of its own and its word.
"""

from __future__ import annotations

import math
from html import escape
from pathlib import Path
from typing import Mapping, Optional, Sequence

from packwarden.bench import hazards
from packwarden.bench.faults import KINDS
from packwarden.views import words
from packwarden.views.campaign_sums import (
    ABOUT,
    ORDER,
    SIGN,
    Row,
    Sums,
    counted,
    fault_text,
    modes_of,
    moment_text,
    passed_text,
    replay,
    said_text,
    verdict,
    worst,
)  # fmt: skip
from packwarden.views.page import table

HERE = Path(__file__).parent
ROW, NAME, STEP = 24, 162, 54  # of the matrix: height of a row, width of names and of a mode

# Shapes in a box of 16 by 16, each verdict its own.
SHAPES = {
    "quiet": '<circle class="g-dim" cx="8" cy="8" r="5"/>',
    "harmless": '<circle class="g-dim" cx="8" cy="8" r="5"/>',
    "safe": '<circle class="g-green" cx="8" cy="8" r="6"/>',
    "detected": '<path class="g-yellow" d="M8 2L14.5 13.5H1.5Z"/>',
    "late": '<path class="g-yellow" d="M8 1L15 8L8 15L1 8Z"/>',
    "false alarm": '<path class="g-yellow" style="fill:none" stroke-width="2" d="M8 2L14.5 13.5H1.5Z"/>',
    "hazard": '<path class="g-red" d="M2.5 2.5h11v11h-11z"/>',
    "undetected hazard": '<path class="g-red cross" d="M2.5 2.5l11 11M13.5 2.5l-11 11"/>',
    "failed": '<path class="g-blue" d="M5 6a3 3 0 1 1 4.2 2.7q-1.2.6-1.2 2M8 13.2v1"/>',
}

SCRIPT = """
function open_() { const at = location.hash && document.getElementById(location.hash.slice(1));
  if (at && at.tagName === "DETAILS") { at.open = true; at.scrollIntoView(); } }
addEventListener("hashchange", open_); open_();
"""


def page(sums: Sums) -> str:
    """The whole page as text."""
    style = "".join((HERE / name).read_text(encoding="utf-8") for name in ("report.css", "campaign.css"))
    return "".join((
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src \'unsafe-inline\'; '
        "script-src 'unsafe-inline'\">\n",
        "<title>campaign: %s</title>\n<style>\n%s</style>\n</head>\n<body>\n" % (escape(_verdict(sums)), style),
        _head(sums), _matrix(sums), _classes(sums), _bad(sums), _silent(sums), _times(sums), _hazards(sums),
        _cells(sums), _facts(sums),
        "<script>%s</script>\n</body>\n</html>\n" % SCRIPT,
    ))  # fmt: skip


def _shape(name: str) -> str:
    return '<svg viewBox="0 0 16 16" aria-hidden="true">%s</svg>' % SHAPES[name]


def _word(name: str) -> str:
    """A verdict: shape and word."""
    return '<span class="verdict-word v-%s">%s%s</span>' % (SIGN[name][1], _shape(name), name)


def _verdict(sums: Sums) -> str:
    left = len(sums.unexplained())
    if left:
        return "%d of %d cells stand out with no answer" % (left, len(sums.rows))
    bad = len(sums.bad())
    if bad:
        return "%d of %d cells stand out, and all have their answer in hardware" % (bad, len(sums.rows))
    return "none of %d cells stands out" % len(sums.rows)


def _head(sums: Sums) -> str:
    good, none = sums.held, not sums.bad()
    # Yellow, abnormal: what is left is known, but it is not nothing.
    known = '<path d="M20 3L38 36H2Z" fill="var(--yellow-fill)"/><path d="M20 14v11M20 28v4" stroke="#1b1500" ' + (
        'stroke-width="4"/>'
    )
    sign = known if good and not none else (
        '<circle cx="20" cy="20" r="18" fill="var(--green-fill)"/>'
        '<path d="M11 20.5l6.5 6.5L29.5 14" fill="none" stroke="var(--on-fill)" stroke-width="4"/>'
        if good
        else '<path d="M3 3h34v34H3z" fill="var(--red-fill)"/>'
        '<path d="M12 12l16 16M28 12L12 28" stroke="var(--on-fill)" stroke-width="4"/>'
    )
    what = "%d cells with one fault, %d with two, %d with none; campaign seed %d, profile %s, packs %s." % (
        len(sums.singles), len(sums.pairs), len(sums.healthy), sums.header["seed"], sums.header["profile"],
        " and ".join(sums.header["settings"]))  # fmt: skip
    if sums.pairs:
        pairs = {name: sum(verdict(row) == name for row in sums.pairs) for name in ORDER}
        what += " Of those with two: %s." % counted(pairs)
    legend = "".join(
        "<li>%s<b>%d</b> <span><b class=\"v-%s\">%s</b>: %s</span></li>\n"
        % (_shape(name), sums.counts[name], SIGN[name][1], name, escape(ABOUT[name]))
        for name in reversed(ORDER) if sums.counts[name]
    )  # fmt: skip
    return (
        '<p class="from">packwarden, a campaign on the bench</p>\n<h1>What the relay misses, and what it makes of '
        'the rest</h1>\n<p>%s</p>\n<div class="verdict%s"><svg viewBox="0 0 40 40" aria-hidden="true">%s</svg>'
        "<div><strong>%s</strong><span>A hazard is a quantity in the simulated pack that passed its limit, "
        'whatever the relay said; the limits are below.</span></div></div>\n<ul class="legend">\n%s</ul>\n'
        % (escape(what), (" known", "")[none] if good else " broken", sign, escape(_verdict(sums)), legend)
    )


# -- the matrix ----------------------------------------------------------------------------------------------


def _matrix(sums: Sums) -> str:
    """A small picture for each group of faults: rows are kinds, columns modes, the worst verdict in each."""
    kinds = sums.kinds()
    if not kinds:
        return ""
    modes = modes_of([kind for each in kinds.values() for kind in each])
    figures = []
    for group, names in kinds.items():
        width, height = NAME + STEP * len(modes), ROW * (len(names) + 1)
        out = [
            '<text class="mode" x="%d" y="15" text-anchor="middle">%s</text>' % (NAME + STEP * n + STEP // 2, mode)
            for n, mode in enumerate(modes)
        ]
        for row, kind in enumerate(names, 1):
            out.append('<text x="0" y="%d">%s</text>' % (ROW * row + 16, escape(kind)))
            out += [
                _tile(kind, mode, sums.matrix.get((kind, mode)), NAME + STEP * n, ROW * row)
                for n, mode in enumerate(modes)
            ]
        figures.append(
            '<figure><figcaption>%s</figcaption><svg viewBox="0 0 %d %d" role="group" aria-label="%s">%s</svg>'
            "</figure>\n"
            % (escape(group), width, height, escape(group), "".join(out))
        )
    return (
        "<h2>Every fault in every mode</h2>\n"
        '<p class="note">One fault alone. Each tile shows the worst verdict of its cells: shape, and how many of them '
        "have it where not all do. A dot: this fault can't begin in this mode. Press a tile for its cells; Tab goes "
        'through them.</p>\n<div class="groups">\n%s</div>\n' % "".join(figures)
    )


def _tile(kind: str, mode: str, counts: Optional[Mapping[str, int]], x: int, y: int) -> str:
    if counts is None:
        return '<circle cx="%d" cy="%d" r="1.5" fill="var(--line)"/>' % (x + STEP // 2, y + ROW // 2)
    name = worst(counts)
    colour, total = SIGN[name][1], sum(counts.values())
    said = "%s in %s: %s" % (kind, mode, counted(counts))
    part = ""
    if counts[name] < total:
        part = '<text class="count" x="%d" y="%d">%d</text>' % (x + 30, y + 16, counts[name])
    left = x + (9 if part else 17)
    return (
        '<a href="#k-%s" aria-label="%s"><title>%s</title><rect class="tile %s" x="%d" y="%d" width="%d" height="%d" '
        'rx="2"/><g transform="translate(%d %d)">%s</g>%s</a>'
        % (kind, escape(said), escape(said), colour, x + 1, y + 1, STEP - 2, ROW - 2, left, y + 4, SHAPES[name],
           part)
    )  # fmt: skip


# -- what stands out -----------------------------------------------------------------------------------------


def _classes(sums: Sums) -> str:
    rows = []
    for name, what, cells in sums.classes():
        if len(cells[0]["faults"]) > 1:
            continue
        kinds, _, passed = what.partition(": ")
        modes = ", ".join(sorted({cell["mode"] for cell in cells}))
        answer = "; ".join(hazards.answers(cells[0]["faults"], cells[0]["outcome"]["passed"])) or "none yet"
        rows.append((_word(name), '<a href="#k-%s"><code>%s</code></a>' % (kinds, kinds), modes, escape(passed),
                     "%d" % len(cells), escape(answer)))  # fmt: skip
    if not rows:
        return ""
    heads = ("verdict", "fault", "modes", "what passed its limit", "cells", "what hardware must do")
    note = '<p class="note">Single faults, those of one kind and one quantity together.</p>\n'
    return "<h2>Classes of hazard</h2>\n" + note + table(heads, rows, (4,))


def _bad(sums: Sums) -> str:
    rows = [
        (_word(verdict(row)), escape(fault_text(row)), "%s, %s" % (row["mode"], escape(row["pack"])),
         escape(passed_text(row, sums.header["limits"])), escape(said_text(row)),
         '<code class="key">%s</code>' % escape(replay(row["key"])))
        for row in sums.bad()
    ]  # fmt: skip
    if not rows:
        return "<h2>Cells that stand out</h2>\n<p>None.</p>\n"
    heads = ("verdict", "fault", "where", "what passed its limit", "said", "seen again with")
    text = (
        "<h2>Cells that stand out</h2>\n<p class=\"note\">The worst first. The command writes the cell as a scenario "
        "file, runs it, and says how to see its report.</p>\n"
    )
    few = table(heads, rows[:60])
    if len(rows) > 60:
        few += '<details id="more"><summary>%d more</summary>%s</details>\n' % (len(rows) - 60, table(heads, rows[60:]))
    return text + few


def _silent(sums: Sums) -> str:
    rows = [
        ('<a href="#k-%s"><code>%s</code></a>' % (kind, kind), escape(KINDS[kind].about), escape(", ".join(never)),
         escape(", ".join(other)))
        for kind, never, other in sums.silent()
    ]  # fmt: skip
    if not rows:
        return ""
    return (
        "<h2>What was never said</h2>\n"
        '<p class="note">Faults alone, of whatever size, place and moment tried, with which the relay said nothing in '
        "these modes; where it acts all the same (refuses to start, lets the drive go) the table says so. To most of "
        "them silence is the right answer here, but each may be there unknown when the next fault comes.</p>\n"
        + table(("fault", "what it is", "never said in", "said in"), rows)
    )


# -- strips --------------------------------------------------------------------------------------------------


def _scale(low: float, high: float, x: float) -> float:
    """Where a value is on a logarithmic strip, per cent."""
    at = (math.log10(max(low, min(high, x))) - math.log10(low)) / (math.log10(high) - math.log10(low))
    return round(1.0 + 98.0 * at, 2)


def _strip(
    low: float, high: float, values: Sequence[float], limit: Optional[float], label: str, free: Sequence[float] = ()
) -> str:
    """Values along a logarithmic axis, with their limit; `free`: more of them, which no limit holds for."""
    places: dict[tuple[float, bool], int] = {}
    for x, held in [(x, True) for x in values] + [(x, False) for x in free]:
        place = (round(_scale(low, high, x), 1), held and limit is not None and x > limit)
        places[place] = places.get(place, 0) + 1
    decades = range(math.ceil(math.log10(low)), math.floor(math.log10(high)) + 1)
    out = [
        '<line class="grid" x1="{0}%" x2="{0}%" y1="0" y2="24"/>'.format(_scale(low, high, 10.0**n)) for n in decades
    ]
    for (at, over), n in sorted(places.items()):
        r = 2.5 + min(3.5, math.log10(n))
        mark = '<circle class="mark-in" cx="{0}%" cy="12" r="{1:.1f}"/>'
        if over:
            mark = '<rect class="mark-over" x="{0}%" y="8" width="8" height="8" transform="translate(-4 0)"/>'
        out.append(mark.format(at, r))
    if limit is not None:
        out.append('<line class="allowed" x1="{0}%" x2="{0}%" y1="2" y2="22"/>'.format(_scale(low, high, limit)))
    return '<svg width="100%%" height="24" role="img" aria-label="%s">%s</svg>' % (escape(label), "".join(out))


def _axis(low: float, high: float, say: Mapping[float, str]) -> str:
    texts = "".join(
        '<text x="%s%%" y="16" text-anchor="middle">%s</text>' % (_scale(low, high, x), escape(text))
        for x, text in say.items()
    )
    return '<svg width="100%%" height="24" aria-hidden="true">%s</svg>' % texts


def _strips(head: str, axis: str, far: str, rows: Sequence[tuple[str, str, str]]) -> str:
    out = ['<div class="strips"><div class="name head">%s</div><div class="track head">%s</div>'
           '<div class="far head">%s</div>\n' % (head, axis, far)]  # fmt: skip
    for name, strip, text in rows:
        row = '<div class="name">%s</div><div class="track">%s</div><div class="far">%s</div>\n'
        out.append(row % (name, strip, text))
    return "".join(out) + "</div>\n"


def _times(sums: Sums) -> str:
    low, high = 5.0, 120000.0
    rows = []
    for stage, each in sums.times().items():
        label = "%s: %d cells, longest %s" % (stage, len(each.took_ms) + len(each.free_ms), each.text)
        strip = _strip(low, high, each.took_ms, each.budget_ms, label, each.free_ms)
        rows.append(("<b>%s</b>" % escape(stage.replace("/", " ")), strip, escape(each.text)))
    if not rows:
        return ""
    say = {10.0: "10 ms", 100.0: "100 ms", 1000.0: "1 s", 10000.0: "10 s", 100000.0: "100 s"}
    return (
        "<h2>Time to safe</h2>\n"
        '<p class="note">Of the first trip in every cell with one fault, from the fault (or from when its stage could '
        "first see it) to every power output off. Round: in time, or no budget counts there (the fault comes and "
        "goes, or stops the relay); square: over the budget; upright line: the budget. A stage without one acts when "
        "its quantity gets there, however long that takes.</p>\n"
        + _strips("stage", _axis(low, high, say), "longest", rows)
    )


def _hazards(sums: Sums) -> str:
    low, high = 0.01, 100.0
    rows, meanings = [], []
    for name, each in sums.reached().items():
        row = hazards.BY_NAME[name]
        over = sum(name in cell["outcome"].get("passed", []) for _ratio, cell in each)
        label = "%s: %d cells above nothing, %d over the limit" % (name, len(each), over)
        strip = _strip(low, high, [ratio for ratio, _cell in each], 1.0, label)
        rows.append(("<code>%s</code>" % name, strip, "%d over" % over if over else "none over"))
        limits = ", ".join(
            "%s %s" % (words.amount(by_name[name], row.unit), escape(pack))
            for pack, by_name in sorted(sums.header["limits"].items())
        )
        meanings.append(("<code>%s</code>" % name, escape(row.about), limits, escape(row.why)))
    say = {0.01: "1 %", 0.1: "10 %", 1.0: "limit", 10.0: "10 times", 100.0: "100 times"}
    return (
        "<h2>Hazards against their limits</h2>\n"
        '<p class="note">Every cell in which a quantity is above nothing, against its limit. Square: over it, though '
        "the healthy course may go there, too, and then it does not count.</p>\n"
        + _strips("quantity", _axis(low, high, say), "cells", rows)
        + "<h2>What counts as a hazard</h2>\n"
        + table(("quantity", "what it is", "limit", "why there"), meanings)
    )


# -- every cell ----------------------------------------------------------------------------------------------


def _cells(sums: Sums) -> str:
    out = ["<h2>Every cell with one fault</h2>\n"]
    by_kind: dict[str, list[Row]] = {}
    for row in sums.singles:
        by_kind.setdefault(row["faults"][0]["kind"], []).append(row)
    for kind, cells in by_kind.items():
        counts: dict[str, int] = {}
        for row in cells:
            counts[verdict(row)] = counts.get(verdict(row), 0) + 1
        rows = [
            (_word(verdict(row)), row["mode"], escape(fault_text(row)), escape(row["pack"]), escape(moment_text(row)),
             escape(said_text(row)), words.duration(row["outcome"].get("safe_ms")))
            for row in cells
        ]  # fmt: skip
        heads = ("verdict", "mode", "fault", "pack", "moment", "said", "safe after")
        out.append(
            '<details id="k-%s"><summary>%s <code>%s</code>: %s <span class="note">(%s)</span></summary>\n%s'
            "</details>\n"
            % (kind, _word(worst(counts)), kind, escape(KINDS[kind].about), counted(counts), table(heads, rows, (6,)))
        )
    return "".join(out)


def _facts(sums: Sums) -> str:
    header = sums.header
    pairs = [
        ("campaign seed", "%d" % header["seed"]), ("profile", header["profile"]), ("cells", "%d" % header["cells"]),
        ("plan", header["plan"]), ("firmware files", header["firmware"]), ("bench and plant files", header["bench"]),
    ]  # fmt: skip
    pairs += [("settings of " + pack, digest) for pack, digest in header["settings"].items()]
    rows = "".join("<dt>%s</dt><dd>%s</dd>\n" % (escape(name), escape(text)) for name, text in pairs)
    limits = (
        "A cell is half a minute of one course with one seed: a fault that is harmless here may not be in an hour.",
        "The pack, the vehicle and the people are models; what they do not model (docs/bench.md) is not here either.",
        "Limits of hazards are our own choice unless the table names a source. Nothing here is certified.",
        "Pairs of faults are a sample, and three at once are not tried.",
    )
    items = "".join("<li>%s</li>\n" % escape(text) for text in limits)
    return (
        "<h2>What was run</h2>\n<dl>\n%s</dl>\n<h2>What this page does not show</h2>\n<ul>\n%s</ul>\n" % (rows, items)
    )
