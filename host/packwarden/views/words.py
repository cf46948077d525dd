"""A run in plain words: what an event line means, what operated against which budget, what was simulated."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Optional

from packwarden.bench import tables
from packwarden.bench.faults import KINDS
from packwarden.bench.plan import Fault, Hand, Phase, Scenario, When
from packwarden.bench.result import Injected, Line, RunResult
from packwarden.bench.verdict import FIGURES, figure

# Why the relay changed its mode: the last word of a row of its transition table.
WHY = {
    "tested": "self-test passed",
    "latched": "a trip is still latched",
    "trip": "tripped",
    "start": "start held",
    "plug": "plug in",
    "key": "key",
    "forbidden": "an element forbids it",
    "precharged": "link charged",
    "shed": "current low enough to open",
    "waited": "waited for the current as long as allowed",
    "unplugged": "plug out",
    "mainaux": "main's auxiliary contact closed",
    "reset": "reset button",
    "asked": "reset by wire",
}

HANDS = {
    "key": ("key off", "key on"),
    "start": ("start let go", "start held"),
    "unplug": ("plug put in", "plug loop closed"),
    "interlock": ("interlock loop opened", "interlock loop closed"),
    "estop": ("emergency stop pressed", "emergency stop released"),
    "crash": ("crash switch opened", "crash switch closed"),
    "service": ("service disconnect pulled", "service disconnect fitted"),
    "reset": ("reset let go", "reset pressed"),
    "pedal": ("pedal pressed", "pedal released"),
}

ELEMENT = {(row.number, row.stage): row for row in tables.element_rows()}
UNIT = {row.name: row.unit for row in tables.setting_rows()}


@dataclass(frozen=True)
class Context:
    """What a result does not hold: which Python ran the relay, and the comparison when two targets ran.

    same: None when one target ran; else whether both said the same lines and set the same outputs.
    """

    python: str = ""
    targets: tuple[str, ...] = ()
    same: Optional[bool] = None
    compared: str = ""


@dataclass(frozen=True)
class Operation:
    """A stage that operated, told at its first time.  Times in s of the scenario, durations in ms."""

    element: str
    stage: str
    ix: int  # module or box from 1, 0 for the string
    place: str
    trips: bool
    t_s: float
    value: str  # the quantity at that moment with its unit, or empty
    text: str
    times: int = 1
    since: str = ""  # what `took_ms` counts from
    took_ms: Optional[int] = None
    budget_ms: Optional[int] = None

    @property
    def margin_ms(self) -> Optional[int]:
        """Time left of the budget, negative when it was passed; None when either is not known."""
        return None if self.budget_ms is None or self.took_ms is None else self.budget_ms - self.took_ms


# -- numbers ------------------------------------------------------------------------------------------------


def seconds(t_s: float) -> str:
    """A time of the scenario: seconds, and hours when there are any."""
    if t_s < 3600:
        return "%.2f s" % t_s
    return "%d h %02d min %05.2f s" % (t_s // 3600, t_s % 3600 // 60, t_s % 60)


def length(s: float) -> str:
    """A length of time, roughly."""
    if s < 120:
        return "%g s" % round(s, 1)
    return "%.0f min" % (s / 60) if s < 7200 else "%.1f h" % (s / 3600)


def duration(ms: Optional[int]) -> str:
    """A duration; empty for None."""
    return "" if ms is None else ("%d ms" % ms if abs(ms) < 10000 else "%.2f s" % (ms / 1000))


def number(x: float) -> str:
    """A figure with four digits, a minus sign that is one, and no tail of zeros."""
    return ("%.4g" % x if abs(x) < 10000 else "%.0f" % x).replace("-", "\u2212")


def amount(x: float, unit: str) -> str:
    """A figure of the bench with its unit."""
    return ("%s %s" % (number(x), {"count": "", "degC": "\u00b0C"}.get(unit, unit))).strip()


def with_unit(x: int, unit: str) -> str:
    """A quantity of the relay in the unit that a person thinks in."""
    if unit == "mV":
        return "%.2f V" % (x / 1000) if abs(x) >= 2000 else "%d mV" % x
    if unit == "mA":
        return "%.1f A" % (x / 1000)
    if unit == "0.1degC":
        return "%.1f \u00b0C" % (x / 10)
    return ("%d %s" % (x, {"count": "", "switch": ""}.get(unit, unit))).strip()


# -- events -------------------------------------------------------------------------------------------------


def place(element: str, stage: str, ix: int) -> str:
    """Where a stage operated: "module 4", "box 1", or "string"."""
    row = ELEMENT.get((element, stage))
    return "%s %d" % (row.watches if row else "at", ix) if ix else "string"


def meaning(element: str, stage: str, ix: int) -> str:
    """What it means that this stage operated there."""
    row = ELEMENT.get((element, stage))
    if row is None:
        return "unknown element"
    where = place(element, stage, ix)
    if not ix:
        return row.about
    if row.about.startswith(row.watches + " "):
        return where + row.about[len(row.watches) :]
    return "%s: %s" % (where, row.about)


def value_of(element: str, stage: str, x: int) -> str:
    """The quantity of an event line with its unit; empty for quantities that only say yes or no."""
    row = ELEMENT.get((element, stage))
    if row is None:
        return ""
    if isinstance(row.pickup, int):
        return "%d, limit %d" % (x, row.pickup) if row.pickup > 1 else ""
    return with_unit(x, UNIT[row.pickup])


def say(line: Line) -> str:
    """One of the relay's lines in words."""
    f = line.fields
    if line.kind == "ident":
        return "relay starts: firmware %s, settings %s, power-up %s" % (
            f.get("fw", "?"), f.get("cfg", "?"), f.get("boots", "?"))  # fmt: skip
    if line.kind == "change":
        return "%s \u2192 %s: %s" % (f["from"], f["to"], WHY.get(f["why"], f["why"]))
    if line.kind == "event":
        ix = int(f["ix"])
        if f["on"] != "1":
            return "%s %s released, %s" % (f["el"], f["stage"], place(f["el"], f["stage"], ix))
        value = value_of(f["el"], f["stage"], int(f["x"]))
        return "%s (%s)" % (meaning(f["el"], f["stage"], ix), value) if value else meaning(f["el"], f["stage"], ix)
    if line.kind == "reply":
        return "answer to request %s: %s, %s" % (f.get("req", "?"), f.get("status", "?"), f.get("why", "?"))
    if line.kind == "trip":
        return "journal: trip %s was %s %s" % (f.get("n", "?"), f.get("el", "?"), f.get("stage", "?"))
    return "journal: %s ms from the trip, %s mA, lowest module %s at %s mV" % (
        f.get("at", "?"), f.get("i", "?"), f.get("lo", "?"), f.get("lomv", "?"))  # fmt: skip


def is_trip(line: Line) -> bool:
    """An operation, not a release, of a stage that trips."""
    return line.kind == "event" and line.fields["on"] == "1" and bool(int(line.fields["act"], 16) & tables.TRIPS)


def level(line: Line) -> str:
    """How much a line matters: trip, alarm, end (a release), mode, or told."""
    if line.kind == "event":
        return "trip" if is_trip(line) else "alarm" if line.fields["on"] == "1" else "end"
    return "mode" if line.kind == "change" else "told"


# -- what operated ------------------------------------------------------------------------------------------


def operations(result: RunResult) -> list[Operation]:
    """Every stage that operated, in order of its first time, with the budget of the expectation it answers."""
    found: dict[tuple[str, str, int], Operation] = {}
    for line in result.events:
        f = line.fields
        if line.kind != "event" or f["on"] != "1":
            continue
        key = (f["el"], f["stage"], int(f["ix"]))
        if key in found:
            found[key] = replace(found[key], times=found[key].times + 1)
            continue
        since, took_ms = _since(result, line.t_s)
        found[key] = Operation(
            *key, place(*key), is_trip(line), line.t_s, value_of(key[0], key[1], int(f["x"])), meaning(*key),
            since=since, took_ms=took_ms,
        )  # fmt: skip
    for n, expect in enumerate(result.scenario.expects):
        verdict = result.verdicts[len(result.faults) + n]
        if expect.clause not in ("trip", "alarm") or verdict.budget_ms is None or verdict.took_ms is None:
            continue
        element, _, stage = expect.what.partition("/")
        for key, done in found.items():
            fits = key[0] == element and stage in ("", key[1]) and expect.ix in (None, key[2])
            if fits and done.trips == (expect.clause == "trip") and done.budget_ms is None:
                since = "input %d" % (expect.input + 1) if expect.input is not None else ""
                since = "fault %d" % (expect.fault + 1) if expect.fault is not None else since
                found[key] = replace(done, since=since, took_ms=verdict.took_ms, budget_ms=verdict.budget_ms)
                break
    return sorted(found.values(), key=lambda done: done.t_s)


def _since(result: RunResult, t_s: float) -> tuple[str, Optional[int]]:
    """The last fault or input that began before a time, and how long before, ms."""
    begun = [(f.start_s, "fault %d" % n) for n, f in enumerate(result.faults, 1) if f.start_s is not None]
    begun += [(at_s, "input %d" % n) for n, at_s in enumerate(result.inputs, 1) if at_s is not None]
    before = [(at_s, what) for at_s, what in begun if at_s <= t_s]
    if not before:
        return "", None
    at_s, what = max(before)
    return what, round((t_s - at_s) * 1000)


def first_trip(result: RunResult) -> Optional[Line]:
    """The first operation of a stage that trips, or None."""
    return next((line for line in result.events if is_trip(line)), None)


def story(result: RunResult) -> str:
    """What came of it, in a sentence or two."""
    trip = first_trip(result)
    if trip is None:
        alarms = operations(result)
        if not alarms:
            return "Nothing tripped, nothing alarmed."
        return "Nothing tripped. First alarm at %s: %s %s, %s." % (
            seconds(alarms[0].t_s), alarms[0].element, alarms[0].stage, alarms[0].text)  # fmt: skip
    text = "Tripped at %s by %s %s: %s." % (
        seconds(trip.t_s), trip.fields["el"], trip.fields["stage"], say(trip))  # fmt: skip
    for s in result.switchings:
        # The contact may part before the line is told, which takes a few scans.
        if not s.closed and s.t_s >= trip.t_s - 1.0:
            return text + " Main opened at %s, breaking %.0f A." % (seconds(s.t_s), abs(s.i_a))
    return text


# -- what was simulated -------------------------------------------------------------------------------------


def fault_text(fault: Injected | Fault) -> str:
    """A fault's kind, place and size."""
    kind = KINDS[fault.kind]
    text = fault.kind
    if fault.place >= 0:
        text += " at %s %d" % (kind.place, fault.place + 1)
    if kind.low != kind.high:
        text += ", %g %s" % (fault.size, kind.unit)
    return text


def when_text(when: When) -> str:
    """When something is due."""
    return "%g s" % when.at_s if when.when_mode is None else "%g s after the first %s" % (when.at_s, when.when_mode)


def hand_text(hand: Hand) -> str:
    """What a hand does to a switch."""
    return HANDS[hand.name][hand.value] + (", for %g s" % hand.for_s if hand.for_s is not None else "")


def phase_text(phase: Phase) -> str:
    """What the person does in a phase."""
    text = phase.do
    if phase.cycle:
        text += " " + phase.cycle.upper() + (" %d times" % phase.repeat if phase.repeat > 1 else "")
    elif phase.speed_kmh is not None:
        text += " at %g km/h" % phase.speed_kmh
    elif phase.power_w is not None:
        text += " asking for %g W" % phase.power_w
    if phase.grade_percent:
        text += ", slope %g %%" % phase.grade_percent
    if phase.plug != (phase.do == "charge"):
        text += ", plug in" if phase.plug else ", no plug"
    if phase.key != (phase.do in ("drive", "idle")):
        text += ", key on" if phase.key else ", key off"
    return text


def scan_text(scenario: Scenario) -> str:
    """The scan interval, and where it was coarser."""
    text = "%d ms" % scenario.scan_ms
    coarse = [p for p in scenario.phases if p.scan_ms > scenario.scan_ms]
    if coarse:
        each = ", ".join("%d ms in %s (%g to %g s)" % (p.scan_ms, p.name, p.start_s, p.end_s) for p in coarse)
        text += "; in the quiet up to " + each
    return text


def start_text(scenario: Scenario) -> list[str]:
    """The state of the pack at the start, a sentence for each thing that differs."""
    out = ["charge state %g, modules %g \u00b0C, ambient %g \u00b0C" % (
        scenario.charge_state, scenario.temp_c, scenario.ambient_c)]  # fmt: skip
    for k, start in sorted(scenario.modules.items()):
        parts = []
        if start.capacity != 1.0:
            parts.append("%g of rated capacity" % start.capacity)
        if start.resistance != 1.0:
            parts.append("%g times rated resistance" % start.resistance)
        if start.charge_state is not None:
            parts.append("charge state %g" % start.charge_state)
        if start.self_discharge != 1.0:
            parts.append("%g times rated self-discharge" % start.self_discharge)
        if parts:
            out.append("module %d: %s" % (k + 1, ", ".join(parts)))
    return out


def figures(result: RunResult) -> list[tuple[str, float, str, str]]:
    """(name, value, unit, meaning) of every figure of the run, in the table's order."""
    return [(name, figure(result, name), row.unit, row.about) for name, row in FIGURES.items()]


def bound_modules(result: RunResult, most: int = 3) -> list[int]:
    """Modules (from 0) worth a line of their own: those that trips, faults and the start name, then the lowest."""
    found: list[int] = []

    def add(k: int) -> None:
        if k not in found and 0 <= k < result.scenario.spec.n_modules:
            found.append(k)

    done: Any
    for done in sorted(operations(result), key=lambda done: not done.trips):
        if done.place.startswith("module"):
            add(done.ix - 1)
    for fault in result.faults:
        if KINDS[fault.kind].place == "module":
            add(fault.place)
    for k in sorted(result.scenario.modules):
        add(k)
    if not found:
        volts = [min(result.traces["module_v.%d" % k]) for k in range(result.scenario.spec.n_modules)]
        add(volts.index(min(volts)))
    return found[:most]
