"""The bus: precharge, link capacitor, main contactor, fuse, motor controller, DC-DC and aux supply.

Discharge current positive.  With the main contactor open the link is a capacitor fed through the precharge
resistor and drained by the bleed and the controller: each step takes the exact exponential of that circuit.
With it closed the link is the pack's terminal voltage and the controller draws its power from it.

Knobs: contactors `main`, `precharge` (see contactor.py); `precharge_scale` (resistor against nominal; a large
number is open), `link_short_ohm`, `link_scale`, `bleed_scale`, `fuse_blown`, `controller_ignores_enable`,
`controller_ignores_limit`, `runaway_w` (power drawn unasked), `controller_short` (the controller's bridge shorts
the link), `dcdc_dead`, `aux_ohm_scale`, `aux_extra_a`, `aux_charge_state`.
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
WELD_DIP_OHM = 1e-4


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
        self.precharge_j = 0.0  # energy into the precharge resistor since it was last cold
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
        if (link_live and not self.dcdc_dead) or charger_on:
            # The DC-DC (or the charger's own 12 V output) holds its voltage up to 40 A.
            supply_a = load_a + (self.spec.dcdc_v - ocv) / ohm
            if supply_a < 40.0:
                v, battery_a = self.spec.dcdc_v, load_a - supply_a
            else:
                v, battery_a = ocv - (load_a - 40.0) * ohm, load_a - 40.0
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
        """Move the controller's power towards what is asked, allowed and possible."""
        spec = self.spec
        asked = demand_w if enable or self.controller_ignores_enable else 0.0
        top_w = spec.controller_a * self.link_v
        if not self.controller_ignores_limit:
            top_w *= limit_permille * 0.001
        if asked > top_w:
            asked = top_w
        least_w = -spec.regen_a * self.link_v * limit_permille * 0.001
        if asked < least_w:
            asked = least_w
        asked += self.runaway_w
        if asked > 0.0 and self.link_v < spec.controller_low_v + 10.0:
            fold = (self.link_v - spec.controller_low_v) / 10.0
            asked *= fold if fold > 0.0 else 0.0
        # Folded back so that the link never falls below half: the most a source can give is at half voltage.
        most_w = 0.22 * e_v * e_v / r_ohm
        if asked > most_w:
            asked = most_w
        power = asked + (self.power_w - asked) * math.exp(-dt_s / spec.controller_s)
        self.power_w = 0.0 if -0.5 < power < 0.5 else power

    def step(self, dt_s: float, e_v: float, r_ohm: float) -> float:
        """Advance the link; returns the string current.  e_v, r_ohm: the pack as a source."""
        spec = self.spec
        if self.fuse_blown:
            self._free(dt_s, 0.0, float("inf"))
            return 0.0
        if self.main.closed:
            return self._closed(dt_s, e_v, r_ohm + spec.main_ohm)
        feed = float("inf")
        if self.precharge.closed:
            feed = spec.precharge_ohm * self.precharge_scale + r_ohm
        return self._free(dt_s, e_v, feed)

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
        g += standby_w / (self.link_v * self.link_v) if standby_w else 0.0
        feed_g = 0.0 if feed_ohm == float("inf") else 1.0 / feed_ohm
        whole = g + feed_g
        c = self.spec.link_f * self.link_scale
        aim = e_v * feed_g / whole
        decay = math.exp(-dt_s * whole / c) if dt_s * whole / c < 700.0 else 0.0
        before = self.link_v
        self.link_v = aim + (before - aim) * decay
        # The controller may still be asked for power, from the capacitor alone.
        if self.power_w and c > 0.0:
            left = self.link_v * self.link_v - 2.0 * self.power_w * dt_s / c
            self.link_v = math.sqrt(left) if left > 0.0 else 0.0
        if not feed_g:
            if self.precharge_j > 0.0:
                self.precharge_j *= math.exp(-dt_s / 60.0)  # the resistor cools: estimate
            return 0.0
        mean = e_v - 0.5 * (before + self.link_v)
        self.precharge_j += mean * mean * feed_g * dt_s
        return mean * feed_g

    def _closed(self, dt_s: float, e_v: float, r_ohm: float) -> float:
        """Main closed: the pack carries everything on the link."""
        g, standby_w = self._drain()
        # The pack behind its resistance with the link's own conductance across it.
        e = e_v / (1.0 + g * r_ohm)
        r = r_ohm / (1.0 + g * r_ohm)
        p = self.power_w + standby_w
        root = e * e - 4.0 * r * p
        link = 0.5 * (e + math.sqrt(root)) if root > 0.0 else 0.5 * e
        step_v = link - self.link_v
        if step_v > 3.0 and abs(self.power_w) < 1.0:
            self.main.made(step_v / (r_ohm + WELD_DIP_OHM))
        self.link_v = link
        current = (e_v - link) / r_ohm
        over = current * current - self.spec.fuse_a * self.spec.fuse_a
        self.fuse_a2s = max(0.0, self.fuse_a2s + over * dt_s)
        if self.fuse_a2s > self.spec.fuse_a2s:
            self.fuse_blown = True
        return current
