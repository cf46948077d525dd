"""The modules of a string: voltage, wells, heat, collapse and reversal.

Each module is an open-circuit voltage, a series resistance and two RC pairs over the kinetic two-well model
(Manwell and McGowan, 1993, "Lead acid battery storage model for hybrid energy systems"): the well at hand sets
the voltage, the other one refills it.  Discharge current positive.  Lists run over modules, from 0.

Knobs: `capacity_scale[k]`, `resistance_scale[k]`, `self_discharge_scale[k]`, `ocv_offset_v[k]` (a shorted cell is
minus two volts or so), `joint_ohm[k]` (joint on the negative side of module k, within its taps unless it is the
first of a box), `box_heat_w[b]`, `box_temp_forced_c[b]` (None or a temperature); and set_charge_state(k, s).
"""

from __future__ import annotations

import math
import random
from typing import List, Optional, Sequence, Tuple

from packwarden.plant.spec import PackSpec

SLOW_S = 0.1  # wells, temperature and what hangs on them are brought up to date this often
KNEE = 0.006  # width of the collapse, in parts of the well at hand (estimate, no source)
KNEE_AT = 0.0
FLOOR = -0.06  # the well at hand is not followed below this


def table(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Straight lines between points, flat outside."""
    if x <= xs[0]:
        return ys[0]
    for j in range(1, len(xs)):
        if x <= xs[j]:
            return ys[j - 1] + (ys[j] - ys[j - 1]) * (x - xs[j - 1]) / (xs[j] - xs[j - 1])
    return ys[-1]


def wells(q1: float, q2: float, i: float, c: float, k: float, t: float) -> Tuple[float, float]:
    """Both wells after time t of constant current i, closed form of the paper's equations.

    dq1/dt = -i - k (1-c) q1 + k c q2,  dq2/dt = k (1-c) q1 - k c q2.  Any consistent units.
    """
    if c >= 1.0:
        return q1 - i * t, 0.0
    q = q1 + q2
    e = math.exp(-k * t)
    ramp = (k * t - 1.0 + e) / k
    q1 = q1 * e + (q * k * c - i) * (1.0 - e) / k - i * c * ramp
    return q1, q - i * t - q1


class String:
    """Modules in series."""

    def __init__(self, spec: PackSpec, seed: int, charge_state: float = 1.0, temp_c: float = 25.0) -> None:
        n = self.n = spec.n_modules
        m, self.chem = spec.module, spec.module.chemistry
        self.spec = spec
        rng = random.Random(seed)
        self.box_of: List[int] = [b for b, count in enumerate(spec.boxes) for _ in range(count)]
        self.first_of_box = [k == 0 or self.box_of[k] != self.box_of[k - 1] for k in range(n)]
        self.base_ah = [m.capacity_ah * max(0.5, 1.0 + rng.gauss(0.0, m.capacity_spread)) for _ in range(n)]
        self.base_ohm = [m.resistance_ohm * max(0.3, 1.0 + rng.gauss(0.0, m.resistance_spread)) for _ in range(n)]
        ones = [1.0] * n
        self.capacity_scale, self.resistance_scale, self.self_discharge_scale = ones[:], ones[:], ones[:]
        self.ocv_offset_v = [0.0] * n
        self.joint_ohm = [spec.bus.joint_ohm] * n
        boxes = len(spec.boxes)
        self.box_temp_c = [temp_c] * boxes
        self.box_heat_w = [0.0] * boxes
        self.box_temp_forced_c: List[Optional[float]] = [None] * boxes
        self.q1, self.q2 = [0.0] * n, [0.0] * n  # Ah
        self.emf = [0.0] * n  # open-circuit voltage of the well at hand
        self.ohm = ones[:]  # series resistance now
        self.v1, self.v2 = [0.0] * n, [0.0] * n
        self.r1, self.r2 = ones[:], ones[:]
        self.gas_ah = [0.0] * n
        self.reversal_as = [0.0] * n
        self.reversal_total_as = [0.0] * n
        self.module_v = [0.0] * n
        self.charging = False
        self.slow_s = 0.0
        self.slow_as = 0.0  # charge passed since the slow states were brought up to date
        self.heat_j = [0.0] * boxes
        self._decay = (0.0, 0.0, 0.0)
        for k in range(n):
            self.set_charge_state(k, charge_state)
        self._refresh()
        self.settle(0.0)

    def capacity_ah(self, k: int) -> float:
        """Charge of both wells of module k when full, Ah, at its present temperature."""
        cold = max(0.0, 25.0 - self.box_temp_c[self.box_of[k]])
        scale = self.capacity_scale[k] * max(0.3, 1.0 - self.chem.capacity_per_c * cold)
        return self.base_ah[k] * self.chem.well_gain * scale

    def set_charge_state(self, k: int, charge_state: float) -> None:
        """Put module k at a charge state (0..1), its wells level."""
        whole = self.capacity_ah(k) * charge_state
        self.q1[k], self.q2[k] = whole * self.chem.well_c, whole * (1.0 - self.chem.well_c)
        self._refresh_one(k)

    def charge_state(self, k: int) -> float:
        """Charge left in module k against its present capacity."""
        return (self.q1[k] + self.q2[k]) / self.capacity_ah(k)

    def totals(self) -> Tuple[float, float]:
        """(EMF less RC voltages, series resistance) of the whole string."""
        ohm = sum(self.ohm) + sum(self.joint_ohm) + self.spec.bus.cable_ohm
        return sum(self.emf) - sum(self.v1) - sum(self.v2), ohm

    def step(self, dt_s: float, i_a: float) -> None:
        """Pass i_a for dt_s; leaves module_v as measured between each module's taps."""
        if (i_a < -0.05) != self.charging:
            self.charging = i_a < -0.05
            self._refresh()
        d = self._decay
        if d[0] != dt_s:
            d = self._decay = (dt_s, math.exp(-dt_s / self.chem.tau1_s), math.exp(-dt_s / self.chem.tau2_s))
        a1, a2 = d[1], d[2]
        b1, b2 = (1.0 - a1) * i_a, (1.0 - a2) * i_a
        self.v1 = [a1 * v + b1 * r for v, r in zip(self.v1, self.r1)]
        self.v2 = [a2 * v + b2 * r for v, r in zip(self.v2, self.r2)]
        self.settle(i_a)
        self.slow_s += dt_s
        self.slow_as += i_a * dt_s
        if self.slow_s >= SLOW_S - 1e-9:
            self._slow()

    def settle(self, i_a: float) -> None:
        """Terminal voltages at current i_a with the states as they are."""
        self.module_v = [
            e - a - b - i_a * (r + j) for e, a, b, r, j in zip(self.emf, self.v1, self.v2, self.ohm, self.joint_ohm)
        ]

    def _slow(self) -> None:
        dt_s, mean_a = self.slow_s, self.slow_as / self.slow_s
        self.slow_s = self.slow_as = 0.0
        chem = self.chem
        hours = dt_s / 3600.0
        lost = chem.self_discharge_per_day / 24.0
        heat = self.heat_j
        for b in range(len(heat)):
            heat[b] = self.box_heat_w[b] * dt_s
        for k in range(self.n):
            v = self.module_v[k]
            ah = self.base_ah[k]
            gas_a = 0.0
            if mean_a < 0.0:
                gas_a = min(-mean_a, ah * chem.gas_a_per_ah * math.exp(min(20.0, (v - chem.gas_v) / chem.gas_scale_v)))
                # Near full, less and less of the current is taken up: none of it above 102 %.
                full = (self.charge_state(k) - 0.95) / 0.07
                if chem.kind == "lead" and full > 0.0:
                    gas_a = max(gas_a, -mean_a * min(1.0, full))
                self.gas_ah[k] += gas_a * hours
            drain_a = mean_a + gas_a + lost * ah * self.self_discharge_scale[k]
            whole = self.capacity_ah(k)
            q1, q2 = wells(self.q1[k], self.q2[k], drain_a, chem.well_c, chem.well_k_per_h, hours)
            low = FLOOR * whole * chem.well_c
            if q1 < low:
                q1 = low  # charge past this decomposes the module; it is counted as reversal
            self.q1[k], self.q2[k] = q1, max(0.0, q2)
            if v < 0.0 < mean_a:
                self.reversal_as[k] += mean_a * dt_s
            warm = self.emf[k] - v
            heat[self.box_of[k]] += (warm * mean_a if warm * mean_a > 0.0 else 0.0) * dt_s
        self._warm(dt_s)
        self._refresh()

    def _warm(self, dt_s: float) -> None:
        spec = self.spec
        for b, count in enumerate(spec.boxes):
            forced = self.box_temp_forced_c[b]
            if forced is not None:
                self.box_temp_c[b] = forced
                continue
            capacity = count * spec.module.capacity_ah * self.chem.heat_j_per_k_ah
            loss_w = 2.0 * count * (self.box_temp_c[b] - self.ambient_c)  # 2 W/K a block: estimate, no source
            self.box_temp_c[b] += (self.heat_j[b] - loss_w * dt_s) / capacity

    ambient_c = 20.0

    def _refresh(self) -> None:
        for k in range(self.n):
            self._refresh_one(k)

    def _refresh_one(self, k: int) -> None:
        chem = self.chem
        temp_c = self.box_temp_c[self.box_of[k]]
        head = self.q1[k] / (self.capacity_ah(k) * chem.well_c)
        emf = table(head, chem.charge_state, chem.ocv_v) + chem.ocv_v_per_c * (temp_c - 25.0) + self.ocv_offset_v[k]
        if head < 8.0 * KNEE:
            # Collapse of the last of the charge, and reversal beyond: an estimate of the shape.
            s = 1.0 / (1.0 + math.exp(min(60.0, -(head - KNEE_AT) / KNEE)))
            emf = -chem.reversal_v + (emf + chem.reversal_v) * s
        elif head > 1.0:
            emf += (head - 1.0) * (40.0 if chem.kind == "lfp" else 12.0)
        self.emf[k] = emf
        factor = table(head, chem.charge_state, chem.charge_factor if self.charging else chem.r_factor)
        cold = 1.0 + chem.r_per_c * min(0.0, temp_c - 25.0)
        ohm = self.base_ohm[k] * self.resistance_scale[k]
        self.ohm[k] = ohm * factor * cold
        self.r1[k], self.r2[k] = ohm * chem.r1_factor * cold, ohm * chem.r2_factor * cold
