"""The report: one file that needs nothing else, says the verdict, and shows the run as it was."""

from __future__ import annotations

import base64
import json
import math
import random
import re
import shutil
import struct
import subprocess
from array import array
from dataclasses import replace
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from scenarios import ran

from packwarden.bench import tables
from packwarden.bench.result import MAIN_IS_CLOSED, POWER, Line, RunResult, Verdict
from packwarden.views import report, traces, words
from packwarden.views.words import Context

OPEN_LEAD = {
    "fault": [{"at_s": 6, "kind": "lead_open", "module": 8}],
    "expect": [{"alarm": "M1", "fault": 1}, {"trip": "M1", "module": 8, "fault": 1}, {"mode": "lockout"}],
}


@lru_cache(maxsize=1)
def open_lead() -> RunResult:
    """A short drive on which the sense lead of module 8 comes off; not to be changed by a test."""
    return ran(course=[{"do": "drive", "speed_kmh": 30, "for_s": 22}], **OPEN_LEAD)


class Page(HTMLParser):
    """What a page is made of: tags with their attributes, texts by the tag they are in, and what it would fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[str] = []
        self.texts: dict[str, list[str]] = {}
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "input", "br", "link", "img"):
            self.inside.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        self.texts.setdefault(self.inside[-1] if self.inside else "", []).append(data)

    def text(self) -> str:
        """Every text but scripts and styles."""
        return " ".join(" ".join(t) for tag, t in self.texts.items() if tag not in ("script", "style"))

    def fetches(self) -> list[str]:
        """Everything by which it could ask for another file."""
        found = []
        for tag, attrs in self.tags:
            for name, value in attrs.items():
                if name in ("src", "href", "srcset", "data", "action", "poster", "xlink:href", "background"):
                    if not (value or "").startswith(("#", "data:")):
                        found.append("%s %s=%s" % (tag, name, value))
            if tag in ("link", "base", "iframe", "object", "embed"):
                found.append(tag)
        for style in self.texts.get("style", []) + [a["style"] or "" for _tag, a in self.tags if "style" in a]:
            found += re.findall(r"@import[^;]*|url\([^)]*\)", style)
        for script in self.texts.get("script", []):
            found += re.findall(r"\bfetch\s*\(|XMLHttpRequest|\bimport\b|WebSocket|sendBeacon", script)
            found += re.findall(r"\bnew (?:Image|Worker|EventSource)\b", script)
            found += re.findall(r"https?://[^\s\"']*|[\"'`]//\w[^\s\"']*", script)
        return found


def data_of(text: str) -> dict[str, Any]:
    """The block of data in a page."""
    (block,) = re.findall(r'<script type="application/json" id="run">(.*?)</script>', text, re.S)
    data: dict[str, Any] = json.loads(block)
    return data


def numbers(column: dict[str, Any]) -> list[float]:
    """A column of the data block."""
    raw = base64.b64decode(column["d"])
    return [x * column["s"] for x in struct.unpack("<%dh" % (len(raw) // 2), raw)]


def times_of(data: dict[str, Any]) -> list[float]:
    """Its times, s."""
    raw = base64.b64decode(data["t"])
    return [t / 1000.0 for t in struct.unpack("<%dI" % (len(raw) // 4), raw)]


# -- one file ------------------------------------------------------------------------------------------------


def test_it_needs_nothing_else() -> None:
    page = Page(report.report(open_lead()))
    assert page.fetches() == []
    (policy,) = [a["content"] for tag, a in page.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy and "default-src 'none'" in policy and "http" not in policy


@pytest.mark.parametrize("harm", [
    '<img src="https://example.org/x.png">', '<link rel="stylesheet" href="x.css">', "<style>@import 'x.css';</style>",
    '<p style="background: url(x.png)">', "<script>fetch('x')</script>", '<script src="//example.org/x.js"></script>',
    "<script>const s = 'http://example.org'</script>",
])  # fmt: skip
def test_the_check_for_that_can_fail(harm: str) -> None:
    assert Page(report.report(open_lead()).replace("</body>", harm + "</body>")).fetches() != []


def test_texts_of_a_run_can_not_become_markup() -> None:
    harm = "<script>alert(1)</script><b id='x'>&amp;"
    result = open_lead()
    clean = Page(report.report(result))
    spec = replace(result.scenario.spec, about=harm)
    scenario = replace(result.scenario, about=harm, name=harm, pack=harm, spec=spec)
    bad = Line(5.0, "reply", 9, {"req": harm, "status": harm, "why": harm})
    odd = Line(6.0, "event", 9, {"el": harm, "stage": harm, "ix": "1", "on": "1", "act": "10", "x": "1"})
    result = replace(
        result, scenario=scenario, target=harm, events=sorted([*result.events, bad, odd], key=lambda e: e.t_s),
        verdicts=[Verdict(harm, False, harm)] * len(result.verdicts),
    )  # fmt: skip
    text = report.report(result, Context(harm, (harm,), False, harm))
    page = Page(text)
    assert harm in page.text()
    assert {tag for tag, _ in page.tags} <= {tag for tag, _ in clean.tags}
    assert sum(tag == "script" for tag, _ in page.tags) == 2
    assert not any(attrs.get("id") == "x" for _tag, attrs in page.tags)
    assert harm in json.dumps(data_of(text), ensure_ascii=False).replace('\\"', '"')


# -- what it says --------------------------------------------------------------------------------------------


def test_the_verdict_is_there() -> None:
    result = open_lead()
    held = Page(report.report(result)).text()
    assert result.held and "Held: all 4 expectations" in held and "broken" not in held.replace("broken.", "")
    assert "Tripped at" in held and "module 8: open sense lead, not mended" in held
    broken = replace(result, verdicts=[*result.verdicts[:-1], Verdict("mode drive at the end", False, "lockout")])
    text = Page(report.report(broken)).text()
    assert "1 of 4 expectations broken" in text and "Broken: mode drive at the end (lockout)." in text
    differ = Page(report.report(result, Context("", ("a", "b"), False, "a and b differ from line 7 on"))).text()
    assert "The targets differ" in differ and "from line 7 on" in differ


def test_what_was_simulated_is_there() -> None:
    result = ran(scenario={"name": "t", "about": "a", "pack": "orchard-truck", "seed": 77},
                 settings={"v27_delay_ms": 3000}, input=[{"at_s": 9, "name": "estop", "value": 0}],
                 course=[{"do": "drive", "speed_kmh": 30, "for_s": 12},
                         {"do": "charge", "for_s": 30, "scan_ms": 500}])  # fmt: skip
    text = Page(report.report(result, Context("Somepython 9.9"))).text()
    for part in (
        "orchard-truck", "plant 77", "Somepython 9.9", result.identity, result.settings_digest, "v27_delay_ms = 3000",
        "10 ms; in the quiet up to 500 ms in charge", "emergency stop pressed at 9 s", "drive at 30 km/h",
        "packwarden bench t --target in-process --seed 77", "In the coarse phases", "None was fitted to your modules",
    ):  # fmt: skip
        assert part in text, part


def test_budgets_and_margins() -> None:
    done = {(each.element, each.stage): each for each in words.operations(open_lead())}
    alarm, trip = done["M1", "alarm"], done["M1", "trip"]
    assert alarm.budget_ms == 1000 and trip.budget_ms == 10000 and alarm.since == trip.since == "fault 1"
    assert alarm.margin_ms is not None and 0 <= alarm.margin_ms == 1000 - (alarm.took_ms or 0)
    assert (alarm.place, alarm.trips, trip.trips) == ("module 8", False, True)
    text = Page(report.report(open_lead())).text()
    assert words.duration(trip.margin_ms) in text and words.duration(trip.took_ms) in text


def test_an_operation_that_nothing_expects_has_no_budget() -> None:
    (only,) = words.operations(ran(fault=[{"at_s": 10, "kind": "estop"}]))
    assert (only.element, only.since, only.budget_ms, only.margin_ms) == ("69", "fault 1", None, None)
    assert only.took_ms == round((only.t_s - 10) * 1000)


def test_a_long_list_of_events_keeps_every_trip() -> None:
    result = open_lead()
    fields = {"el": "60", "stage": "alarm", "ix": "3", "on": "1", "act": "1", "x": "700"}
    noise = [Line(5 + n * 0.002, "event", n, {**fields, "on": str(n % 2)}) for n in range(5000)]
    events = sorted([*result.events, *noise], key=lambda line: line.t_s)
    rows, left_out = report._events(replace(result, events=events))
    assert len(rows) <= report.EVENTS_MAX and left_out == len(events) - len(rows) > 4000
    kept = [(t_s, text) for t_s, _level, _name, text in rows]
    assert all((line.t_s, words.say(line)) in kept for line in result.events)
    assert [t_s for t_s, _text in kept] == sorted(t_s for t_s, _text in kept)
    assert "%d more lines" % left_out in report.report(replace(result, events=events))


# -- the data behind the plots -------------------------------------------------------------------------------


def test_plots_hold_what_the_run_held() -> None:
    result = open_lead()
    data = data_of(report.report(result))
    times = times_of(data)
    assert times == pytest.approx(list(result.traces["t_s"]), abs=0.0006)
    for name, per_count in (("module_v.7", 0.001), ("i_a", 0.05), ("link_v", 0.02), ("soc.7", 0.0001)):
        assert numbers(data["columns"][name]) == pytest.approx(list(result.traces[name]), abs=per_count)
    for panel in data["panels"]:
        assert all(series["column"] in data["columns"] for series in panel["series"]), panel["title"]
    assert data["boxes"] == [5, 7] and data["modules"] == 12
    marks = {mark["short"]: mark for mark in data["marks"]}
    assert marks["fault 1: lead_open at 8"]["t"] == 6.0 and marks["M1 trip, module 8"]["level"] == "trip"


def test_the_band_is_what_element_60_takes_for_normal() -> None:
    result = ran(settings={"v60_pickup_mv": 750, "v60_slope_uohm": 2000})
    assert data_of(report.report(result))["band"] == {"base_mv": 750, "slope_mv_per_a": 2.0}


def test_the_worst_moment_is_before_the_relay_let_go() -> None:
    result = open_lead()
    row, at_s, what = traces.worst_moment(result)
    assert what == "at the trip"
    assert result.bits_at(result.traces["t_s"][row]) & (POWER | MAIN_IS_CLOSED)
    trip = words.first_trip(result)
    assert trip is not None and 0 <= trip.t_s - result.traces["t_s"][row] < 0.2 and at_s == trip.t_s
    row, _at_s, what = traces.worst_moment(ran())
    assert what == "at the widest spread" and row > 0


def test_a_reading_that_is_not_so_is_shown() -> None:
    result = open_lead()
    reading = traces.readings(result)
    assert len(reading.t_s) > 200
    # An open lead moves the readings of the modules on both sides of it.
    assert traces.misread(result, reading) == [7, 8]
    healthy = ran()
    assert traces.misread(healthy, traces.readings(healthy)) == []
    data = data_of(report.report(result))
    read, true = numbers(data["columns"]["read_v.7"]), numbers(data["columns"]["module_v.7"])
    assert abs(read[-1] - true[-1]) > 5 and abs(read[50] - true[50]) < 0.1
    assert numbers(data["columns"]["bad.7"])[-1] == 1


def long_run(rows: int, seed: int) -> RunResult:
    """A run with many rows: the traces of a drive, with noise and a few lonely peaks, on a longer time axis."""
    result = open_lead()
    dice = random.Random(seed)
    columns: dict[str, array[float]] = {}
    for name, column in result.traces.items():
        columns[name] = array("d", [column[n % len(column)] + dice.gauss(0, 0.01) for n in range(rows)])
    columns["t_s"] = array("d", [n * 0.1 for n in range(rows)])
    for name in ("low_v", "high_v", "i_a", "peak_a", "link_v", "aux_v"):
        for way in (-1, 1):
            columns[name][dice.randrange(rows)] += way * 150 if name in ("i_a", "peak_a", "link_v") else way * 3
    return replace(result, traces=columns, simulated_s=rows * 0.1)


@pytest.mark.parametrize("seed", range(3))
def test_fewer_rows_keep_every_extreme_and_all_that_is_near_an_event(seed: int) -> None:
    result = long_run(40000, seed)
    rows = traces.chosen(result)
    assert rows == sorted(set(rows)) and rows[0] == 0 and rows[-1] == 39999
    assert 1000 < len(rows) <= traces.ROWS_MAX
    for name in ("low_v", "high_v", "i_a", "peak_a", "link_v", "aux_v"):
        column = result.traces[name]
        kept = [column[row] for row in rows]
        assert min(kept) == min(column) and max(kept) == max(column), name
    trip = words.first_trip(result)
    assert trip is not None
    near = range(math.ceil((trip.t_s - 5) * 10), int((trip.t_s + 5) * 10))
    assert set(near) <= set(rows)


def test_a_page_of_a_long_run_stays_light() -> None:
    assert len(report.report(long_run(90000, 1))) < 1_500_000


def test_a_short_run_keeps_every_row() -> None:
    assert traces.chosen(open_lead()) == list(range(len(open_lead().traces["t_s"])))


def test_spans_and_modes_are_those_of_the_run() -> None:
    result = open_lead()
    ((on_s, off_s),) = traces.spans(result, MAIN_IS_CLOSED)
    made, broke = result.switchings
    assert (on_s, off_s) == (made.t_s, broke.t_s)
    assert [mode for _t, mode in traces.modes(result)] == ["boot", "rest", "precharge", "drive", "shed", "lockout"]
    assert all(result.mode_at(t_s) == mode for t_s, mode in traces.modes(result))


# -- in a browser --------------------------------------------------------------------------------------------


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium here")
def test_a_browser_draws_it(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(report.report(open_lead()), encoding="utf-8")
    flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--user-data-dir=%s" % (tmp_path / "profile")]
    flags += ["--virtual-time-budget=3000", "--enable-logging=stderr", "--window-size=1000,2000"]
    command = ["chromium", *flags, "--dump-dom", file.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert "CONSOLE" not in done.stderr, done.stderr
    (string,) = re.findall(r'<div id="string">(.*?)</div>', done.stdout, re.S)
    assert len(re.findall(r'class="[^"]*\bbead\b', string)) == 12
    assert len(re.findall(r'class="fill-trip bead"', string)) == 1  # module 8, a square
    assert len(re.findall(r'class="ring"', string)) == 2  # what the relay reads for modules 8 and 9
    assert ">M1 trip, module 8</text>" in done.stdout and "NaN" not in done.stdout
    panels = data_of(file.read_text(encoding="utf-8"))["panels"]
    assert len(re.findall(r'<div id="p-\w+"><svg viewBox', done.stdout)) == len(panels) + 2
    assert len(re.findall(r'<path class="bold" d="M[\d. L]{200,}', done.stdout)) >= 3


HANDS = """<script>
const rect = plots.getBoundingClientRect(), at = (t) => rect.left + X(t), seen = {};
const point = (kind, t, more) => plots.dispatchEvent(
  new PointerEvent(kind, { clientX: at(t), pointerId: 1, bubbles: true, ...more }));
const key = (name, more) => plots.dispatchEvent(new KeyboardEvent("keydown", { key: name, bubbles: true, ...more }));
const press = (id) => document.querySelector(`button[data-do=${id}]`).click();
point("pointerdown", 12); point("pointerup", 12); seen.press = cursor;
key("ArrowRight"); seen.right = cursor;
point("pointerdown", 8); point("pointermove", 16); point("pointerup", 16); seen.drag = view;
key("ArrowRight", { shiftKey: true }); seen.pan = view;
key("+"); seen.closer = view[1] - view[0];
plots.dispatchEvent(new MouseEvent("dblclick")); seen.whole = view;
press("in"); press("out"); press("out"); seen.out = view;
document.querySelector("button.at").click(); seen.row = cursor;
$("moment").value = $("moment").options[1].value; $("moment").dispatchEvent(new Event("change")); seen.moment = cursor;
$("when").value = 50; $("when").dispatchEvent(new Event("input")); seen.slider = cursor;
press("worst"); seen.worst = cursor;
document.title = JSON.stringify(seen);
</script></body>"""


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium here")
def test_hands_move_it(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(report.report(open_lead()).replace("</body>", HANDS), encoding="utf-8")
    flags = ["--headless=new", "--no-sandbox", "--disable-gpu", "--user-data-dir=%s" % (tmp_path / "profile")]
    flags += ["--virtual-time-budget=3000", "--enable-logging=stderr", "--window-size=1000,2000"]
    command = ["chromium", *flags, "--dump-dom", file.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert "CONSOLE" not in done.stderr, done.stderr
    title = re.findall(r"<title>(.*?)</title>", done.stdout)[0]
    seen = json.loads(title.replace("&quot;", '"'))
    result, trip = open_lead(), words.first_trip(open_lead())
    assert trip is not None
    assert seen["press"] == pytest.approx(12, abs=0.1)
    assert 0 < seen["right"] - seen["press"] < 0.2
    assert seen["drag"] == pytest.approx([8, 16], abs=0.1)
    assert seen["pan"] == pytest.approx([9.6, 17.6], abs=0.1)
    assert seen["closer"] == pytest.approx(4, abs=0.1)
    assert seen["whole"] == seen["out"] == [0, result.simulated_s]
    assert seen["row"] == pytest.approx(words.operations(result)[0].t_s, abs=0.001)
    assert seen["moment"] == 6
    assert seen["slider"] == pytest.approx(result.traces["t_s"][50], abs=0.001)
    assert seen["worst"] == pytest.approx(trip.t_s, abs=0.001)


def test_every_strip_and_danger_is_a_word_that_exists() -> None:
    from packwarden.bench.verdict import FIGURES
    from packwarden.views import page

    bits = {bit: name for name, bit, _about in tables.OUTPUT_BITS}
    named = {bits[bit] for bit, *_ in report.STRIPS if bit in bits}
    assert named >= {"main", "precharge", "charger", "enable"}
    assert set(page.DANGERS) <= set(FIGURES)
