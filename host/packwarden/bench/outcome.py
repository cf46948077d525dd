"""One cell of the campaign run and judged: `run_cell(job)` gives a small dictionary that JSON can hold.

The verdicts, from good to bad (VERDICTS): what the relay said is its event lines, what happened is the plant's.
A fault to which the right answer is to carry on ends as `harmless` or `detected`, and neither is a failure.
"""

from __future__ import annotations

import dataclasses
from typing import Any, Dict, List, Mapping, Optional, Sequence, Set, Tuple

from packwarden.bench import courses, hazards
from packwarden.bench.inprocess import InProcess
from packwarden.bench.result import POWER, Line, RunResult
from packwarden.bench.runner import Run
from packwarden.bench.scenario import ELEMENTS, from_data
from packwarden.bench.verdict import MAIN, NOT_AT_ONCE, TRIP_ACTIONS, budget_ms, safe_s
from packwarden.plant.spec import (
    BoatSpec,
    BusSpec,
    ChargerSpec,
    Chemistry,
    ModuleSpec,
    PackSpec,
    SensorSpec,
    VehicleSpec,
)
from warden import modes as relay_modes
from warden.settings import BASE

VERDICTS = (
    ("quiet", "nothing was broken and nothing was said"),
    ("harmless", "nothing was said, and nothing in the run passed its limit"),
    ("safe", "said, and every power output was off in time; nothing passed its limit"),
    ("detected", "said, and the relay carries on by its tables; nothing passed its limit"),
    ("late", "said and made safe, but later than the budget of the stage that tripped; nothing passed its limit"),
    ("false alarm", "nothing was broken, and yet something operated"),
    ("hazard", "said, but something passed its limit before, or all the same"),
    ("undetected hazard", "something passed its limit, and nothing was said"),
    ("failed", "the cell could not be run to its end"),
)
BAD = ("false alarm", "hazard", "undetected hazard", "late", "failed")

# The time of these counts from the last command that opens main, where that is later than the fault.
FROM_COMMAND = ("72",)
# Kinds that come and go, or grow: from when a budget would count, no one can say.
NO_MOMENT = ("interlock_flicker", "key_bounce", "aux_dip", "battery_weak", "main_chatter", "noise", "spikes",
             "current_drift")  # fmt: skip
# Kinds in which the relay itself does not run for a time: no budget holds then, a watchdog has to.
NOT_RUNNING = ("scan_late", "scans_slow", "clock_stops", "brown_out")
AT_ONCE = ("controller_shorted", "current_saturated")  # 76 instantaneous has its condition with the fault
BY_TRIP = ("trip", "shed", "waited")  # changes of mode that a trip itself makes
AWAKE = {(row[0], row[1]): row[9] for row in ELEMENTS}

Key = Tuple[str, str, str]  # element, stage, place

# Course and seed -> what health says and when, what it reaches, its modes.
_healthy: Dict[str, Tuple[List[Tuple[float, Key]], Dict[str, float], List[str]]] = {}


def spec_as_data(spec: PackSpec) -> Dict[str, Any]:
    """A pack as plain data, for a Python that can't read its file."""
    return dataclasses.asdict(spec)


def spec_of(data: Mapping[str, Any]) -> PackSpec:
    """A pack from `spec_as_data`, also after JSON made lists of its tuples."""

    def plain(kind: Any, table: Mapping[str, Any]) -> Any:
        return kind(**{k: tuple(v) if isinstance(v, list) else v for k, v in table.items()})

    module = dict(data["module"])
    module["chemistry"] = plain(Chemistry, module["chemistry"])
    parts: Dict[str, Any] = {
        "module": ModuleSpec(**module),
        "bus": plain(BusSpec, data["bus"]),
        "charger": plain(ChargerSpec, data["charger"]),
        "vehicle": plain(VehicleSpec, data["vehicle"]),
        "boat": plain(BoatSpec, data["boat"]) if data["boat"] else None,
        "sensors": plain(SensorSpec, data["sensors"]),
    }
    rest: Dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in data.items() if k not in parts}
    return PackSpec(**parts, **rest)


def run_cell(job: Mapping[str, Any]) -> Dict[str, Any]:
    """Run one cell.  job: `cell` of the plan, and `spec`, its pack as data.  A crash is an outcome, too."""
    cell = job["cell"]
    try:
        return _run(cell, spec_of(job["spec"]))
    except Exception as error:  # whatever it is, one cell must not end a campaign
        return {"verdict": "failed", "why": "%s: %s" % (type(error).__name__, error)}


def run_scenario(cell: Mapping[str, Any], spec: PackSpec, faulty: bool = True) -> RunResult:
    """The whole result of a cell, or of its course in health."""
    data = courses.data(cell, spec.boat is not None, faulty)
    return Run(from_data("campaign", data, cell["key"], spec), InProcess(), None).go()


def _run(cell: Mapping[str, Any], spec: PackSpec) -> Dict[str, Any]:
    result = run_scenario(cell, spec)
    if not cell["faults"]:
        return _judge_healthy(result)
    starts = _starts(result)
    if not starts:
        return {"verdict": "failed", "why": "the moment of the fault never came"}
    from_s = min(starts)
    events, normal, modes = _in_health(cell, spec)
    # What health says from here on is no news; what it said before may be said again, and then is.
    said = {key for t_s, key in events if t_s >= from_s}
    return _judge(cell, result, from_s, said, normal, modes)


def _starts(result: RunResult) -> List[float]:
    return [fault.start_s for fault in result.faults if fault.start_s is not None]


def _events(result: RunResult, from_s: float) -> List[Line]:
    return [e for e in result.events if e.kind == "event" and e.fields["on"] == "1" and e.t_s >= from_s]


def _key(line: Line) -> Key:
    return line.fields["el"], line.fields["stage"], line.fields["ix"]


def _modes(result: RunResult) -> List[str]:
    return [line.fields["to"] for line in result.events if line.kind == "change"]


def _in_health(cell: Mapping[str, Any], spec: PackSpec) -> Tuple[List[Tuple[float, Key]], Dict[str, float], List[str]]:
    """What the same course says and reaches in health; run once for each course and seed."""
    data = courses.data(cell, spec.boat is not None, False)
    where = repr((cell["pack"], cell["seed"], data["start"], data["course"]))
    if where not in _healthy:
        if len(_healthy) > 200:
            _healthy.clear()
        result = run_scenario(cell, spec, False)
        events = [(line.t_s, _key(line)) for line in _events(result, 0.0)]
        _healthy[where] = events, hazards.measure(result, 0.0), _modes(result)
    return _healthy[where]


def _judge_healthy(result: RunResult) -> Dict[str, Any]:
    """A cell without a fault: the lockout course has an emergency stop of its own, nothing else may operate."""
    own = {("69", "estop", "0"), ("69", "estop_open", "0")} if result.scenario.inputs else set()
    alarms = [_name(line) for line in _events(result, 0.0) if _key(line) not in own]
    measured = hazards.measure(result, 0.0)
    return {
        "verdict": "false alarm" if alarms else "quiet",
        "false_alarms": sorted(set(alarms)),
        "hazards": measured,
        "modes": _modes(result),
    }


def _name(line: Line) -> str:
    place = line.fields["ix"]
    return "%s/%s%s" % (line.fields["el"], line.fields["stage"], "" if place == "0" else "@" + place)


def _judge(
    cell: Mapping[str, Any], result: RunResult, from_s: float, said: Set[Key], normal: Dict[str, float],
    modes: Sequence[str],
) -> Dict[str, Any]:  # fmt: skip
    values = result.scenario.values
    new = [line for line in _events(result, from_s) if _key(line) not in said]
    trips = [line for line in new if int(line.fields["act"], 16) & TRIP_ACTIONS]
    measured = hazards.measure(result, from_s, cell["faults"])
    limits = hazards.limits(result.scenario.spec, values)
    passed = [name for name, x in measured.items() if x > limits[name] and x > 1.05 * normal[name]]
    out: Dict[str, Any] = {
        "verdict": "",
        "mode": result.mode_at(from_s),
        "from_s": round(from_s, 3),
        "first": _said(new, from_s),
        "trip": _said(trips, from_s),
        "said": sorted({_name(line) for line in new}),
        "acted": bool(new) or _modes(result) != list(modes),
        "safe_ms": None,
        "budget_ms": None,
        "passed": passed,
        "hazards": {name: measured[name] for name in measured if measured[name] or name in passed},
    }
    if trips:
        out["safe_ms"], out["budget_ms"] = _times(cell, result, trips[0])
    late = out["safe_ms"] is not None and out["budget_ms"] is not None and out["safe_ms"] > out["budget_ms"]
    if passed:
        out["verdict"] = "hazard" if new else "undetected hazard"
    elif late:
        out["verdict"] = "late"
    elif out["safe_ms"] is not None:
        out["verdict"] = "safe"
    else:
        out["verdict"] = "detected" if new else "harmless"
    return out


def _said(lines: Sequence[Line], from_s: float) -> Optional[Dict[str, Any]]:
    if not lines:
        return None
    line = lines[0]
    return {"what": _name(line), "ms": int(round((line.t_s - from_s) * 1000))}


def _times(cell: Mapping[str, Any], result: RunResult, trip: Line) -> Tuple[Optional[int], Optional[int]]:
    """(ms to safe, ms allowed) of the first trip, from the moment that its budget counts from.

    That is the fault (the later of two), or the moment after it at which its stage became awake.  The open command
    ends it; where no output was on, the relay's own line does.
    """
    number, stage, _place = _key(trip)
    values = result.scenario.values
    # Of a pair the later fault that had begun counts: which of the two it is about, no one can say for sure.
    from_s = max(t_s for t_s in _starts(result) if t_s <= trip.t_s)
    origin_s = max(from_s, _awake_s(result, number, stage, trip.t_s))
    if number in FROM_COMMAND:
        pairs = zip(result.changes, result.changes[1:])
        opened = [b.t_s for a, b in pairs if a.bits & MAIN and not b.bits & MAIN and b.t_s < trip.t_s - 0.05]
        origin_s = max([origin_s if stage != "open" else from_s, *opened[-1:]])
    allowed = budget_ms(number, stage, values)
    kinds = [fault["kind"] for fault in cell["faults"]]
    if (number, stage) == ("27", "floor"):
        origin_s = max(origin_s, _below_floor_s(result, origin_s))
    elif number in NOT_AT_ONCE and not (stage == "inst" and any(kind in AT_ONCE for kind in kinds)):
        allowed = None
    if any(kind in NO_MOMENT + NOT_RUNNING for kind in kinds) or number == "72" and "precharge_welded" in kinds:
        # (Behind a welded precharge contactor 72 waits for the link to fill.)
        allowed = None
    off_s = trip.t_s
    if result.bits_at(trip.t_s - 0.001) & POWER or result.bits_at(origin_s) & POWER:
        found = safe_s(result, origin_s)
        if found is None:
            return None, allowed
        off_s = found if found > origin_s else trip.t_s
    return int(round((off_s - origin_s) * 1000)), allowed


def _below_floor_s(result: RunResult, from_s: float) -> float:
    """When a module really fell below 27's floor, to the 100 ms of a trace's row; `from_s` when none did.

    One that reads too low to be believed (a joint with volts across it) is M2's, with M2's budget.
    """
    values = result.scenario.values
    least_v, floor_v = values[BASE["range_low_mv"]] / 1000.0, values[BASE["v27_floor_mv"]] / 1000.0
    for t_s, low_v in zip(result.traces["t_s"], result.traces["low_v"]):
        if t_s > from_s and least_v < low_v < floor_v:
            return t_s - 0.1
    return from_s


def _awake_s(result: RunResult, number: str, stage: str, until_s: float) -> float:
    """Since when a stage has been awake without a break, at a time; what a trip itself changes does not count."""
    since_s = 0.0
    awake = False
    for line in result.events:
        if line.kind != "change" or line.t_s > until_s or line.fields["why"] in BY_TRIP:
            continue
        now = bool(AWAKE[number, stage] >> relay_modes.MODES.index(line.fields["to"]) & 1)
        if now and not awake:
            since_s = line.t_s
        awake = now
    return since_s
