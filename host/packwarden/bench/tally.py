"""The account of a run: trace rows, what the main contactor made and broke, and how near each hazard came."""

from __future__ import annotations

from array import array
from typing import Dict, List, Sequence

from packwarden.bench.result import Line, RunResult, Switching, column
from packwarden.bench.world import World

LIVE_V = 60.0
MODES = ("boot", "rest", "precharge", "drive", "shed", "charge", "lockout")  # numbers of the `mode` column
POWERED_MODES = ("drive", "charge")


class Tally:
    """Fed by the runner's loop; `finish` puts it all into the result."""

    def __init__(self, world: World, result: RunResult) -> None:
        self.world = world
        self.result = result
        self.n = len(world.plant.module_v)
        self.boxes = len(world.plant.box_temp_c)
        self.names = ["t_s", "i_a", "string_v", "link_v", "aux_v", "speed_kmh", "out_bits", "limit", "low_v",
                      "high_v",                      "peak_a", "hot_c"]  # fmt: skip
        self.names += ["module_v.%d" % k for k in range(self.n)]
        self.names += ["soc.%d" % k for k in range(self.n)]
        self.names += ["temp_c.%d" % b for b in range(self.boxes)]
        self.flat: "array[float]" = array("d")
        self.reversal_as = [0.0] * self.n
        self.live_s = self.closed_s = self.charged_as = self.resistor_j = 0.0

    def row(self, t_s: float, low_v: float, high_v: float, peak_a: float, out_bits: int, limit: int) -> None:
        """One trace row.  low_v, high_v, peak_a: extremes since the row before."""
        plant, driver = self.world.plant, self.world.driver
        string = plant.string
        temps = plant.box_temp_c
        self.flat.extend(
            (t_s, plant.i_a, plant.string_v, plant.link_v, plant.aux_v, driver.speed_mps * 3.6, out_bits,
             limit, low_v, high_v, peak_a, max(temps))
        )  # fmt: skip
        self.flat.extend(plant.module_v)
        self.flat.extend([string.charge_state(k) for k in range(self.n)])
        self.flat.extend(temps)
        if plant.bus.precharge_j > self.resistor_j:
            self.resistor_j = plant.bus.precharge_j

    def reversed(self, volts: Sequence[float], charge_as: float) -> None:
        """Charge that went through modules while they were below zero."""
        for k in range(self.n):
            if volts[k] < 0.0:
                self.reversal_as[k] += charge_as

    def span(self, dt_s: float, closed: bool, plugged: bool) -> None:
        """An interval with the main contactor closed or a plug in."""
        plant = self.world.plant
        if closed:
            self.closed_s += dt_s
        if plugged:
            if plant.link_v > LIVE_V:
                self.live_s += dt_s
            if plant.i_a < 0.0:
                self.charged_as -= plant.i_a * dt_s

    def switched(self, t_s: float, closed: bool, i_a: float, link_v: float) -> None:
        """Main's power contact really made or broke."""
        self.result.switchings.append(Switching(t_s, closed, i_a, link_v, self.world.plant.string_v))

    def finish(self) -> None:
        """Columns and hazards into the result, whose events are decoded by now."""
        result, width = self.result, len(self.names)
        traces = {name: column(self.flat, at, width) for at, name in enumerate(self.names)}
        traces["mode"] = mode_column(
            traces["t_s"], [e for e in result.events if e.kind in ("change", "ident")]
        )
        powered = [MODES.index(m) for m in POWERED_MODES]
        traces["derated"] = array(
            "d", [1000.0 - lim if m in powered else 0.0 for lim, m in zip(traces["limit"], traces["mode"])]
        )
        result.traces = traces
        result.hazards = self._hazards(traces)

    def _hazards(self, traces: "Dict[str, array[float]]") -> Dict[str, float]:
        made = [s for s in self.result.switchings if s.closed]
        broke = [s for s in self.result.switchings if not s.closed]
        ends = [traces["soc.%d" % k][-1] for k in range(self.n)]
        return {
            "charge_state_min": min(ends),
            "charge_state_max": max(ends),
            "worst_module_v": min(traces["low_v"]),
            "highest_module_v": max(traces["high_v"]),
            "reversal_as": max(self.reversal_as),
            "peak_current_a": max(traces["peak_a"]),
            "break_current_a": max([abs(s.i_a) for s in broke], default=0.0),
            "make_gap_v": max([abs(s.string_v - s.link_v) for s in made], default=0.0),
            "live_while_plugged_s": self.live_s,
            "precharge_resistor_j": self.resistor_j,
            "hottest_c": max(traces["hot_c"]),
            "distance_km": self.world.driver.distance_m / 1000.0,
            "main_closings": float(len(made)),
            "main_closed_s": self.closed_s,
            "charger_ah": self.charged_as / 3600.0,
        }


def mode_column(t_s: "array[float]", lines: List[Line]) -> "array[float]":
    """The relay's mode as a number (a place in MODES) at each time, from its change and identity lines."""
    out: "array[float]" = array("d")
    at = 0
    mode = 0
    for t in t_s:
        while at < len(lines) and lines[at].t_s <= t:
            line = lines[at]
            if line.kind == "change":
                mode = MODES.index(line.fields["to"])
            elif line.seq == 0:
                mode = 0  # power-up
            at += 1
        out.append(mode)
    return out
