"""The evidence report: one HTML file that a builder shows to an inspector.  It needs nothing else, not even a script.

Made from the dictionary of packwarden.safety.evidence alone; every text from it goes through `escape`.
"""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any, Iterable, Sequence

from packwarden.safety.results import GOOD
from packwarden.views import words
from packwarden.views.evidence_campaign import campaign
from packwarden.views.page import LIMITS, shape, table

HERE = Path(__file__).parent
Data = dict[str, Any]

# state of a requirement or a piece of evidence -> shape, class, words
STATES = {
    "held": ("held", "held", "held"),
    "broken": ("broken", "broken-text", "broken"),
    "known limit": ("alarm", "limit", "known limit"),
    "one kind only": ("told", "open", "one kind only"),
    "not run": ("told", "open", "not run here"),
}
KINDS = {
    "proofs": "proved", "tests": "tests", "scenarios": "scenarios", "rules": "oracle", "campaign": "campaign",
}  # fmt: skip

IS_NOT = (
    "It is not a certificate, and no integrity or performance level (SIL, ASIL, PL) is claimed. Those "
    "need failure rates "
    "of parts, a process, and an assessor who is independent. The evidence here was made by the project itself.",
    "It does not replace a fuse, a service disconnect, a mains-side timer, ventilation, the rules where the car is "
    "registered, or a person licensed to judge it. Where they say otherwise, they are right.",
    "It is about the firmware's decisions against simulated packs, cars and faults. No board, pin, coil "
    "driver or car was "
    "looked at for it; that is what commissioning is for.",
    "\u201cHeld\u201d means: what is named beside it ran and found nothing wrong. It does not mean that "
    "nothing is wrong.",
)


def page(data: Data) -> str:
    """The whole page as text."""
    style = "".join((HERE / name).read_text(encoding="utf-8") for name in ("report.css", "evidence.css"))
    sections = [
        ("limits", "What this is, and is not", limits(data)),
        ("parts", "What was run", parts(data)),
        ("hazards", "Hazards, and what the builder must do", hazards(data)),
        ("requirements", "Requirements and their evidence", requirements(data)),
        ("budgets", "Time to safe, against the budgets", budgets(data)),
        ("proof", "Properties proved", proof(data)),
        ("campaign", "The campaign: every fault in every mode", campaign(data["campaign"])),
        ("scenarios", "Scenarios", scenarios(data)),
        ("quality", "Tests, coverage, mutants", quality(data)),
        ("tables", "The tables that run", tables_of(data)),
        ("settings", "Settings in use", settings(data)),
        ("trace", "Every piece of evidence", trace(data)),
        ("versions", "Versions", versions(data)),
        ("sign", "Seen by", sign(data)),
    ]
    nav = "".join('<li><a href="#%s">%s</a></li>' % (key, escape(title)) for key, title, _ in sections)
    body = "".join('<section id="%s"><h2>%s</h2>\n%s</section>\n' % each for each in sections)
    return "".join((
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        # The browser itself holds the page to being self-contained.
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src \'unsafe-inline\'">\n',
        "<title>Evidence: %s</title>\n<style>\n%s</style>\n</head>\n<body>\n" % (escape(data["pack"]["name"]), style),
        head(data),
        '<nav aria-label="contents"><ol>%s</ol></nav>\n' % nav,
        body,
        "</body>\n</html>\n",
    ))  # fmt: skip


def state(name: str, text: str = "") -> str:
    """A state as shape and word."""
    form, css, said = STATES[name]
    return '<span class="sign">%s<b class="%s">%s</b></span>' % (shape(form), css, escape(text or said))


def codes(names: Iterable[str]) -> str:
    """Names as code, in a row."""
    return " ".join("<code>%s</code>" % escape(name) for name in names)


def link(number: str) -> str:
    """A hazard or requirement, as a link to its place here."""
    return '<a href="#%s">%s</a>' % (escape(number), escape(number))


def count(data: Data, name: str) -> int:
    """Requirements in a state."""
    return sum(r["state"] == name for r in data["requirements"])


# -- head -------------------------------------------------------------------------------------------------------


def head(data: Data) -> str:
    """What it is about, and how it stands."""
    n, broken = len(data["requirements"]), count(data, "broken")
    open_ = count(data, "not run") + count(data, "one kind only")
    held, limit = count(data, "held"), count(data, "known limit")
    if broken:
        css, text = "broken", "%d of %d requirements broken" % (broken, n)
        sign = '<path d="M3 3h34v34H3z" fill="var(--red-fill)"/><path d="M12 12l16 16M28 12L12 28" '
    elif open_ or limit:
        css, text = "partly", "%d of %d requirements held; none broken" % (held, n)
        sign = '<path d="M20 2L38 37H2Z" fill="var(--yellow-fill)"/><path d="M20 14v12M20 29v4" '
    else:
        css, text = "", "all %d requirements held" % n
        sign = '<circle cx="20" cy="20" r="18" fill="var(--green-fill)"/><path d="M11 20.5l6.5 6.5L29.5 14" '
    ink = "#1b1500" if css == "partly" else "var(--on-fill)"
    sign += 'fill="none" stroke="%s" stroke-width="4"/>' % ink
    more = []
    if limit:
        more.append("%d with a known limit: a fault that the relay can't notice, and what helps against it." % limit)
    if open_:
        more.append("%d not shown here: fewer than two kinds of their evidence were run for this page." % open_)
    short = sum(1 for r in data["requirements"] if r["state"] in ("held", "known limit") and r["missing"])
    if short:
        more.append("%d rest on part of their evidence; what was not run is called so." % short)
    if data["quick"]:
        more.append("Made with --quick: long scenarios were left out.")
    pack, digest = data["pack"], data["settings"]["digest"]
    return (
        '<p class="from">packwarden, evidence report, %s</p>\n<h1>Protective relay for the pack '
        '%s</h1>\n<p>%s: %s</p>\n'
        '<div class="verdict %s"><svg viewBox="0 0 40 40" '
        'aria-hidden="true">%s</svg><div><strong>%s</strong>%s</div></div>\n'
        % (
            escape(data["made"]), escape(pack["name"]), escape(pack["about"][:1].upper() + pack["about"][1:]),
            escape("%d modules in %d boxes; settings digest %s; firmware %s, hash %s." % (
                pack["modules"], len(pack["boxes"]), digest, data["versions"]["firmware"],
                data["versions"]["firmware_hash"])),
            css, sign, escape(text[:1].upper() + text[1:]), "".join("<span>%s</span>" % escape(line) for line in more),
        )
    )  # fmt: skip


def limits(data: Data) -> str:
    """What the page is not, before anything else."""
    items = "".join("<li>%s</li>" % escape(text) for text in IS_NOT)
    more = "".join("<li>%s</li>" % escape(text) for text in LIMITS)
    return (
        '<div class="caution"><p><b>Caution.</b> Direct current above 60 V is dangerous to touch (the limit of UN R100 '
        "Rev 2), its arcs do not put themselves out, and lead-acid modules on charge give off hydrogen.</p>\n"
        "<ul>%s</ul></div>\n"
        "<p>packwarden is a protective relay for a home-built traction pack: firmware that watches every module, the "
        "current, the contactors and the loops, and opens what it must. This page says what could hurt "
        "somebody, what the "
        "relay must do about it, and what shows that it does.</p>\n"
        "<h3>What the simulation does not show</h3>\n<ul>%s</ul>\n" % (items, more)
    )


def parts(data: Data) -> str:
    """What was run for this page and what was not."""
    rows = data["scenarios"]["rows"]
    good = sum(row["held"] for row in rows)
    tests, proofs, cells = data["tests"], data["proof"], data["campaign"]
    figures = [
        ("Properties proved", proofs, "%d of %d hold" % (
            sum(p["state"] == "held" for p in proofs.get("properties", {}).values()), len(data["properties"]))),
        ("Tests", tests, "%d passed, %d failed, %d skipped" % (
            tests.get("passed", 0), tests.get("failed", 0), tests.get("skipped", 0))),
        ("Scenarios", data["scenarios"], "%d of %d held" % (good, len(rows))),
        ("Campaign", cells, "%d cells, profile %s" % (len(cells.get("cells", ())), cells.get("profile"))),
        ("Coverage of the firmware", data["coverage"], "%d files" % len(data["coverage"].get("rows", ()))),
        ("Mutants", data["mutants"], ", ".join("%s %s" % pair for pair in data["mutants"].get("counts", {}).items())),
    ]  # fmt: skip
    bad = ["Tests"] * bool(tests.get("failed")) + ["Scenarios"] * (good < len(rows))
    bad += ["Properties proved"] * any(p["state"] == "broken" for p in proofs.get("properties", {}).values())
    bad += ["Campaign"] * any(c["verdict"] not in GOOD and not c["word"] for c in cells.get("cells", ()))
    out = []
    for name, part, text in figures:
        mark = state("not run") if not part["run"] else state("broken") if name in bad else ""
        lines = [text] if part["run"] else []
        when = "kept since %s" % part["when"].replace("T", " ") if part.get("when") else ""
        body = "".join("<p>%s</p>" % _code(line) for line in (*lines, part["why"], when) if line)
        out.append("<div><b>%s</b>%s%s</div>" % (escape(name), mark, body))
    return '<div class="parts">%s</div>\n' % "".join(out)


# -- hazards and requirements -----------------------------------------------------------------------------------


def hazards(data: Data) -> str:
    """Each hazard with the builder's part as boxes to tick."""
    states = {r["id"]: r["state"] for r in data["requirements"]}
    out = [
        '<p class="note">The boxes are for the builder: what has to be there in hardware, whatever the relay does.</p>'
    ]
    for h in data["hazards"]:
        marks = [(STATES[states[r]], r) for r in h["requirements"]]
        chips = "".join(
            '<span>%s<span class="vh">%s: </span>%s</span>' % (shape(mark[0]), mark[2], link(r)) for mark, r in marks
        )
        out.append(
            '<div class="hazard" id="%s"><h3>%s: %s</h3>\n<p>%s <span class="note">Hurt: %s. Made by: %s.</span></p>\n'
            '<div class="two"><div><p class="note">The builder sees to</p><ul class="tick">%s</ul></div>\n'
            '<div><p class="note">packwarden can\'t</p><p>%s</p><p class="note">packwarden must</p>'
            '<p class="chips">%s</p></div></div></div>\n'
            % (
                escape(h["id"]), escape(h["id"]), escape(h["name"]), escape(h["happens"]), escape(h["whom"]),
                escape(h["causes"]), "".join("<li>%s</li>" % escape(line) for line in h["builder"]),
                escape(h["cannot"]), chips,
            )
        )  # fmt: skip
    return "".join(out)


def requirements(data: Data) -> str:
    """Each requirement, its state, and how much of each kind of evidence stands."""
    note = (
        '<p class="note">A requirement is held when at least two kinds of evidence ran and everything that '
        'ran held. Every '
        'single piece is in <a href="#trace">the last table</a>. A budget is the time from the fault to the '
        'command that '
        "opens; it must lie within the fault tolerant time interval (ISO 26262-1, from memory) of this car, "
        "which is the "
        "builder's to judge.</p>\n"
    )
    rows = []
    for r in data["requirements"]:
        kinds = []
        for kind, name in KINDS.items():
            mine = [each for each in r["shown"] if each["kind"] == kind]
            if mine:
                good = sum(each["state"] in ("held", "known limit") for each in mine)
                ran = sum(each["state"] != "not run" for each in mine)
                worst = (
                    "broken"
                    if any(each["state"] == "broken" for each in mine)
                    else (
                        "not run"
                        if not ran
                        else "known limit"
                        if any(e["state"] == "known limit" for e in mine)
                        else "held"
                    )
                )
                text = "%s %d of %d" % (name, good, len(mine)) if ran else "%s not run" % name
                kinds.append("<span>%s%s</span>" % (shape(STATES[worst][0]), escape(text)))
        budget = "; ".join("%s: %s" % (b["name"], b["text"]) for b in r["budgets"])
        rows.append((
            '<b id="%s">%s</b>' % (escape(r["id"]), escape(r["id"])), state(r["state"]),
            '%s <span class="note">%s</span>' % (escape(r["text"]), escape(r["why"])), escape(budget),
            " ".join(link(h) for h in r["hazards"]), '<span class="chips">%s</span>' % "".join(kinds),
        ))  # fmt: skip
    return note + table(("no.", "state", "what", "budget", "hazards", "evidence"), rows)


def budgets(data: Data) -> str:
    """Each budget with the longest time measured against it."""
    rows = []
    for b in data["budgets"]:
        cells = []
        for by in ("scenario", "campaign"):
            worst = b[by]
            if worst is None:
                cells.append('<span class="open">none measured</span>')
                continue
            allowed = worst["budget_ms"]
            bar = _bar(worst["took_ms"], allowed) if allowed else ""
            text = words.duration(worst["took_ms"]) + (" of %s" % words.duration(allowed) if allowed else "")
            cells.append('%s%s <span class="note">%s</span>' % (bar, escape(text), escape(worst["where"])))
        rows.append((
            "<code>%s</code>" % escape(b["name"]), escape(b["about"]), escape(b["text"]), *cells,
            " ".join(link(r) for r in b["requirements"]),
        ))  # fmt: skip
    note = (
        '<p class="note">The longest time seen, from the fault to every power output off, or to the alarm. '
        'Where a scenario '
        "allows another time than the project's budget, its own is shown. The tests hold the same budgets at "
        "each phase of "
        "the sampling round.</p>\n"
    )
    heads = ("stage", "what", "allowed", "longest in scenarios", "longest in the campaign", "requirements")
    return note + table(heads, rows)


def _bar(took_ms: int, allowed_ms: int) -> str:
    part = min(1.0, took_ms / allowed_ms)
    css = "bar100 over" if took_ms > allowed_ms else "bar100"
    return (
        '<svg class="%s" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
        '<rect class="back" width="100" height="10"/><rect class="took" width="%.1f" height="10"/>'
        '<path d="M99 0v10"/></svg>' % (css, 100 * part)
    )


def proof(data: Data) -> str:
    """Each property and whether it was proved."""
    found = data["proof"].get("properties", {})
    rows = []
    for number, text in data["properties"].items():
        row = found.get(number, {"state": "not run", "said": ""})
        asked = [
            r["id"] for r in data["requirements"] if number in [e["ref"] for e in r["shown"] if e["kind"] == "proofs"]
        ]
        rows.append((
            escape(number), state(row["state"], "proved" if row["state"] == "held" else ""),
            _code(text), escape(row["said"]), " ".join(link(r) for r in asked),
        ))  # fmt: skip
    note = (
        '<p class="note">Over the firmware\'s own tables: every reachable state with every combination of '
        'inputs, or by '
        "induction. What a proof assumes is in its own documentation; a board is not among it.</p>\n"
    )
    return _not_run(data["proof"]) + note + table(("no.", "state", "what", "how", "requirements"), rows)


def _not_run(part: Data) -> str:
    return "" if part["run"] else "<p>%s: %s</p>\n" % (state("not run"), _code(part["why"]))


def scenarios(data: Data) -> str:
    """Each scenario with its verdict and the times that it held."""
    rows = []
    for row in data["scenarios"]["rows"]:
        broken = [v for v in row["verdicts"] if not v["held"]]
        times = [
            "%s: %s of %s" % (v["text"].partition(" within")[0], *map(words.duration, (v["took_ms"], v["budget_ms"])))
            for v in row["verdicts"] if v["budget_ms"] is not None and v["took_ms"] is not None
        ]  # fmt: skip
        said = [row["failed"]] if row["failed"] else ["%s: %s" % (v["text"], v["measured"]) for v in broken]
        rows.append((
            "<code>%s</code>" % escape(row["name"]), state("held" if row["held"] else "broken"), escape(row["about"]),
            str(len(row["verdicts"])), escape("; ".join(said or times)),
        ))  # fmt: skip
    why = data["scenarios"]["why"]
    note = "<p class=\"note\">Run for this page, the firmware's files under the desktop's Python. %s</p>\n" % escape(
        why[:1].upper() + why[1:] + "." if why else ""
    )
    return note + table(("scenario", "state", "what", "expectations", "times"), rows, (3,))


def quality(data: Data) -> str:
    """Tests, coverage and mutants as far as they were kept."""
    tests, coverage, mutants = data["tests"], data["coverage"], data["mutants"]
    out = ["<h3>Tests</h3>\n", _not_run(tests)]
    if tests["run"]:
        failed = [name for name, row in tests["by_name"].items() if row["failed"]]
        said = "%d passed, %d failed, %d skipped, in a run that began %s on this very firmware." % (
            tests["passed"], tests["failed"], tests["skipped"], tests["when"].replace("T", " "))  # fmt: skip
        out.append("<p>%s</p>\n" % escape(said))
        if failed:
            out.append("<p>%s %s</p>\n" % (state("broken", "failed:"), codes(failed)))
    out += ["<h3>Coverage</h3>\n", _not_run(coverage)]
    if coverage["run"]:
        lines = [
            ("<code>%s</code>" % escape(r["file"]), "%.1f %%" % (r["percent"] or 0), str(r["lines"]), str(r["missing"]),
             str(r["branches"] or ""), str(r["partial"] or "")) for r in coverage["rows"]
        ]  # fmt: skip
        out.append("<p class=note>%s %s</p>\n" % (escape(coverage["why"]), escape(coverage["when"])))
        out.append(table(("file", "covered", "lines", "missed", "branches", "partly"), lines, (1, 2, 3, 4, 5)))
    out += ["<h3>Mutants</h3>\n", _not_run(mutants)]
    if mutants["run"]:
        rows = [(escape(name.replace("_", " ")), escape(str(n))) for name, n in mutants["counts"].items()]
        out.append(table(("what", "value"), rows, (1,)))
    return "".join(out)


# -- tables, settings, trace --------------------------------------------------------------------------------------


def tables_of(data: Data) -> str:
    """The firmware's four tables, with the requirements that ask for each row."""
    values = {row["name"]: row for row in data["settings"]["rows"]}
    ran = data["campaign"]["run"]
    rows = []
    for e in data["tables"]["elements"]:
        seen = ", ".join(e["scenarios"][:2]) + (
            " and %d more" % (len(e["scenarios"]) - 2) if len(e["scenarios"]) > 2 else ""
        )
        if ran:
            seen += ("; " if seen else "") + "%d cell%s" % (e["cells"], "s" * (e["cells"] != 1))
        rows.append((
            "<code>%s</code>" % escape(e["name"]), escape(e["about"]),
            *(_limit(e, key, values) for key in ("pickup", "dropout", "delay")), escape(" ".join(e["asks"])),
            escape(seen) or '<span class="open">nowhere here</span>', " ".join(link(r) for r in e["requirements"]),
        ))  # fmt: skip
    heads = ("stage", "what", "picks up", "releases", "delay", "asks for", "operated in", "requirements")
    note = '<p class="note">Pickups, dropouts and delays are those of this pack\'s settings.</p>\n'
    out = [note, "<h3>Elements</h3>\n", table(heads, rows)]
    for kind in ("permissives", "transitions", "outputs"):
        each = data["tables"][kind]
        cells = [[*(_code(c) for c in row[:-1]), " ".join(link(r) for r in row[-1].split())] for row in each["rows"]]
        out += ["<h3>%s</h3>\n" % kind.capitalize(), table((*each["heads"], "requirements"), cells)]
    return "".join(out)


def _limit(e: Data, key: str, values: dict[str, Data]) -> str:
    """A pickup, dropout or delay of a row: its setting's value with its unit, or the number itself."""
    limit = e[key]
    sign = "" if key == "delay" else ("\u2265 " if e["over"] == (key == "pickup") else "\u2264 ")
    if isinstance(limit, int):
        return sign + ("%d" % limit if key != "delay" or limit else "at once")
    row = values[limit]
    text = words.with_unit(int(row["value"]), row["unit"]).replace("-", "\u2212")
    return '<span class="nb">%s</span>' % escape(sign + text)


def _code(text: str) -> str:
    """A cell of a Markdown table: what stands in backticks is code."""
    pieces = text.split("`")
    return "".join("<code>%s</code>" % escape(p) if n % 2 else escape(p) for n, p in enumerate(pieces))


def settings(data: Data) -> str:
    """Every setting with the value that this pack uses."""
    rows = []
    for s in data["settings"]["rows"]:
        value = ", ".join(map(str, s["value"])) if isinstance(s["value"], (list, tuple)) else str(s["value"])
        value = '<span class="changed">%s</span>' % escape(value) if s["changed"] else escape(value)
        unit = "" if s["unit"] in ("switch", "count", "code") else s["unit"]
        rows.append(
            (
                "<code>%s</code>" % escape(s["name"]),
                value,
                escape(unit),
                str(s["low"]),
                str(s["high"]),
                escape(s["about"]),
            )
        )
    note = (
        '<p class="note">Digest <b>%s</b>, as the relay shows it. Bold: other than the default. The code for '
        'a reset by wire '
        "is never shown.</p>\n" % escape(data["settings"]["digest"])
    )
    return note + table(("setting", "value", "unit", "lowest", "highest", "what"), rows, (1, 3, 4))


def trace(data: Data) -> str:
    """Every reference of every requirement with its state; a fault that stands alike in several modes in one line."""
    rows = []
    for r in data["requirements"]:
        lines: dict[tuple[str, str, str, str], list[str]] = {}
        for e in r["shown"]:
            ref, _, mode = e["ref"].partition("@") if e["kind"] == "campaign" else (e["ref"], "", "")
            lines.setdefault((e["kind"], ref, e["state"], e["note"]), []).append(mode)
        shown = "".join(
            "<li>%s %s <code>%s</code> <span class=note>%s</span></li>"
            % (state(stands), escape(KINDS[kind]), escape(ref), escape(_where(modes, note)))
            for (kind, ref, stands, note), modes in lines.items()
        )
        means = "".join("<li>%s %s</li>" % (escape(kind), codes(refs)) for kind, refs in r["means"].items())
        rows.append((link(r["id"]), '<ul class="refs">%s</ul>' % means, '<ul class="refs">%s</ul>' % shown))
    return table(("no.", "done by", "shown by"), rows)


def _where(modes: Sequence[str], note: str) -> str:
    """The modes of a fault and what came of it, or the note alone."""
    if not any(modes):
        return note
    return "in %s%s" % (" ".join(modes), ": " + note if note else "")


def versions(data: Data) -> str:
    """What ran."""
    v = data["versions"]
    pairs: Sequence[tuple[str, str]] = (
        ("made", data["made"]), ("packwarden and firmware", v["firmware"]), ("firmware hash", v["firmware_hash"]),
        ("settings digest", data["settings"]["digest"]), ("Python", v["python"]), ("MicroPython", v["micropython"]),
        ("the same again", "packwarden evidence --pack %s%s" % (data["pack"]["name"], " --quick" * data["quick"])),
    )  # fmt: skip
    return "<dl>%s</dl>\n" % "".join("<dt>%s</dt><dd>%s</dd>" % (escape(a), escape(b)) for a, b in pairs)


def sign(data: Data) -> str:
    """The place to sign."""
    return (
        "<p>By signing, the builder says that the boxes ticked above were seen on the car, and that the "
        "relay in the car "
        "shows settings digest <b>%s</b> and firmware %s.</p>\n"
        '<div class="sign-here"><div>builder, name</div><div>car, chassis number</div><div>place and date</div>'
        "<div>signature</div><div>seen by (inspector)</div><div>place, date, signature</div></div>\n"
        % (escape(data["settings"]["digest"]), escape(data["versions"]["firmware"]))
    )
