"""The results of sizing as one HTML page that needs nothing else, with plots, for a screen or for paper."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Sequence

from packwarden.sizing.job import Job
from packwarden.sizing.result import DECIDE, MEANING, OK, REFUSE, TIGHT, VERDICTS, Result
from packwarden.sizing.topics import Done
from packwarden.views.page import table
from packwarden.views.plot import svg
from packwarden.views.sizing_table import amount

STYLE = Path(__file__).parent / "report.css"
SHAPES = {
    OK: ("held", '<circle cx="8" cy="8" r="7" fill="currentColor"/>'),
    TIGHT: ("alarm", '<path d="M8 1L15.5 14.5H.5Z" fill="currentColor"/>'),
    REFUSE: ("trip", '<path d="M1 1h14v14H1z" fill="currentColor"/>'),
    DECIDE: ("decide", '<path d="M8 0L16 8L8 16L0 8Z" fill="currentColor"/>'),
}
MORE = (
    ".decide{color:var(--blue)} .fold summary{cursor:pointer;color:var(--dim)} "
    "figure.plot{margin:1rem 0;max-width:46rem} @media print{.fold::details-content{content-visibility:visible}}"
)

FOLD = '<details class="fold"><summary>%s</summary>\n%s</details>\n'
LIMITS = (
    "A calculation is as good as what it was given: parts that were described wrongly are sized wrongly. Measure what "
    "you can, and use the curves of the maker of each part in place of the plain formulas here.",
    "Common practice, figures from memory and estimates are marked so, and each may be wrong where you live.",
    "This is no certificate. It does not replace a fuse, a service disconnect, local code, or a person licensed to do "
    "such work. Direct current above 60 V kills, and its arcs do not put themselves out.",
)


def page(job: Job, done: Sequence[Done]) -> str:
    """The whole page as text."""
    results = [r for d in done for r in d.report.results]
    bad = sum(r.verdict == REFUSE for r in results)
    verdict = (
        "%d of %d results refused" % (bad, len(results)) if bad else "nothing refused in %d results" % len(results)
    )
    title = "%s: sizing" % job.pack.name
    out = [
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        "<title>%s</title>\n<style>\n%s%s\n</style>\n</head>\n<body>\n"
        % (escape(title), STYLE.read_text(encoding="utf-8"), MORE),
        '<p class="from">packwarden, sizing</p>\n<h1>%s</h1>\n<p>%s</p>\n'
        '<p class="note">With the parts of %s: %s.</p>\n'
        % (escape(title), escape(job.pack.about), escape(job.parts.name), escape(job.parts.about)),
        '<div class="verdict%s"><div><strong>%s</strong>%s</div></div>\n'
        % (" broken" if bad else "", escape(verdict), _plain(results)),
    ]
    out.append(_meanings())
    first = [r for v in (REFUSE, TIGHT) for r in results if r.verdict == v]
    if first:
        out.append("<h2>Look at these first</h2>\n" + _rows(first))
    for d in done:
        out.append('<h2 id="%s">%s: %s</h2>\n' % (d.topic.name, escape(d.topic.name), escape(d.topic.about)))
        out += [svg(plot) for plot in d.report.plots]
        out.append(_rows([r for r in d.report.results if not r.detail]))
        many = [r for r in d.report.results if r.detail]
        if many:
            out.append(FOLD % ("one by one", _rows(many)))
        for text in dict.fromkeys(r.caution for r in d.report.results if r.caution):
            out.append("<p><b>Caution.</b> %s</p>\n" % escape(text))
        out.append(_sources(d.report.results))
    items = "".join("<li>%s</li>\n" % escape(text) for text in LIMITS)
    out.append("<h2>What this page does not show</h2>\n<ul>\n%s</ul>\n</body>\n</html>\n" % items)
    return "".join(out)


def _sign(verdict: str) -> str:
    css, path = SHAPES[verdict]
    shape = '<svg class="shape %s" viewBox="0 0 16 16" aria-hidden="true">%s</svg>' % (css, path)
    return '<span class="sign">%s<b class="%s">%s</b></span>' % (shape, css, verdict)


def _plain(results: Sequence[Result]) -> str:
    """How many of each verdict, in words."""
    counts = ["%d %s" % (sum(r.verdict == v for r in results), v) for v in VERDICTS]
    return "<span>%s</span>" % escape(", ".join(counts))


def _meanings() -> str:
    rows = "".join("<dt>%s</dt><dd>%s</dd>\n" % (_sign(v), escape(MEANING[v])) for v in VERDICTS)
    return "<dl>\n%s</dl>\n" % rows


def _rows(results: Sequence[Result]) -> str:
    rows = [
        (
            _sign(r.verdict),
            escape(r.what),
            escape(amount(r.value, r.unit)),
            "" if r.limit is None else escape(amount(r.limit, r.unit)),
            escape(r.why),
        )
        for r in results
    ]
    return table(("verdict", "what", "value", "limit", "why"), rows, (2, 3))


def _sources(results: Sequence[Result]) -> str:
    rows = [
        ("<code>%s</code>" % escape(r.name), escape(r.formula), escape(r.source), escape("; ".join(r.assumes)))
        for r in results
    ]
    made = table(("name in JSON", "formula", "source", "assumes"), rows)
    return FOLD % ("formulas, sources, assumptions", made)
