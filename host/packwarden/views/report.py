"""The report of one run: one HTML file that needs nothing else, for a screen, a phone, paper, or a mail.

Everything that words can say is in the HTML itself; report.js draws the string line and the plots from one block
of data.  No picture is needed to read the verdict.
"""

from __future__ import annotations

import base64
import json
import struct
from html import escape
from pathlib import Path
from typing import Any, Iterable, Optional, Sequence

from packwarden.bench import tables
from packwarden.bench.result import MAIN_IS_CLOSED, PLUGGED, RunResult
from packwarden.views import page, traces, words
from packwarden.views.words import Context

HERE = Path(__file__).parent
EVENTS_MAX = 250  # rows of the table of events
MARKS_MAX = 300  # shapes over the plots
REPEATS = 5  # of one alarm, once the table is full
LOOKS = ("bold", "second", "third")

# column -> value of one count in the data block; 16 bits with a sign are enough for each.
SCALES = {
    "module_v": 0.001, "low_v": 0.001, "read_v": 0.001, "aux_v": 0.001, "i_a": 0.05, "peak_a": 0.05,
    "string_v": 0.02, "link_v": 0.02, "speed_kmh": 0.02, "limit": 0.1, "temp_c": 0.02, "soc": 0.0001, "bad": 1.0,
}  # fmt: skip

# bit, word of seven letters at most, meaning, whether it is what the plant did and not what the relay asked for
STRIPS = (
    (1, "main", "main commanded", False),
    (MAIN_IS_CLOSED, "closed", "main really closed", True),
    (2, "prechg", "precharge commanded", False),
    (8, "enable", "controller enabled", False),
    (4, "charger", "charger enabled", False),
    (PLUGGED, "plug", "plug in", True),
    (32, "lamp", "yellow lamp", False),
    (64, "tripped", "red lamp", False),
)


def report(result: RunResult, context: Optional[Context] = None) -> str:
    """The whole page as text.  `context`: which Python ran the relay, and what other target said the same."""
    context = context or Context()
    rows = traces.chosen(result)
    worst, at_s, what = traces.worst_moment(result)
    rows = sorted({*rows, worst})
    data = _data(result, rows, {"row": rows.index(worst), "t_s": at_s, "what": what})
    title = "%s: %s" % (result.scenario.name, page.verdict_words(result, context))
    style = (HERE / "report.css").read_text(encoding="utf-8")
    script = (HERE / "report.js").read_text(encoding="utf-8")
    return "".join(
        (
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            # The browser itself holds the page to being self-contained.
            '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src \'unsafe-inline\'; '
            "script-src 'unsafe-inline'; img-src data:\">\n",
            "<title>%s</title>\n<style>\n%s</style>\n</head>\n<body>\n" % (escape(title), style),
            page.head(result, context),
            page.figures_frame(result, _moments(data["marks"])),
            page.operations(result),
            page.expectations(result),
            page.hazards(result),
            page.events(*_events(result)),
            page.facts(result, context),
            page.limits(result),
            '<script type="application/json" id="run">%s</script>\n<script>\n%s</script>\n</body>\n</html>\n'
            % (json.dumps(data, separators=(",", ":")).replace("<", "\\u003c"), script),
        )
    )


# -- the data block ------------------------------------------------------------------------------------------


def _data(result: RunResult, rows: Sequence[int], cursor: dict[str, Any]) -> dict[str, Any]:
    """Everything that report.js draws.  Times in s; `cursor`: the moment shown first, its row among `rows`."""
    spec = result.scenario.spec
    values = tables.values_of(result.scenario)
    times = [result.traces["t_s"][row] for row in rows]
    reading = traces.readings(result)
    misread = traces.misread(result, reading)
    columns = {"module_v.%d" % k: _packed(result, rows, "module_v.%d" % k) for k in range(spec.n_modules)}
    last = traces.at_rows(reading, times)
    for k in misread:
        said = [reading.mv[at][k] / 1000.0 if at >= 0 else 0.0 for at in last]
        columns["read_v.%d" % k] = _column(said, "read_v")
        columns["bad.%d" % k] = _column([float(reading.bad[at] >> k & 1) if at >= 0 else 0.0 for at in last], "bad")
    panels = []
    for each in _panels(result, misread, values):
        for series in each["series"]:
            name = series["column"]
            if name not in columns:
                columns[name] = _packed(result, rows, name)
        panels.append(each)
    slope = _one(values, "v60_slope_uohm")
    return {
        "end_s": result.simulated_s,
        "t": base64.b64encode(struct.pack("<%dI" % len(times), *(round(t * 1000) for t in times))).decode(),
        "columns": columns,
        "modules": spec.n_modules,
        "boxes": list(spec.boxes),
        "cursor": cursor,
        "band": {"base_mv": _one(values, "v60_pickup_mv"), "slope_mv_per_a": slope / 1000.0},
        "modes": traces.modes(result),
        "operated": _operated(result),
        "panels": panels,
        "strips": _strips(result),
        "marks": _marks(result),
    }


def _one(values: dict[str, tables.Value], name: str) -> int:
    value = values[name]
    assert isinstance(value, int)
    return value


def _column(numbers: Iterable[float], kind: str) -> dict[str, Any]:
    scale = SCALES[kind]
    counts = [max(-32768, min(32767, round(x / scale))) for x in numbers]
    return {"s": scale, "d": base64.b64encode(struct.pack("<%dh" % len(counts), *counts)).decode()}


def _packed(result: RunResult, rows: Sequence[int], name: str) -> dict[str, Any]:
    column = result.traces[name]
    factor = 0.1 if name == "limit" else 1.0  # permille to percent
    return _column((column[row] * factor for row in rows), name.partition(".")[0])


def _operated(result: RunResult) -> list[dict[str, Any]]:
    """When each stage that watches modules operated and released, for the shapes of the beads."""
    out = []
    for line in result.events:
        if line.kind != "event":
            continue
        f = line.fields
        row = words.ELEMENT.get((f["el"], f["stage"]))
        if row is not None and row.watches == "module":
            level = "trip" if row.trips else "alarm"
            name = "%s %s" % (f["el"], f["stage"])
            out.append({"t": line.t_s, "k": int(f["ix"]) - 1, "on": f["on"] == "1", "level": level, "name": name})
    return out


def _marks(result: RunResult) -> list[dict[str, Any]]:
    """What was done to the car and what operated, in order of time."""
    out: list[dict[str, Any]] = []
    for n, fault in enumerate(result.faults, 1):
        if fault.start_s is not None:
            end_s = result.simulated_s if fault.end_s is None else fault.end_s
            where = " at %d" % (fault.place + 1) if fault.place >= 0 else ""
            short = "fault %d: %s%s" % (n, fault.kind, where)
            text = "fault %d begins: %s" % (n, words.fault_text(fault))
            out.append({"t": fault.start_s, "end": end_s, "level": "fault", "short": short, "text": text})
    for hand, t_s in zip(result.scenario.inputs, result.inputs):
        if t_s is not None:
            text = words.hand_text(hand)
            out.append({"t": t_s, "level": "input", "short": words.HANDS[hand.name][hand.value], "text": text})
    for cycle in result.scenario.power_cycles:
        if cycle.when.when_mode is None:
            text = "the relay's supply goes for %g s" % cycle.off_s
            out.append({"t": cycle.when.at_s, "level": "input", "short": "supply lost", "text": text})
    events = [line for line in result.events if line.kind == "event" and line.fields["on"] == "1"]
    trips = [line for line in events if words.is_trip(line)]
    for line in (trips + [line for line in events if not words.is_trip(line)])[:MARKS_MAX]:
        f = line.fields
        place = words.place(f["el"], f["stage"], int(f["ix"]))
        where = "" if place == "string" else ", " + place
        short = "%s %s%s" % (f["el"], f["stage"], where)
        level = "trip" if words.is_trip(line) else "alarm"
        out.append({"t": line.t_s, "level": level, "short": short, "text": words.say(line)})
    return sorted(out, key=lambda mark: mark["t"])


def _moments(marks: list[dict[str, Any]]) -> list[tuple[float, str]]:
    """What the list of moments offers."""
    return [(mark["t"], mark["short"]) for mark in marks]


def _strips(result: RunResult) -> list[dict[str, Any]]:
    out = []
    for bit, short, about, live in STRIPS:
        spans = traces.spans(result, bit)
        # Stretches closer than the page can show are drawn as one.
        least_s = result.simulated_s / 4000 if len(spans) > 1000 else 0.0
        joined: list[list[float]] = []
        for a, z in spans:
            if joined and a - joined[-1][1] < least_s:
                joined[-1][1] = z
            else:
                joined.append([round(a, 3), round(z, 3)])
        if joined:
            out.append({"short": short, "about": about, "live": live, "spans": joined})
    return out


# -- the panels ----------------------------------------------------------------------------------------------


def _panel(title: str, height: int, smallest: float, series: list[tuple[str, str, str]], **more: Any) -> dict[str, Any]:
    """A plot: `smallest` is the narrowest range of its axis; series are (column, look, label)."""
    each = [{"column": column, "look": look, "label": label} for column, look, label in series]
    return {"title": title, "height": height, "smallest": smallest, "series": each, "lines": [], **more}


def _panels(result: RunResult, misread: list[int], values: dict[str, tables.Value]) -> list[dict[str, Any]]:
    """The plots, from the top."""
    spec, column = result.scenario.spec, result.traces
    bold = words.bound_modules(result)
    rest = [k for k in range(spec.n_modules) if k not in bold]
    series = [("module_v.%d" % k, "muted", "") for k in rest]
    if rest:
        series[0] = (series[0][0], "muted", "the others")
    lowest = [min(row) for row in zip(*(column["module_v.%d" % k] for k in range(spec.n_modules)))]
    if any(low < seen - 0.2 for low, seen in zip(column["low_v"], lowest)):
        series.append(("low_v", "dotted", "lowest between samples"))
    series += [("module_v.%d" % k, look, "module %d" % (k + 1)) for k, look in zip(bold, LOOKS)]
    series += [("read_v.%d" % k, "reading", "module %d as the relay reads it" % (k + 1)) for k in misread[:3]]
    out = [_panel("Module voltage, V", 220, 0.6, series, lines=_pickups(values))]

    series = [("i_a", "bold", "string, discharge positive")]
    if any(peak > abs(i_a) + 10 for peak, i_a in zip(column["peak_a"], column["i_a"])):
        series.append(("peak_a", "dotted", "largest between samples, either way"))
    inst_a = _one(values, "i76_inst_ma") / 1000.0
    lines = [{"y": inst_a, "text": "76 inst", "level": "trip"}, {"y": -inst_a, "text": "76 inst", "level": "trip"}]
    out.append(_panel("Current, A", 130, 10.0, series, lines=lines))

    series = [("link_v", "second", "link"), ("string_v", "bold", "string")]
    out.append(_panel("String and link, V", 110, 10.0, series))

    series = [("soc.%d" % k, "muted", "") for k in rest[:3]]
    series[:1] = [(series[0][0], "muted", "some of the others")] if series else []
    series += [("soc.%d" % k, look, "module %d" % (k + 1)) for k, look in zip(bold, LOOKS)]
    out.append(_panel("Charge state, 1 = full (in the plant; the relay doesn't know it)", 90, 0.1, series))
    if max(column["speed_kmh"]) > 1.0:
        out.append(_panel("Speed, km/h", 70, 10.0, [("speed_kmh", "bold", "")]))
    out.append(_panel("Power that the relay allows, %", 60, 20.0, [("limit", "bold", "")], at_least=[0, 100]))
    if max(column["aux_v"]) - min(column["aux_v"]) > 2.5:
        lines = [
            {"y": _one(values, "aux_alarm_mv") / 1000.0, "text": "27X alarm", "level": "alarm"},
            {"y": _one(values, "aux_trip_mv") / 1000.0, "text": "27X trip", "level": "trip"},
        ]
        out.append(_panel("Aux supply, V", 80, 1.0, [("aux_v", "bold", "")], lines=lines))
    looks = (*LOOKS, "muted", "muted", "muted")
    series = [("temp_c.%d" % b, looks[b], "box %d" % (b + 1)) for b in range(len(spec.boxes))]
    lines = [
        {"y": _one(values, "t49_alarm_dc") / 10.0, "text": "49 alarm", "level": "alarm"},
        {"y": _one(values, "t49_trip_dc") / 10.0, "text": "49 trip", "level": "trip"},
        {"y": _one(values, "t49_cold_dc") / 10.0, "text": "49C: too cold to charge", "level": "alarm"},
    ]
    out.append(_panel("Temperature, \u00b0C", 80, 5.0, series, lines=lines))
    return out


def _pickups(values: dict[str, tables.Value]) -> list[dict[str, Any]]:
    rows = (
        ("e27_on", "v27_pickup_mv", "27 (load compensated)", "alarm"),
        ("e27_on", "v27_floor_mv", "27 floor", "trip"),
        ("e59_on", "v59_pickup_mv", "59 at 25 \u00b0C", "alarm"),
        ("e59_on", "v59_high_mv", "59 high", "trip"),
    )
    return [
        {"y": _one(values, name) / 1000.0, "text": text, "level": level}
        for switch, name, text, level in rows
        if values[switch]
    ]


# -- events --------------------------------------------------------------------------------------------------


def _events(result: RunResult) -> tuple[list[tuple[float, str, str, str]], int]:
    """Rows (time s, level, element and stage, words) for the table, and how many lines it leaves out."""
    lines = result.events
    if len(lines) > EVENTS_MAX:
        seen: dict[tuple[str, ...], int] = {}
        repeats = []
        for line in lines:
            key = (line.kind, *(line.fields.get(name, "") for name in ("el", "stage", "ix", "on", "from", "to")))
            seen[key] = seen.get(key, 0) + 1
            repeats.append(seen[key] > REPEATS and not words.is_trip(line))
        # Trips before first times, first times before repeats; then in their order again.
        order = sorted(range(len(lines)), key=lambda n: (not words.is_trip(lines[n]), repeats[n], n))
        lines = [lines[n] for n in sorted(order[:EVENTS_MAX]) if not repeats[n]]
    rows = []
    for line in lines:
        f = line.fields
        name = "%s %s" % (f["el"], f["stage"]) if line.kind == "event" else line.kind
        rows.append((line.t_s, words.level(line), "mode" if name == "change" else name, words.say(line)))
    return rows, len(result.events) - len(rows)
