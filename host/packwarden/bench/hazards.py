"""What counts as a hazard in the campaign: one table of quantities measured in the plant, each with its limit.

Everything here is about what happened, never about what the relay believed.  Each quantity is taken from the
fault on and held against the healthy run of the same course, so that what the course itself does never counts.
"""

from __future__ import annotations

from typing import Any, Callable, Dict, List, Mapping, NamedTuple, Sequence, Tuple

from packwarden.bench.courses import heaviest_w
from packwarden.bench.result import MAIN_IS_CLOSED, PLUGGED, RunResult
from packwarden.bench.verdict import ENABLE, MAIN
from packwarden.plant.spec import PackSpec
from warden import settings

CHARGING_A = 0.5  # less than this into the string is no charging
EXCESS_W = 5000.0  # drawn beyond what the course ever asks for


class Hazard(NamedTuple):
    """`limit` takes the pack and its settings; `measure` takes what View gathers."""

    name: str
    unit: str
    about: str
    limit: Callable[[PackSpec, Callable[[str], int]], float]
    why: str
    measure: Callable[["View"], float]


class View:
    """A run from one moment on, row by row: (length s, bits of outputs and plant, true key, trace row)."""

    def __init__(self, result: RunResult, from_s: float, faults: Sequence[Mapping[str, Any]]) -> None:
        self.result = result
        self.from_s = from_s
        # What the traces do not hold, but the faults themselves say.
        leaks = [f["size"] * 1000.0 for f in faults if f["kind"].startswith("leak_")]
        self.leak_ohm: float = min(leaks, default=float("inf"))
        self.joint_ohm: float = sum(f["size"] / 1000.0 for f in faults if f["kind"] == "joint_resistance")
        self.spec = result.scenario.spec
        self.setting = setting_of(result.scenario.values)
        self.traces = result.traces
        times = result.traces["t_s"]
        self.rows: List[Tuple[float, int, int]] = []  # length s, bits, row
        at = 0
        before = 0.0
        for row, t_s in enumerate(times):
            while at + 1 < len(result.changes) and result.changes[at + 1].t_s <= t_s:
                at += 1
            if t_s > from_s:
                bits = result.changes[at].bits if result.changes else 0
                self.rows.append((t_s - max(before, from_s), bits, row))
            before = t_s

    def seconds(self, test: Callable[[int, int], bool]) -> float:
        """How long `test` of bits and row was true, s."""
        return sum(dt_s for dt_s, bits, row in self.rows if test(bits, row))

    def held_s(self, must: int, mustnt: int = 0, phases: Callable[[Any], bool] = lambda _p: True) -> float:
        """How long these bits were so in phases that pass a test, to the scan, s."""
        total = 0.0
        changes = self.result.changes
        for n, change in enumerate(changes):
            if change.bits & must != must or change.bits & mustnt:
                continue
            end_s = changes[n + 1].t_s if n + 1 < len(changes) else self.result.simulated_s
            for phase in self.result.scenario.phases:
                if phases(phase):
                    start_s = max(change.t_s, phase.start_s, self.from_s)
                    total += max(0.0, min(end_s, phase.end_s) - start_s)
        return total


def setting_of(values: Any) -> Callable[[str], int]:
    """A setting by name."""
    return lambda name: int(values[settings.BASE[name]])


# -- measures ------------------------------------------------------------------------------------------------


def _below_floor(v: View) -> float:
    floor_v = v.setting("v27_floor_mv") / 1000.0 - 0.3
    low, i_a = v.traces["low_v"], v.traces["i_a"]
    return v.seconds(lambda _b, row: low[row] < floor_v and i_a[row] > 5.0)


def _above_high(v: View) -> float:
    high_v = v.setting("v59_high_mv") / 1000.0 + 0.3
    high = v.traces["high_v"]
    return v.seconds(lambda _b, row: high[row] > high_v)


def _charged(v: View, test: Callable[[int], bool]) -> float:
    """Charge put in while a row passes a test, A s."""
    i_a = v.traces["i_a"]
    return sum(-i_a[row] * dt_s for dt_s, _bits, row in v.rows if i_a[row] < -CHARGING_A and test(row))


def _overcharge(v: View) -> float:
    high, hot = v.traces["high_v"], v.traces["hot_c"]
    pickup, slope = v.setting("v59_pickup_mv"), v.setting("v59_tempco_mv")
    return _charged(v, lambda row: high[row] * 1000.0 > pickup + slope * (hot[row] - 25.0))


def _cold(v: View) -> float:
    cold_c = v.setting("t49_cold_dc") / 10.0 - 2.0
    boxes = [v.traces["temp_c.%d" % b] for b in range(len(v.spec.boxes))]
    return _charged(v, lambda row: any(box[row] < cold_c for box in boxes))


def _hot(v: View) -> float:
    hot_c, hot = v.setting("t49_trip_dc") / 10.0 + 2.0, v.traces["hot_c"]
    i_a = v.traces["i_a"]
    return v.seconds(lambda _b, row: hot[row] > hot_c and abs(i_a[row]) > 5.0)


def _over_inst(v: View) -> float:
    most_a, peak = v.setting("i76_inst_ma") / 1000.0, v.traces["peak_a"]
    return v.seconds(lambda _b, row: peak[row] > most_a)


def _overload(v: View) -> float:
    cont_a, i_a = float(v.setting("i76_cont_a")), v.traces["i_a"]
    return sum((i_a[row] ** 2 - cont_a**2) * dt_s for dt_s, _b, row in v.rows if abs(i_a[row]) > cont_a)


def _joint(v: View) -> float:
    i_a = v.traces["i_a"]
    return v.joint_ohm * float(sum(i_a[row] ** 2 * dt_s for dt_s, _b, row in v.rows))


def _excess(v: View) -> float:
    most_w = heaviest_w(v.spec.boat is not None) + EXCESS_W
    i_a, volts = v.traces["i_a"], v.traces["string_v"]
    return v.seconds(lambda bits, row: bool(bits & MAIN_IS_CLOSED) and i_a[row] * volts[row] > most_w)


def _broke(v: View) -> float:
    broke = [abs(s.i_a) for s in v.result.switchings if not s.closed and s.t_s >= v.from_s]
    return max(broke, default=0.0)


def _gap(v: View) -> float:
    # A contactor that welds in the model closes as it does; one that is told to is what counts here.
    made = [s for s in v.result.switchings if s.closed and s.t_s >= v.from_s]
    made = [s for s in made if v.result.bits_at(s.t_s - 0.001) & MAIN]
    return max([abs(s.string_v - s.link_v) for s in made], default=0.0)


def _charge_behind_main(v: View) -> float:
    i_a = v.traces["i_a"]
    both = MAIN_IS_CLOSED | PLUGGED
    return v.seconds(lambda bits, row: bits & both == both and i_a[row] < -CHARGING_A)


def _leaking(v: View) -> float:
    volts, i_a, least = v.traces["string_v"], v.traces["i_a"], v.setting("iso_trip_ohmv")
    if v.leak_ohm == float("inf"):
        return 0.0
    return v.seconds(
        lambda bits, row: bool(bits & PLUGGED) and i_a[row] < -CHARGING_A and v.leak_ohm < 0.8 * least * volts[row]
    )


HAZARDS: Tuple[Hazard, ...] = (
    Hazard("reversal_as", "A s", "charge driven backwards through a module below 0 V",
           lambda spec, s: 0.6 * spec.bus.controller_a,
           "the controller's limit for the 500 ms that 27 floor has, and a fifth more; common practice, no source",
           lambda v: v.result.hazards["reversal_as"]),
    Hazard("below_floor_s", "s", "a module driven 0.3 V and more below 27's floor, more than 5 A flowing",
           lambda spec, s: 1.0, "twice the 500 ms that 27 floor has; our own choice", _below_floor),
    Hazard("above_high_s", "s", "a module 0.3 V and more above 59's high stage",
           lambda spec, s: 2.0, "59 high has 400 ms and a round of samples, four times that; our own choice",
           _above_high),
    Hazard("overcharge_as", "A s", "charge put in with a module above 59's pickup at its temperature",
           lambda spec, s: 36.0 * spec.module.capacity_ah,
           "1 % of the capacity beyond full; common practice, no source", _overcharge),
    Hazard("cold_charge_as", "A s", "charge put in with a box 2 degC and more below 49's cold limit",
           lambda spec, s: 20.0 * spec.charger.current_a,
           "the charger's current for 20 s, four times what 49 has; for LFP, plating of lithium is the harm; no source",
           _cold),
    Hazard("hot_s", "s", "more than 5 A with a box 2 degC and more above 49's trip",
           lambda spec, s: 10.0, "twice the 5 000 ms that 49 has; our own choice", _hot),
    Hazard("over_inst_s", "s", "current above 76's instantaneous stage",
           lambda spec, s: 0.3, "ten times the 30 ms that it has; in rows of 100 ms", _over_inst),
    Hazard("overload_a2s", "A2s", "I2t above the current that the weakest part carries without end",
           lambda spec, s: 1.5 * s("i76_a2s"), "76's own I2t setting and half as much again; our own choice",
           _overload),
    Hazard("joint_j", "J", "heat in a bad joint",
           lambda spec, s: 10000.0, "melts some 150 g of lead, about a terminal post (from memory: 64 J/g from 25 degC "
           "to melted); what flows off meanwhile is not counted", _joint),
    Hazard("excess_s", "s", "5 kW and more drawn beyond anything that the driver asks for",
           lambda spec, s: 2.0, "a vehicle that pulls by itself; the time in which a person lets go and presses "
           "stop; no source", _excess),
    Hazard("break_a", "A", "current that the main contactor really broke",
           lambda spec, s: 1.5 * spec.bus.fuse_a,
           "half as much again as the fuse carries: beyond it the fuse should break, not the contactor; common "
           "practice, no source", _broke),
    Hazard("make_gap_v", "V", "voltage that the main contactor was told to close across, and did",
           lambda spec, s: 0.2 * spec.n_modules * s("module_nominal_mv") / 1000.0,
           "a twenty-fifth of the energy of closing onto an empty link, which is what welds; our own choice",
           _gap),
    Hazard("resistor_j", "J", "energy in the precharge resistor in one minute",
           lambda spec, s: 1.2 * (spec.n_modules * s("module_nominal_mv") / 1000.0) ** 2 * s("pre_slow_ms") / 1000.0
           / spec.bus.precharge_ohm,
           "full voltage across it for the whole of 48 slow, and a fifth more: a resistor must be chosen to stand "
           "that, as a link may be shorted; our own choice", lambda v: v.result.hazards["precharge_resistor_j"]),
    Hazard("drive_plugged_s", "s", "controller enabled and main really closed with a plug in",
           lambda spec, s: 0.5, "five times the 100 ms that 69 plug has: it could pull away on its cable",
           lambda v: v.held_s(ENABLE | MAIN_IS_CLOSED | PLUGGED)),
    Hazard("charge_behind_main_s", "s", "charging with the main contactor really closed",
           lambda spec, s: 2.0, "the two doors both open: twice what 72 has to see it", _charge_behind_main),
    Hazard("charge_leaking_s", "s", "charging with a leak a fifth and more beyond 64's trip",
           lambda spec, s: 15.0, "64 measures in rounds of some seconds; whoever touches the vehicle stands on the "
           "ground; the limit of 100 ohm/V is UN R100's (from memory), the time our own choice", _leaking),
    Hazard("key_off_s", "s", "controller enabled and main really closed with the key off",
           lambda spec, s: 1.0, "off means off; our own choice",
           lambda v: v.held_s(ENABLE | MAIN_IS_CLOSED, 0, lambda p: not p.key)),
    Hazard("unstarted_s", "s", "main commanded with the key on, though nobody held start",
           lambda spec, s: 0.2, "nothing may begin by itself; our own choice",
           lambda v: v.held_s(MAIN, 0, lambda p: p.do == "idle")),
)  # fmt: skip

BY_NAME = {row.name: row for row in HAZARDS}

# What the relay's program can't solve alone: kind of fault -> (quantities that may pass their limit, what the
# builder must do).  Every other hazard in a campaign is one that has no answer yet.
HARDWARE: Dict[str, Tuple[Tuple[str, ...], str]] = {
    "plug_unseen": (("drive_plugged_s",), "a second contact of the plug inlet that breaks the supply of main's coil"),
    "key_stuck": (("key_off_s", "unstarted_s"), "a second pole of the key that breaks the supply of main's coil"),
    "controller_runaway": (
        ("excess_s", "break_a", "over_inst_s"),
        "a stop button in reach that breaks the supply of main's coil; a pedal with two tracks that the controller "
        "compares; a main contactor that can break the controller's fault current once, or a faster fuse",
    ),
    "controller_shorted": (("break_a", "over_inst_s"), "a fuse that clears a short before the contactor opens on it"),
    "main_chatter": (
        ("make_gap_v",), "a stiff supply of the coil, and a coil driver that opens for good when it has sagged"),
    "main_slow_pull_in": (
        ("make_gap_v",), "k72_close_ms at no more than four times the pull-in time of the contactor that is fitted"),
    "charger_relay_welded": (
        ("charge_leaking_s", "overcharge_as", "above_high_s", "cold_charge_as", "hot_s"),
        "a second way to stop the charger: its own enable wired through the relay's output, or two contactors",
    ),
    "charger_ignores_enable": (
        ("charge_leaking_s", "overcharge_as", "above_high_s", "cold_charge_as", "hot_s"),
        "the charger's wall side through a contactor that the relay drops, too",
    ),
    "joint_resistance": (
        ("joint_j",), "posts tightened to their maker's figure and felt or filmed for heat after the first drives"),
    "precharge_welded": (("resistor_j",), "a thermal cut-out on the precharge resistor"),
}


def answers(faults: Sequence[Mapping[str, Any]], passed: Sequence[str]) -> List[str]:
    """What hardware must do about these faults; empty when some quantity that passed has no answer."""
    found = []
    for name in passed:
        here = [HARDWARE[f["kind"]][1] for f in faults if f["kind"] in HARDWARE and name in HARDWARE[f["kind"]][0]]
        if not here:
            return []
        found += here
    return list(dict.fromkeys(found))


def measure(result: RunResult, from_s: float, faults: Sequence[Mapping[str, Any]] = ()) -> Dict[str, float]:
    """Every quantity of the table from a moment on; `faults`: those of the cell."""
    view = View(result, from_s, faults)
    return {row.name: round(row.measure(view), 3) for row in HAZARDS}


def limits(spec: PackSpec, values: Any) -> Dict[str, float]:
    """The limit of every quantity for a pack with its settings."""
    setting = setting_of(values)
    return {row.name: round(row.limit(spec, setting), 3) for row in HAZARDS}
