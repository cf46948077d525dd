"""The bus: precharge, link capacitor, main contactor, fuse, motor controller, DC-DC and aux supply.

Discharge current positive.  With the main contactor open the link is a capacitor fed through the precharge
resistor and drained by the bleed and the controller: each step takes the exact exponential of that circuit.
With it closed the link is the pack's terminal voltage and controller and DC-DC draw their power from it.
The DC-DC feeds the aux supply whenever the main contactor is closed.

Knobs: contactors `main`, `precharge`, `charger_relay` (see contactor.py); `precharge_scale` (resistor against
nominal; a large number is open, a small one shorted), `link_short_ohm` (inf: none), `link_scale` (capacitor
against nominal), `bleed_scale` (a large number is open), `fuse_blown`, `controller_ignores_enable`,
`controller_ignores_limit`, `runaway_w` (power drawn unasked; negative: regeneration that nobody asked for),
`controller_short` (the controller's bridge shorts the link), `dcdc_dead`, `aux_ohm_scale`, `aux_extra_a`,
`aux_charge_state`.
Readings: `link_v`, `power_w` (what the controller takes from the link), `dcdc_w`, `precharge_j` (heat in the
precharge resistor since it was last cold), `fuse_a2s`, `aux_v`, `main.break_current_a`, `main.inrush_a`.
"""

from __future__ import annotations

import math
from typing import Tuple

from packwarden.plant.contactor import Contactor
from packwarden.plant.spec import BusSpec

OUT_MAIN, OUT_PRECHARGE, OUT_CHARGER, OUT_ENABLE, OUT_FAN = 1, 2, 4, 8, 16
COIL_A = {OUT_MAIN: 1.2, OUT_PRECHARGE: 0.4, OUT_CHARGER: 0.5, OUT_FAN: 1.5}  # holding; estimates, no source
INRUSH_FACTOR, INRUSH_S = 3.0, 0.08  # of a coil just switched on; estimates
SHORT_OHM = 0.005
SUPPLY_A = 40.0  # the most the DC-DC, or the charger's own 12 V output, gives; estimate
AUX_ACCEPT_OHM = 0.03  # a 12 V battery takes up charge through this, over what is left to fill; estimate
FOLD_V = 10.0  # the controller folds back over this much link voltage
POSSIBLE = 0.22  # the controller asks for less than this times E*E/R; the most there is, is a quarter
RESISTOR_COOLS_S = 60.0  # estimate


class Bus:
    """Everything between the string's ends and the motor, and the 12 V side."""

    def __init__(self, spec: BusSpec) -> None:
        self.spec = spec
        self.main = Contactor(spec.main_pull_in_s, spec.main_release_s)
        self.precharge = Contactor(0.012, 0.008)
        self.charger_relay = Contactor(0.02, 0.012)
        self.link_v = 0.0
        self.precharge_scale = 1.0
        self.link_short_ohm = float("inf")
        self.link_scale = 1.0
        self.bleed_scale = 1.0
        self.fuse_blown = False
        self.fuse_a2s = 0.0
        self.controller_ignores_enable = False
        self.controller_ignores_limit = False
        self.controller_short = False
        self.runaway_w = 0.0
        self.power_w = 0.0  # what the controller takes from the link now
        self.precharge_j = 0.0
        self.dcdc_w = 0.0
        self._main_was = False
        self._precharge_was = False
        self._current_a = 0.0
        self.dcdc_dead = False
        self.aux_ohm_scale = 1.0
        self.aux_extra_a = 0.0
        self.aux_charge_state = 0.95
        self.aux_v = 12.6
        self.coil_bits = 0
        self.coil_s = 1.0

    # -- the 12 V side ----------------------------------------------------------------------------------

    def step_aux(self, dt_s: float, bits: int, link_live: bool, charger_on: bool, key_load: bool) -> None:
        """Aux voltage with these outputs on; then the contactors move on it."""
        new = bits & ~self.coil_bits & 7
        self.coil_bits = bits
        self.coil_s = 0.0 if new else self.coil_s + dt_s
        load_a = 0.4 + self.aux_extra_a + (self.spec.aux_load_a if key_load else 0.0)
        if bits:
            factor = INRUSH_FACTOR if self.coil_s < INRUSH_S else 1.0
            for bit, amps in COIL_A.items():
                if bits & bit:
                    load_a += amps * factor
        ohm = self.spec.aux_ohm * self.aux_ohm_scale
        ocv = 11.6 + 1.15 * self.aux_charge_state
        v = ocv - load_a * ohm
        battery_a = load_a
        from_link = link_live and not self.dcdc_dead
        self.dcdc_w = 0.0
        if from_link or charger_on:
            # The DC-DC (or the charger's own 12 V output) holds its voltage as far as its current goes.
            accept_ohm = ohm + AUX_ACCEPT_OHM / (1.02 - self.aux_charge_state)
            supply_a = min(SUPPLY_A, load_a + (self.spec.dcdc_v - ocv) / accept_ohm)
            battery_a = load_a - supply_a
            v = ocv - battery_a * (accept_ohm if battery_a < 0.0 else ohm)
            if from_link and not charger_on:
                self.dcdc_w = v * supply_a / self.spec.dcdc_efficiency
        self.aux_v = v if v > 0.0 else 0.0
        state = self.aux_charge_state - battery_a * dt_s / (3600.0 * self.spec.aux_ah)
        self.aux_charge_state = 0.0 if state < 0.0 else 1.0 if state > 1.0 else state
        self.main.step(dt_s, bool(bits & OUT_MAIN), self.aux_v)
        self.precharge.step(dt_s, bool(bits & OUT_PRECHARGE), self.aux_v)
        self.charger_relay.step(dt_s, bool(bits & OUT_CHARGER), self.aux_v)

    # -- the link ---------------------------------------------------------------------------------------

    def controller(
        self, dt_s: float, demand_w: float, enable: bool, limit_permille: int, e_v: float, r_ohm: float
    ) -> None:
        """Move the controller's power towards what is asked, allowed and possible.  e_v, r_ohm: the pack."""
        spec, link_v = self.spec, self.link_v
        asked = demand_w if enable or self.controller_ignores_enable else 0.0
        allowed = 1.0 if self.controller_ignores_limit else limit_permille * 0.001
        # The power that is the limit's current once the pack has sagged under it; with main open, less link voltage.
        top_a = min(spec.controller_a * allowed, 0.45 * e_v / r_ohm)
        sagged_v = e_v - top_a * r_ohm
        top_w = top_a * (sagged_v if sagged_v < link_v else link_v)
        least_w = -spec.regen_a * link_v * allowed
        if asked > top_w:
            asked = top_w
        elif asked < least_w:
            asked = least_w
        if asked < 0.0 and link_v > spec.controller_high_v - FOLD_V:
            fold = (spec.controller_high_v - link_v) / FOLD_V
            asked *= fold if fold > 0.0 else 0.0
        asked += self.runaway_w
        if asked > 0.0:
            if link_v < spec.controller_low_v + FOLD_V:
                fold = (link_v - spec.controller_low_v) / FOLD_V
                asked *= fold if fold > 0.0 else 0.0
            # Folded back so that the link stays above two thirds of what the pack would give unloaded.
            most_w = POSSIBLE * e_v * e_v / r_ohm
            if asked > most_w:
                asked = most_w
        power = asked + (self.power_w - asked) * math.exp(-dt_s / spec.controller_s)
        self.power_w = 0.0 if -0.5 < power < 0.5 else power

    def step(self, dt_s: float, e_v: float, r_ohm: float) -> float:
        """Advance the link; returns the string current.  e_v, r_ohm: the pack as a source over this step."""
        spec = self.spec
        main, precharge = self.main.closed, self.precharge.closed
        if main != self._main_was:
            self._main_was = main
            if main:
                # The link is fed through the pack's own resistance from here on.
                self.main.made((e_v - self.link_v) / (r_ohm + spec.main_ohm) if not self.fuse_blown else 0.0)
            else:
                self.main.broke(self._current_a)
        if precharge != self._precharge_was:
            self._precharge_was = precharge
            if not precharge and not main:
                self.precharge.broke(self._current_a)
        if self.fuse_blown:
            current = self._free(dt_s, 0.0, float("inf"))
        elif main:
            current = self._closed(dt_s, e_v, r_ohm + spec.main_ohm)
        elif precharge:
            current = self._free(dt_s, e_v, spec.precharge_ohm * self.precharge_scale + r_ohm)
        else:
            current = self._free(dt_s, e_v, float("inf"))
        self._current_a = current
        return current

    def _drain(self) -> Tuple[float, float]:
        """Conductance across the link, and its standby power."""
        g = 1.0 / (self.spec.bleed_ohm * self.bleed_scale)
        if self.link_short_ohm != float("inf"):
            g += 1.0 / self.link_short_ohm
        if self.controller_short:
            g += 1.0 / SHORT_OHM
        return g, self.spec.standby_w if self.link_v > 20.0 else 0.0

    def _free(self, dt_s: float, e_v: float, feed_ohm: float) -> float:
        """Main open: the capacitor between its feed and its drains, exactly over the step."""
        g, standby_w = self._drain()
        if standby_w:
            g += standby_w / (self.link_v * self.link_v)  # as the resistance that draws it now
        feed_g = 0.0 if feed_ohm == float("inf") else 1.0 / feed_ohm
        whole = g + feed_g
        c = self.spec.link_f * self.link_scale
        if self.power_w:
            # The controller takes from the capacitor alone, or gives to it until its bridge shuts off.
            v2 = self.link_v * self.link_v - 2.0 * self.power_w * dt_s / c
            high_v = self.spec.controller_high_v
            if self.power_w < 0.0 and v2 > high_v * high_v:
                self.power_w, v2 = 0.0, max(self.link_v, high_v) ** 2
            elif v2 < 0.0:
                self.power_w = v2 = 0.0
            self.link_v = math.sqrt(v2)
        aim = e_v * feed_g / whole
        x = dt_s * whole / c
        decay = math.exp(-x) if x < 700.0 else 0.0
        off = self.link_v - aim
        self.link_v = aim + off * decay
        if not feed_g:
            if self.precharge_j > 0.0:
                self.precharge_j *= math.exp(-dt_s / RESISTOR_COOLS_S)
            return 0.0
        # Charge and heat through the feed, integrated over the exponential; the heat is shared with the pack.
        steady = e_v - aim
        tau_s = c / whole
        gone = 1.0 - decay
        square = steady * steady * dt_s - 2.0 * steady * off * tau_s * gone
        square += off * off * 0.5 * tau_s * (1.0 - decay * decay)
        self.precharge_j += square * feed_g * self.spec.precharge_ohm * self.precharge_scale / feed_ohm
        return (steady - off * tau_s * gone / dt_s) * feed_g

    def _closed(self, dt_s: float, e_v: float, r_ohm: float) -> float:
        """Main closed: the pack carries everything on the link, its capacitor too (implicit Euler)."""
        g, standby_w = self._drain()
        c_g = self.spec.link_f * self.link_scale / dt_s
        whole = 1.0 / r_ohm + g + c_g
        e = (e_v / r_ohm + c_g * self.link_v) / whole
        p = self.power_w + standby_w + self.dcdc_w
        root = e * e - 4.0 * p / whole
        link = 0.5 * (e + math.sqrt(root)) if root > 0.0 else 0.5 * e
        self.link_v = link
        current = (e_v - link) / r_ohm
        self.fuse_a2s += (current * current - self.spec.fuse_a * self.spec.fuse_a) * dt_s
        if self.fuse_a2s < 0.0:
            self.fuse_a2s = 0.0
        elif self.fuse_a2s > self.spec.fuse_a2s:
            self.fuse_blown = True
        return current
