"""The parts of a report that are words and tables.  Every text from a run goes through `escape` here."""

from __future__ import annotations

import math
from html import escape
from typing import Iterable, Sequence

from packwarden.bench.result import RunResult
from packwarden.views import words
from packwarden.views.words import Context

# Figures that are a danger reached as soon as they are above nothing.
DANGERS = ("reversal_as", "live_while_plugged_s")

LIMITS = (
    "The pack, the car, the charger and the sensors are models with typical parameters. None was fitted to your "
    "modules: the run shows what the relay does with what it is told, not how long your modules last.",
    "Nothing is faster than a scan. The plant steps with the scans, so a current or a bounce shorter than one interval "
    "is seen as its average or not at all, and a time on this page is no finer than the interval.",
    "A module is one voltage behind its resistances; its cells are not told apart, and a box has one temperature.",
    "Arcs, contact wear, and what cables and leads pick up from the controller are not simulated. Noise on readings is "
    "white and small unless a fault makes it larger.",
    "Without a board in the loop the converters, pins, watchdog and supply of the relay are not tested, nor how long a "
    "scan really takes on the board: only the firmware's decisions are.",
    "One run with one seed proves nothing about other seeds, other sizes of a fault, or two faults together.",
)

# Columns whose cells need no heading beside them.
SELF_EVIDENT = ("element", "did", "what", "verdict", "expected", "figure", "value", "time", "line", "in words",
                "no.", "state", "stage", "fault")  # fmt: skip

SHAPES = {
    "held": ("held", '<circle cx="8" cy="8" r="7" fill="currentColor"/>'),
    "broken": ("broken-text", '<path d="M1 1h14v14H1z" fill="currentColor"/>'),
    "trip": ("trip", '<path d="M2 2h12v12H2z" fill="currentColor"/>'),
    "alarm": ("alarm", '<path d="M8 1L15.5 14.5H.5Z" fill="currentColor"/>'),
    "end": ("end", '<path d="M8 2L14 13.5H2Z" fill="none" stroke="currentColor" stroke-width="1.5"/>'),
    "mode": ("mode", '<path d="M2 8h9M8 4l4 4-4 4" fill="none" stroke="currentColor" stroke-width="2"/>'),
    "told": ("told", '<path d="M3 8h10" stroke="currentColor" stroke-width="2"/>'),
}


def shape(kind: str) -> str:
    """A small shape that goes before a word."""
    css, path = SHAPES[kind]
    return '<svg class="shape %s" viewBox="0 0 16 16" aria-hidden="true">%s</svg>' % (css, path)


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """An HTML table of cells that are HTML already; `numbers`: columns set to the right.

    On a narrow screen a row becomes a block, and cells say their heading unless it is plain from them.
    """
    css = [' class="n"' if n in numbers else "" for n in range(len(heads))]
    out = ['<div class="wide"><table class="stack"><thead><tr>']
    out += ["<th%s>%s</th>" % (css[n], escape(head)) for n, head in enumerate(heads)]
    out.append("</tr></thead><tbody>\n")
    for row in rows:
        cells = (
            '<td%s data-h="%s">%s</td>' % (css[n], "" if heads[n] in SELF_EVIDENT else escape(heads[n]), cell)
            for n, cell in enumerate(row)
        )
        out.append("<tr>%s</tr>\n" % "".join(cells))
    out.append("</tbody></table></div>\n")
    return "".join(out)


def at(t_s: float) -> str:
    """A time that the plots go to when it is pressed."""
    return '<button class="at" data-t="%.3f">%s</button>' % (t_s, escape(words.seconds(t_s)))


# -- head ----------------------------------------------------------------------------------------------------


def held(result: RunResult, context: Context) -> bool:
    """Every expectation held, and two targets, if two ran, said the same."""
    return result.held and context.same is not False


def verdict_words(result: RunResult, context: Context) -> str:
    """The verdict in a few words."""
    n = len(result.verdicts)
    broken = sum(not v.held for v in result.verdicts)
    if broken:
        return "%d of %d expectations broken" % (broken, n)
    if context.same is False:
        return "the targets differ"
    if not n:
        return "nothing was expected"
    return "held: all %d expectations" % n if n > 1 else "held: the one expectation"


def head(result: RunResult, context: Context) -> str:
    """Title, verdict, and what came of it."""
    good = held(result, context)
    sign = (
        '<circle cx="20" cy="20" r="18" fill="var(--green-fill)"/>'
        '<path d="M11 20.5l6.5 6.5L29.5 14" fill="none" stroke="var(--on-fill)" stroke-width="4"/>'
        if good
        else '<path d="M3 3h34v34H3z" fill="var(--red-fill)"/>'
        '<path d="M12 12l16 16M28 12L12 28" stroke="var(--on-fill)" stroke-width="4"/>'
    )
    text = verdict_words(result, context)
    more = [escape(words.story(result))]
    more += [escape("Broken: %s (%s)." % (v.text, v.measured)) for v in result.verdicts if not v.held][:4]
    if context.compared:
        more.append(escape(context.compared))
    return (
        '<p class="from">packwarden, a run on the bench</p>\n<h1>%s</h1>\n<p>%s</p>\n'
        '<div class="verdict%s"><svg viewBox="0 0 40 40" aria-hidden="true">%s</svg>'
        "<div><strong>%s</strong>%s</div></div>\n"
        % (
            escape(result.scenario.name), escape(result.scenario.about), "" if good else " broken", sign,
            escape(text[0].upper() + text[1:]), "".join("<span>%s</span>" % line for line in more),
        )
    )  # fmt: skip


def figures_frame(result: RunResult, moments: Sequence[tuple[float, str]]) -> str:
    """Where report.js puts the string line and the plots, with their controls."""
    options = ['<option value="">go to a moment</option>']
    options += [
        '<option value="%.3f">%s %s</option>' % (t_s, escape(words.seconds(t_s)), escape(text)) for t_s, text in moments
    ]
    read = "Ring: what the relay reads where that is not so (dashed: not believed). "
    return (
        "<h2>String line</h2>\n"
        '<p class="note">Every module in its place along the string, raised or lowered by how far its true voltage is '
        "from the string's median. The band is what element 60 takes for normal at the current drawn. "
        "Circle: normal. Triangle: out of the band, or alarmed. Square: tripped. %s</p>\n" % read
        + '<p class="now" id="now" aria-live="off"></p>\n<div id="string"></div>\n'
        '<div class="bar"><input type="range" id="when" min="0" max="1" step="1" aria-label="moment shown">'
        '<button data-do="worst">the worst moment</button>'
        '<select id="moment" aria-label="go to a moment">%s</select></div>\n'
        % "".join(options)
        + '<h2 id="plots-head">The whole run</h2>\n'
        '<div class="bar"><button data-do="all">whole run</button><button data-do="in">closer</button>'
        '<button data-do="out">wider</button><button data-do="left" aria-label="earlier">\u2190 earlier</button>'
        '<button data-do="right" aria-label="later">later \u2192</button></div>\n'
        '<p class="note hint">Press to move the moment shown; drag to look closer; double press for the whole run. '
        "On a touch screen drag and pinch. Keys: \u2190 \u2192, shift with them, + \u2212 0.</p>\n"
        '<noscript><p class="note"><b>The string line and the plots need JavaScript, which is off here.</b> '
        "Everything else on this page does not.</p></noscript>\n"
        '<div id="plots" tabindex="0" role="application" aria-label="plots of the run, one time axis"></div>\n'
    )


# -- tables --------------------------------------------------------------------------------------------------


def operations(result: RunResult) -> str:
    """What operated, when, and how that stands to its budget."""
    rows = []
    for done in words.operations(result):
        level = "trip" if done.trips else "alarm"
        name = escape("%s %s" % (done.element, done.stage))
        times = " (%d times)" % done.times if done.times > 1 else ""
        took = "%s after %s" % (words.duration(done.took_ms), done.since) if done.took_ms is not None else ""
        margin = words.duration(done.margin_ms).replace("-", "\u2212")
        if done.margin_ms is not None and done.margin_ms < 0:
            margin = '%s<b class="broken-text">%s</b>' % (shape("broken"), margin)
        value = " (%s)" % done.value if done.value else ""
        rows.append((
            '<span class="sign">%s<b class="%s">%s</b></span>' % (shape(level), level, name), level,
            escape(done.text + value + times), at(done.t_s), escape(took),
            words.duration(done.budget_ms), margin,
        ))  # fmt: skip
    if not rows:
        return "<h2>What operated</h2>\n<p>Nothing: no stage of any element.</p>\n"
    note = (
        '<p class="note">Times of trips end when every power output is off, those of alarms at the relay\'s own line. '
        "A budget stands where an expectation names a fault or an input to count from; other times only say what came "
        "before.</p>\n"
    )
    heads = ("element", "did", "what", "first at", "took", "budget", "left of it")
    return "<h2>What operated</h2>\n" + note + table(heads, rows, (5, 6))


def expectations(result: RunResult) -> str:
    """Every expectation and its verdict."""
    rows = []
    for v in result.verdicts:
        word = '<span class="sign">%s<b class="held">held</b></span>' % shape("held")
        if not v.held:
            word = '<span class="sign">%s<b class="broken-text">broken</b></span>' % shape("broken")
        rows.append((word, escape(v.text), escape(v.measured), words.duration(v.took_ms), words.duration(v.budget_ms)))
    if not rows:
        return "<h2>Expectations</h2>\n<p>The scenario states none.</p>\n"
    return "<h2>Expectations</h2>\n" + table(("verdict", "expected", "seen", "took", "allowed"), rows, (3, 4))


def hazards(result: RunResult) -> str:
    """How near each hazard came."""
    rows = []
    for name, value, unit, about in words.figures(result):
        text = "not said" if math.isnan(value) else words.amount(value, unit)
        if name in DANGERS and value > 0:
            text = '%s<b class="broken-text">%s</b>' % (shape("broken"), text)
        rows.append((escape(about), text, "<code>%s</code>" % escape(name)))
    return "<h2>How far it came</h2>\n" + table(("figure", "value", "name in scenarios"), rows, (1,))


def events(rows: Sequence[tuple[float, str, str, str]], left_out: int) -> str:
    """What the relay said, in words."""
    told = [
        (at(t_s), '%s<span class="%s">%s</span>' % (shape(level), level, escape(name)), escape(text))
        for t_s, level, name, text in rows
    ]
    more = ""
    if left_out:
        more = '<p class="note">%d more lines, mostly repeats, are left out here.</p>\n' % left_out
    return "<h2>What the relay said</h2>\n" + table(("time", "line", "in words"), told) + more


def facts(result: RunResult, context: Context) -> str:
    """What was simulated, so that it can be done again."""
    s, spec = result.scenario, result.scenario.spec
    pairs: list[tuple[str, str]] = [
        ("scenario", s.name),
        ("pack", "%s: %s" % (s.pack, spec.about)),
        ("modules", "%d in %d boxes (%s)" % (spec.n_modules, len(spec.boxes), ", ".join(map(str, spec.boxes)))),
        ("seeds", ", ".join("%s %d" % pair for pair in result.seeds.items())),
        ("target", ", ".join(context.targets or (result.target,))),
        ("Python of the target", context.python or "not known"),
        ("relay", result.identity),
        ("settings digest", result.settings_digest or "not said"),
        ("settings of this scenario", ", ".join("%s = %d" % p for p in s.settings.items()) or "as the pack has them"),
        ("settings of this pack", ", ".join("%s = %d" % p for p in spec.settings.items()) or "the defaults"),
        ("scan interval", words.scan_text(s)),
        ("simulated", "%s in %d scans" % (words.length(result.simulated_s), result.scans)),
        ("it took", "%.1f s, %.0f times as fast as time" % (
            result.wall_s, result.simulated_s / result.wall_s if result.wall_s else 0.0)),
        ("lines", "%d bytes, %d lines that do not decode" % (len(result.lines), result.spoilt)),
    ]  # fmt: skip
    pairs += [("at the start" if n == 0 else "", text) for n, text in enumerate(words.start_text(s))]
    for n, phase in enumerate(s.phases, 1):
        span = "%s to %s" % (words.seconds(phase.start_s), words.seconds(phase.end_s))
        named = "" if phase.name == phase.do else ' "%s"' % phase.name
        pairs.append(("phase %d%s" % (n, named), "%s, %s" % (words.phase_text(phase), span)))
    for n, (fault, planned) in enumerate(zip(result.faults, s.faults), 1):
        began = "never began" if fault.start_s is None else "at %s" % words.seconds(fault.start_s)
        ended = "" if fault.end_s is None else " to %s" % words.seconds(fault.end_s)
        pairs.append(("fault %d" % n, "%s, %s%s (planned: %s)" % (
            words.fault_text(fault), began, ended, words.when_text(planned.when))))  # fmt: skip
    for n, hand in enumerate(s.inputs, 1):
        pairs.append(("input %d" % n, "%s at %s" % (words.hand_text(hand), words.when_text(hand.when))))
    for send in s.sends:
        pairs.append(("sent", "%s, %d times from %s" % (
            send.command or repr(send.raw), send.count, words.when_text(send.when))))  # fmt: skip
    for cycle in s.power_cycles:
        pairs.append(("supply lost", "for %g s at %s" % (cycle.off_s, words.when_text(cycle.when))))
    rows = "".join("<dt>%s</dt><dd>%s</dd>\n" % (escape(name), escape(text)) for name, text in pairs)
    return "<h2>What was simulated</h2>\n<dl>\n%s</dl>\n%s" % (rows, again(result))


def again(result: RunResult) -> str:
    """The command that does the same once more."""
    seed = " --seed %d" % result.scenario.seed
    text = "packwarden bench %s --target %s%s" % (result.scenario.name, result.target, seed)
    return '<p class="note">The same again: <code>%s</code></p>\n' % escape(text)


def limits(result: RunResult) -> str:
    """What this page does not show."""
    more = []
    if any(p.scan_ms > result.scenario.scan_ms for p in result.scenario.phases):
        more.append("In the coarse phases times are no finer than their scans: %s." % words.scan_text(result.scenario))
    if result.target == "in-process":
        more.append("This run used the firmware's files under the desktop's own Python, not under MicroPython.")
    elif result.target == "interpreter":
        more.append("MicroPython ran here as a desktop program; the board's own build differs in word size and speed.")
    items = "".join("<li>%s</li>\n" % escape(text) for text in (*LIMITS, *more))
    return "<h2>What this page does not show</h2>\n<ul>\n%s</ul>\n" % items
