"""Was it so?  Expectations judged by what the relay said (its lines) and what happened (the plant).

Three tables: BUDGETS (times allowed when an expectation gives none), HAPPENINGS (what `never`, `happens` and
`before` can name) and FIGURES (what `figure` can name).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable, Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple

from packwarden.bench.result import (
    MAIN_IS_CLOSED,
    PLUGGED,
    POWER,
    Change,
    Line,
    RunResult,
    Verdict,
    decode,
)
from warden import settings

if TYPE_CHECKING:
    from packwarden.bench.plan import Expect

MAIN, PRE, CHARGER, ENABLE = 1, 2, 4, 8
TRIP_ACTIONS = 0x30  # staged, open
NOT_AT_ONCE = ("27", "76")  # a budget only where an expectation names the stage, too
SAFE_HOLD_S = 5.0  # outputs that come back within this were not off
HIGH_VOLTAGE_V = 60.0  # UN R100: above 60 V dc is dangerous to touch

# element, stage ("" any), ms from the fault to the open command (to the event, where no output was on).  The
# project's own choice for the demo packs (docs/protection.md); a scenario may ask for other times.
BUDGETS = (
    ("76", "inst", 30, "instantaneous overcurrent"),
    ("69", "estop", 30, "emergency stop"),
    ("69", "crash", 50, "crash switch"),
    ("69", "service", 50, "service disconnect"),
    ("69", "interlock", 100, "interlock lost"),
    ("69", "plug", 100, "plug seen while driving"),
    ("27", "floor", 500, "module under the absolute floor"),
    ("27", "time", 5000, "module low, load compensated"),
    ("60", "alarm", 5000, "module away from the median"),
    ("49", "", 5000, "box hot, from the moment it is"),
    ("72", "open", 1000, "welded: from the open command"),
    ("72", "close", 400, "main did not close, or let go"),
    ("48", "slow", "pre_slow_ms", "precharge too slow: the pack's own setting, 1.5 times its nominal length"),
    ("48", "", 1200, "precharge wrong"),
    ("27X", "trip", 200, "aux supply about to let contactors go"),
    ("27X", "alarm", 2500, "aux supply low"),
    ("M1", "alarm", 1000, "open sense lead"),
    ("M1", "trip", 10000, "open sense lead, not mended"),
    ("M2", "alarm", 1000, "impossible reading"),
    ("M2", "trip", 10000, "impossible reading, not mended"),
    ("M4", "alarm", 1000, "modules do not add up"),
    ("M5", "alarm", 1000, "reference drifted"),
    ("M5", "trip", 10000, "reference drifted, not mended"),
    ("M6", "alarm", 1000, "head silent"),
    ("M6", "trip", 10500, "head silent, not mended"),
    ("M7", "alarm", 1000, "current sensor at its end"),
    ("M7", "trip", 10000, "current sensor at its end, not mended"),
    ("M8", "alarm", 1000, "temperature probe open or shorted"),
    ("M9", "alarm", 1000, "string or link tap open or apart"),
    ("M10", "alarm", 100, "scans late"),
)  # fmt: skip


def budget_ms(element: str, stage: str, values: Sequence[int]) -> Optional[int]:
    """Default time allowed for an element's stage with these settings, or None when there is none.

    A budget that is a setting's name is that setting and two scans.
    """
    for number, row_stage, ms, _about in BUDGETS:
        if number == element and row_stage in ("", stage):
            return ms if isinstance(ms, int) else values[settings.BASE[ms]] + 20
    return None


# -- what can happen ----------------------------------------------------------------------------------------

Found = Tuple[float, str]  # scenario time, what was seen


def _bits(test: Callable[[int], bool], text: str) -> Callable[[RunResult, float], Iterator[Found]]:
    """Spans of time in which the output and plant bits pass `test`, each told by its start."""

    def find(result: RunResult, _value: float) -> Iterator[Found]:
        for change in result.changes:
            if test(change.bits):
                yield change.t_s, text

    find.spans = test  # type: ignore[attr-defined]
    return find


def _trace(
    column: str, test: Callable[[float, float], bool], text: str
) -> Callable[[RunResult, float], Iterator[Found]]:
    def find(result: RunResult, value: float) -> Iterator[Found]:
        times = result.traces["t_s"]
        for t_s, x in zip(times, result.traces[column]):
            if test(x, value):
                yield t_s, text % x

    return find


def _event(test: Callable[[Line], bool]) -> Callable[[RunResult, float], Iterator[Found]]:
    def find(result: RunResult, _value: float) -> Iterator[Found]:
        for line in result.events:
            if line.kind == "event" and line.fields["on"] == "1" and test(line):
                yield line.t_s, "%s/%s at %s" % (line.fields["el"], line.fields["stage"], line.fields["ix"])

    return find


def _lockout(result: RunResult, _value: float) -> Iterator[Found]:
    for line in result.events:
        if line.kind == "change" and line.fields["to"] == "lockout":
            yield line.t_s, "lockout (%s)" % line.fields["why"]


def _drive(result: RunResult, _value: float) -> Iterator[Found]:
    for line in result.events:
        if line.kind == "change" and line.fields["to"] == "drive":
            yield line.t_s, "drive"


def _live_plugged(result: RunResult, _value: float) -> Iterator[Found]:
    at = 0
    for t_s, link_v in zip(result.traces["t_s"], result.traces["link_v"]):
        while at + 1 < len(result.changes) and result.changes[at + 1].t_s <= t_s:
            at += 1
        if link_v > HIGH_VOLTAGE_V and result.changes and result.changes[at].bits & PLUGGED:
            yield t_s, "link at %.0f V" % link_v


def _no_precharge(result: RunResult, _value: float) -> Iterator[Found]:
    for s in result.switchings:
        if s.closed and s.link_v < 0.9 * s.string_v:
            yield s.t_s, "main closed onto %.0f V with the string at %.0f V" % (s.link_v, s.string_v)


def _broke(result: RunResult, value: float) -> Iterator[Found]:
    for s in result.switchings:
        if not s.closed and abs(s.i_a) > value:
            yield s.t_s, "main broke %.0f A" % s.i_a


def _lost(result: RunResult, _value: float) -> Iterator[Found]:
    if result.counters.get("lost", 0):
        yield result.simulated_s, "%d lines lost" % result.counters["lost"]


class Happening(NamedTuple):
    """`value`: its unit when an expectation must give one, else empty."""

    about: str
    value: str
    find: Callable[[RunResult, float], Iterator[Found]]


HAPPENINGS: Dict[str, Happening] = {
    "reversal": Happening("a module's voltage is below 0 in the plant", "",
                          _trace("low_v", lambda x, _: x < 0, "a module at %.2f V")),
    "module_below_mv": Happening("a module's voltage is below `value` in the plant", "mV",
                                 _trace("low_v", lambda x, v: x * 1000 < v, "a module at %.2f V")),
    "module_above_mv": Happening("a module's voltage is above `value` in the plant", "mV",
                                 _trace("high_v", lambda x, v: x * 1000 > v, "a module at %.2f V")),
    "current_above_a": Happening("the string current passes `value`, either way", "A",
                                 _trace("peak_a", lambda x, v: x > v, "%.0f A")),
    "hotter_than_c": Happening("a box is hotter than `value` in the plant", "degC",
                               _trace("hot_c", lambda x, v: x > v, "a box at %.1f degC")),
    "derate": Happening("the relay asks for less than full power in drive or charge", "",
                        _trace("derated", lambda x, _: x > 0, "limit %.0f permille down")),
    "trip": Happening("any stage that trips operates", "",
                      _event(lambda line: bool(int(line.fields["act"], 16) & TRIP_ACTIONS))),
    "alarm": Happening("any stage of any element operates", "", _event(lambda _line: True)),
    "lockout": Happening("the relay enters lockout", "", _lockout),
    "drive": Happening("the relay enters drive", "", _drive),
    "main_closed": Happening("the main contactor is commanded or really closed", "",
                             _bits(lambda b: bool(b & (MAIN | MAIN_IS_CLOSED)), "main")),
    "main_commanded": Happening("the main contactor is commanded", "",
                                _bits(lambda b: bool(b & MAIN), "main")),
    "main_really_closed": Happening("the main contactor's contact is closed in the plant", "",
                                    _bits(lambda b: bool(b & MAIN_IS_CLOSED), "main really closed")),
    "precharge_commanded": Happening("the precharge contactor is commanded", "",
                                     _bits(lambda b: bool(b & PRE), "precharge")),
    "enable_on": Happening("the motor controller is enabled", "",
                           _bits(lambda b: bool(b & ENABLE), "enable")),
    "charger_on": Happening("the charger is enabled", "", _bits(lambda b: bool(b & CHARGER), "charger")),
    "main_while_plugged": Happening("main or precharge is commanded while a plug is in", "",
                                    _bits(lambda b: bool(b & PLUGGED and b & (MAIN | PRE)),
                                          "main with the plug in")),
    "charger_while_main": Happening("the charger is enabled with main commanded or really closed", "",
                                    _bits(lambda b: bool(b & CHARGER and b & (MAIN | MAIN_IS_CLOSED)),
                                          "charger with main")),
    "live_while_plugged": Happening("the link is above 60 V while a plug is in", "", _live_plugged),
    "main_without_precharge": Happening("main really closes with the link below 90 % of the string", "",
                                        _no_precharge),
    "broke_above_a": Happening("main really breaks more than `value`", "A", _broke),
    "lost_lines": Happening("the relay dropped lines that no one read", "", _lost),
}  # fmt: skip

VALUED = {name: row.value for name, row in HAPPENINGS.items() if row.value}


def find(result: RunResult, what: str, value: float, from_s: float, until_s: float) -> Optional[Found]:
    """The first time within the window that `what` happens, or is already so at its start."""
    row = HAPPENINGS[what]
    test = getattr(row.find, "spans", None)
    if test is not None and test(result.bits_at(from_s)):
        return from_s, next(row.find(result, value))[1]
    for t_s, text in row.find(result, value):
        if from_s <= t_s <= until_s:
            return t_s, text
    return None


# -- figures ------------------------------------------------------------------------------------------------


class Figure(NamedTuple):
    unit: str
    about: str
    source: str  # hazard, counter or soc


FIGURES: Dict[str, Figure] = {
    "charge_state_min": Figure("of full", "lowest charge state of any module at the end", "hazard"),
    "charge_state_max": Figure("of full", "highest charge state of any module at the end", "hazard"),
    "worst_module_v": Figure("V", "lowest voltage any module reached", "hazard"),
    "highest_module_v": Figure("V", "highest voltage any module reached", "hazard"),
    "reversal_as": Figure("A s", "charge driven through a reversed module, the worst", "hazard"),
    "peak_current_a": Figure("A", "largest string current, either way", "hazard"),
    "break_current_a": Figure("A", "largest current the main contactor really broke", "hazard"),
    "make_gap_v": Figure("V", "largest voltage the main contactor really closed across", "hazard"),
    "live_while_plugged_s": Figure("s", "time with the link above 60 V and a plug in", "hazard"),
    "precharge_resistor_j": Figure("J", "most energy put into the precharge resistor in one minute",
                                   "hazard"),
    "hottest_c": Figure("degC", "hottest any box became", "hazard"),
    "distance_km": Figure("km", "driven", "hazard"),
    "main_closings": Figure("count", "times the main contactor really closed", "hazard"),
    "main_closed_s": Figure("s", "time the main contactor was really closed", "hazard"),
    "charger_ah": Figure("Ah", "put into the string in all", "hazard"),
    "late_scans": Figure("count", "late scans, by the relay's own count", "late"),
    "lines_lost": Figure("count", "lines dropped, by the relay's own count", "lost"),
    "lines_refused": Figure("count", "received lines refused, by the relay's own count", "bad"),
    "trips": Figure("count", "trips journalled, by the relay's own count", "trips"),
    "closings_counted": Figure("count", "main closings, by the relay's own count", "ops"),
}  # fmt: skip


def figure(result: RunResult, name: str) -> float:
    """A figure by name; nan when the run did not give it (the relay never said)."""
    row = FIGURES[name]
    if row.source == "hazard":
        return result.hazards.get(name, float("nan"))
    return float(result.counters.get(row.source, float("nan")))


# -- judging ------------------------------------------------------------------------------------------------


def judge(result: RunResult) -> List[Verdict]:
    """Every expectation of the scenario, and that every fault was really injected and every line decoded."""
    out = [_injected(result, n) for n in range(len(result.faults))]
    for expect in result.scenario.expects:
        out.append(_CLAUSES[expect.clause](result, expect))
    if result.spoilt:
        out.append(Verdict("every line of the relay decodes", False, "%d lines do not" % result.spoilt))
    return out


def safe_s(result: RunResult, from_s: float) -> Optional[float]:
    """First time from `from_s` on at which every power output is off and stays off for SAFE_HOLD_S."""
    since = from_s if not result.bits_at(from_s) & POWER else None
    for change in _after(result.changes, from_s):
        if change.bits & POWER:
            if since is not None and change.t_s - since >= SAFE_HOLD_S:
                return since
            since = None
        elif since is None:
            since = change.t_s
    return since


def _after(changes: List[Change], from_s: float) -> Iterator[Change]:
    return (c for c in changes if c.t_s > from_s)


def _injected(result: RunResult, n: int) -> Verdict:
    fault = result.faults[n]
    place = "" if fault.place < 0 else " at %d" % (fault.place + 1)
    text = "fault %d, %s%s, is injected" % (n + 1, fault.kind, place)
    if fault.start_s is None:
        return Verdict(text, False, "its moment never came")
    return Verdict(text, True, "at %.2f s" % fault.start_s)


def _origin(result: RunResult, expect: "Expect") -> Tuple[Optional[float], str]:
    """(time that times count from, its name); (None, why) when that moment never came."""
    if expect.fault is not None:
        return result.faults[expect.fault].start_s, "fault %d" % (expect.fault + 1)
    if expect.input is not None:
        return result.inputs[expect.input], "input %d" % (expect.input + 1)
    return expect.from_s or 0.0, ""


def _operated(result: RunResult, expect: "Expect") -> Verdict:
    """trip and alarm."""
    number, _, stage = expect.what.partition("/")
    trips = expect.clause == "trip"
    place = "" if expect.ix is None else " at %d" % expect.ix
    text = "%s %s%s" % (expect.clause, expect.what, place)
    start_s, origin = _origin(result, expect)
    if start_s is None:
        return Verdict(text, False, "%s never came" % origin)
    event = None
    for line in result.events:
        f = line.fields
        if line.kind != "event" or f["on"] != "1" or line.t_s < start_s or f["el"] != number:
            continue
        if stage and f["stage"] != stage or expect.ix is not None and f["ix"] != str(expect.ix):
            continue
        if bool(int(f["act"], 16) & TRIP_ACTIONS) == trips:
            event = line
            break
    budget = expect.within_ms
    if budget is None and origin and event is not None:
        # Not where the condition comes long after the fault and which stage answers depends on how it comes.
        if stage or number not in NOT_AT_ONCE:
            budget = budget_ms(number, event.fields["stage"], result.scenario.values)
    if budget is not None:
        text += " within %d ms of %s" % (budget, origin)
    if expect.before:
        text += " before %s" % expect.before
    if expect.by_s is not None:
        text += " by %g s" % expect.by_s
    if event is None:
        return Verdict(text, False, "it did not", budget)
    done_s = event.t_s
    seen = "%s/%s at %s, x = %s, %.2f s" % (
        number, event.fields["stage"], event.fields["ix"], event.fields["x"], event.t_s)  # fmt: skip
    if trips:
        off_s = safe_s(result, start_s)
        if off_s is None:
            return Verdict(text, False, seen + "; outputs did not stay off", budget)
        if result.bits_at(start_s) & POWER:
            done_s = off_s
            seen += "; outputs off at %.2f s" % off_s
        seen += _opening(result, start_s)
    took = int(round((done_s - start_s) * 1000)) if origin else None
    held = budget is None or took is None or took <= budget
    if expect.by_s is not None and done_s > expect.by_s:
        held = False
    if expect.before:
        other = find(result, expect.before, expect.value or 0.0, 0.0, float("inf"))
        if other is not None and other[0] < event.t_s:
            held = False
            seen += "; %s came first, at %.2f s" % (expect.before, other[0])
    return Verdict(text, held, seen, budget, took)


def _opening(result: RunResult, start_s: float) -> str:
    if not result.bits_at(start_s) & MAIN_IS_CLOSED:
        return ""
    for s in result.switchings:
        if not s.closed and s.t_s >= start_s:
            return "; main really opened at %.2f s, breaking %.0f A" % (s.t_s, s.i_a)
    return "; main never really opened"


def _safe(result: RunResult, expect: "Expect") -> Verdict:
    start_s, origin = _origin(result, expect)
    text = "every power output off within %s ms of %s" % (expect.within_ms, origin)
    if start_s is None:
        return Verdict(text, False, "%s never came" % origin, expect.within_ms)
    off_s = safe_s(result, start_s)
    if off_s is None:
        return Verdict(text, False, "they did not stay off", expect.within_ms)
    took = int(round((off_s - start_s) * 1000))
    if not result.bits_at(start_s) & POWER:
        seen = "all were off already"
    else:
        seen = "off at %.2f s" % off_s
    return Verdict(
        text, took <= (expect.within_ms or 0), seen + _opening(result, start_s), expect.within_ms, took
    )


def _never(result: RunResult, expect: "Expect") -> Verdict:
    start_s, origin = _origin(result, expect)
    happens = expect.clause == "happens"
    unit = VALUED.get(expect.what)
    text = "%s %s" % (expect.what, "happens" if happens else "never happens")
    text += " (%g %s)" % (expect.value, unit) if unit and expect.value is not None else ""
    if origin:
        text += " after " + origin
    elif expect.from_s is not None:
        text += " from %g s" % expect.from_s
    until_s = expect.until_s if expect.until_s is not None else expect.by_s
    if until_s is not None:
        text += " to %g s" % until_s
    if start_s is None:
        return Verdict(text, False, "%s never came" % origin)
    found = find(
        result, expect.what, expect.value or 0.0, start_s, float("inf") if until_s is None else until_s
    )
    if found is None:
        return Verdict(text, not happens, "it did not happen")
    took = int(round((found[0] - start_s) * 1000)) if origin else None
    held = happens and (expect.within_ms is None or took is None or took <= expect.within_ms)
    return Verdict(text, held, "%s at %.2f s" % (found[1], found[0]), expect.within_ms, took)


def _mode(result: RunResult, expect: "Expect") -> Verdict:
    if expect.by_s is not None:
        text = "mode %s by %g s" % (expect.what, expect.by_s)
        seen = [c for c in result.events if c.kind == "change" and c.fields["to"] == expect.what]
        seen = [c for c in seen if (expect.from_s or 0.0) <= c.t_s <= (expect.by_s or 0.0)]
        return Verdict(text, bool(seen), "at %.2f s" % seen[0].t_s if seen else "it was not")
    at_s = result.simulated_s if expect.at_s is None else expect.at_s
    text = "mode %s %s" % (expect.what, "at the end" if expect.at_s is None else "at %g s" % at_s)
    mode = result.mode_at(at_s)
    return Verdict(text, mode == expect.what, mode)


def _line(result: RunResult, expect: "Expect") -> Verdict:
    kind, *wanted = expect.what.split(" ")
    pairs = [tuple(w.split("=", 1)) for w in wanted]
    most = expect.at_most
    bound = "at least %d" % expect.count if most is None else "at most %g" % most
    text = '%s line(s) "%s"' % (bound, expect.what)
    n = 0
    for line in decode(result.lines, (kind,), result.clock, result.arrivals):
        if line is None or line.t_s < (expect.from_s or 0.0):
            continue
        if all(line.fields.get(name) == value for name, value in pairs):
            n += 1
    return Verdict(text, n >= expect.count if most is None else n <= most, "%d" % n)


def _figure(result: RunResult, expect: "Expect") -> Verdict:
    row = FIGURES[expect.what]
    x = figure(result, expect.what)
    bounds = []
    if expect.at_least is not None:
        bounds.append("at least %g" % expect.at_least)
    if expect.at_most is not None:
        bounds.append("at most %g" % expect.at_most)
    text = "%s %s %s" % (expect.what, " and ".join(bounds), row.unit)
    # nan compares false both ways, so a figure that was never measured never holds.
    held = (expect.at_least is None or x >= expect.at_least) and (
        expect.at_most is None or x <= expect.at_most
    )
    return Verdict(text, held, "%.4g %s" % (x, row.unit))


_CLAUSES: Dict[str, Callable[[RunResult, "Expect"], Verdict]] = {
    "trip": _operated,
    "alarm": _operated,
    "safe": _safe,
    "never": _never,
    "happens": _never,
    "mode": _mode,
    "line": _line,
    "figure": _figure,
}
