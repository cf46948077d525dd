"""The modules of a string: voltage, wells, charge acceptance, gassing, heat, collapse and reversal.

Each module is an open-circuit voltage, a series resistance and two RC pairs over the kinetic two-well model
(Manwell and McGowan, 1993, "Lead acid battery storage model for hybrid energy systems"): the well at hand sets
the voltage, the other one refills it.  On charge the pairs carry the charging reaction instead, whose resistance
grows towards full, beside a gassing path that grows exponentially with voltage (Tafel's law): so a constant current
ends on a gassing plateau and a constant voltage ends in a tail.  Lists run over modules, from 0.  Discharge current
positive.

Knobs: `capacity_scale[k]` (the charge state stays: what is lost takes its charge with it), `resistance_scale[k]`,
`self_discharge_scale[k]`, `ocv_offset_v[k]` (a shorted cell is minus two volts or so), `joint_ohm[k]` (joint on the
negative side of module k: within its taps, but for the first of a box, whose joint is the cable from the box before,
which only the string tap sees), `box_heat_w[b]`, `box_temp_forced_c[b]` (None or a temperature); and
set_charge_state(k, s).  They are seen at the next slow update, a tenth of a second later at most; joints at once.
"""

from __future__ import annotations

import math
import random
from typing import List, Optional, Sequence, Tuple

from packwarden.plant.spec import PackSpec

SLOW_S = 0.1  # wells, temperature and what hangs on them are brought up to date this often
FLOOR = -0.06  # the well at hand is not followed below this part of full: the rest is reversal
CHARGING_A = -0.05  # below this current a module is charging
NEWTON_MAX = 30


def total(values: Sequence[float]) -> float:
    """Their sum, one after the other: `sum` rounds otherwise from Python 3.12 on, and results must not hang on that."""
    out = 0.0
    for value in values:
        out += value
    return out


def wells(q1: float, q2: float, i: float, c: float, k: float, t: float) -> Tuple[float, float]:
    """Both wells after time t of constant current i, closed form of the paper's equations.

    dq1/dt = -i - k (1-c) q1 + k c q2,  dq2/dt = k (1-c) q1 - k c q2.  Any consistent units.
    """
    if c >= 1.0:
        return q1 - i * t, 0.0
    q = q1 + q2
    rest = -math.expm1(-k * t)
    q1 = q1 * (1.0 - rest) + (q * k * c - i) * rest / k - i * c * (k * t - rest) / k
    return q1, q - i * t - q1


def overpotential(charge_a: float, main_ohm: float, gas_a: float, scale_v: float) -> Tuple[float, float]:
    """(eta, d eta / d charge_a) of the charging reaction beside the gassing path, V and ohm.

    Solves eta/main_ohm + gas_a*exp(eta/scale_v) = charge_a, with gas_a the gassing current at eta = 0.
    Newton's rule from above on a convex function comes down to the root without overshoot.
    """
    eta = charge_a * main_ohm
    if gas_a > 0.0:
        most = scale_v * math.log(charge_a / gas_a)
        if most < 0.0:
            most = 0.0  # gassing takes it all
        if most < eta:
            eta = most
    grow = 0.0
    for _ in range(NEWTON_MAX):
        grow = gas_a * math.exp(eta / scale_v)
        move = (eta / main_ohm + grow - charge_a) / (1.0 / main_ohm + grow / scale_v)
        if move <= 1e-6:
            break
        eta -= move
    return (eta if eta > 0.0 else 0.0), 1.0 / (1.0 / main_ohm + grow / scale_v)


class String:
    """Modules in series."""

    def __init__(self, spec: PackSpec, seed: int, charge_state: float = 1.0, temp_c: float = 25.0) -> None:
        n = self.n = spec.n_modules
        m, self.chem = spec.module, spec.module.chemistry
        self.spec = spec
        rng = random.Random(seed)
        self.box_of: List[int] = [b for b, count in enumerate(spec.boxes) for _ in range(count)]
        self.firsts = [sum(spec.boxes[:b]) for b in range(len(spec.boxes))]  # first module of each box
        self.base_ah = [m.capacity_ah * max(0.5, 1.0 + rng.gauss(0.0, m.capacity_spread)) for _ in range(n)]
        self.base_ohm = [m.resistance_ohm * max(0.3, 1.0 + rng.gauss(0.0, m.resistance_spread)) for _ in range(n)]
        ones = [1.0] * n
        self.capacity_scale, self.resistance_scale, self.self_discharge_scale = ones[:], ones[:], ones[:]
        self.ocv_offset_v = [0.0] * n
        self.joint_ohm = [spec.bus.joint_ohm] * n
        boxes = len(spec.boxes)
        self.ambient_c = temp_c
        self.fan = False
        self.box_temp_c = [temp_c] * boxes
        self.box_heat_w = [0.0] * boxes
        self.box_temp_forced_c: List[Optional[float]] = [None] * boxes
        self.q1, self.q2 = [0.0] * n, [0.0] * n  # Ah
        self.emf = [0.0] * n  # open-circuit voltage of the well at hand
        self.ohm = ones[:]  # series resistance now
        self.v1, self.v2 = [0.0] * n, [0.0] * n  # of the RC pairs, positive on discharge
        self.r1, self.r2 = ones[:], ones[:]
        self.p1, self.p2 = [0.0] * n, [0.0] * n  # the pairs settle at i*r + p: a tangent of the charging reaction
        self.gas_ah = [0.0] * n  # charge that went into gassing
        self.reversal_as = [0.0] * n  # charge that went through below zero volts
        self.module_v = [0.0] * n
        self.string_v = 0.0
        self.heat_j = 0.0  # all heat made in modules and joints
        self.charging = False
        self.slow_s = 0.0
        self.slow_as = 0.0  # charge passed since the slow states were brought up to date
        self._scaled = ones[:]  # the capacity scale that q1 and q2 are for
        self._head = ones[:]
        self._sums = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._decay = (0.0, 1.0, 1.0)
        for k in range(n):
            self._fill(k, charge_state)
        self._refresh(0.0)
        self.settle(0.0)

    # -- charge -----------------------------------------------------------------------------------------

    def full_ah(self, k: int) -> float:
        """Charge of both wells of module k when full, Ah, whatever its temperature."""
        return self.base_ah[k] * self.chem.well_gain * self.capacity_scale[k]

    def capacity_ah(self, k: int) -> float:
        """What of that can be had at its present temperature, at a very low current, Ah."""
        return self.full_ah(k) * (1.0 - self._out_of_reach(self.box_of[k]))

    def _out_of_reach(self, box: int) -> float:
        """Part of the charge that the cold keeps back."""
        cold = self.chem.capacity_per_c * (25.0 - self.box_temp_c[box])
        return 0.0 if cold < 0.0 else 0.7 if cold > 0.7 else cold

    def set_charge_state(self, k: int, charge_state: float) -> None:
        """Put module k at a charge state (0..1), rested: wells level, no voltage on the RC pairs."""
        self._fill(k, charge_state)
        self.v1[k] = self.v2[k] = 0.0
        self._refresh(0.0)

    def _fill(self, k: int, charge_state: float) -> None:
        self._scaled[k] = self.capacity_scale[k]
        whole = self.full_ah(k) * charge_state
        self.q1[k], self.q2[k] = whole * self.chem.well_c, whole * (1.0 - self.chem.well_c)

    def charge_state(self, k: int) -> float:
        """Charge left in module k against full, 0 to a little above 1; below zero when it is being reversed."""
        scale = self._scaled[k]
        return (self.q1[k] + self.q2[k]) / (self.base_ah[k] * self.chem.well_gain * scale)

    # -- a step -----------------------------------------------------------------------------------------

    def totals(self, dt_s: float) -> Tuple[float, float]:
        """(E, R): after dt_s at current i the string's ends, cables included, are at E - i*R exactly.

        The RC pairs' own change over the step is part of both, so a source or a load that is solved against
        them is stable at any step.
        """
        a1, a2 = self._rates(dt_s)
        emf, p1, p2, ohm, r1, r2 = self._sums
        e_v = emf - a1 * total(self.v1) - a2 * total(self.v2) - (1.0 - a1) * p1 - (1.0 - a2) * p2
        r_ohm = ohm + (1.0 - a1) * r1 + (1.0 - a2) * r2
        return e_v, r_ohm + total(self.joint_ohm) + self.spec.bus.cable_ohm

    def _rates(self, dt_s: float) -> Tuple[float, float]:
        d = self._decay
        if d[0] != dt_s:
            d = self._decay = (dt_s, math.exp(-dt_s / self.chem.tau1_s), math.exp(-dt_s / self.chem.tau2_s))
        return d[1], d[2]

    def step(self, dt_s: float, i_a: float) -> None:
        """Pass i_a for dt_s; leaves module_v as measured between each module's taps, and string_v."""
        a1, a2 = self._rates(dt_s)
        c1, c2 = 1.0 - a1, 1.0 - a2
        b1, b2 = c1 * i_a, c2 * i_a
        # By index and in place, here and below: PyPy is many times faster so than with `zip`, and CPython no slower.
        v1, v2, r1, r2 = self.v1, self.v2, self.r1, self.r2
        if self.charging:
            p1, p2 = self.p1, self.p2
            for k in range(self.n):
                v1[k] = a1 * v1[k] + b1 * r1[k] + c1 * p1[k]
                v2[k] = a2 * v2[k] + b2 * r2[k] + c2 * p2[k]
        else:
            for k in range(self.n):
                v1[k] = a1 * v1[k] + b1 * r1[k]
                v2[k] = a2 * v2[k] + b2 * r2[k]
        self.settle(i_a)
        self.slow_s += dt_s
        self.slow_as += i_a * dt_s
        if self.slow_s >= SLOW_S - 1e-9 or (i_a < CHARGING_A) != self.charging:
            self._slow()

    def settle(self, i_a: float) -> None:
        """Voltages at current i_a with the states as they are."""
        emf, v1, v2, ohm, joint_ohm = self.emf, self.v1, self.v2, self.ohm, self.joint_ohm
        volts = emf[:]
        string_v = 0.0
        for k in range(self.n):
            v = volts[k] = emf[k] - v1[k] - v2[k] - i_a * (ohm[k] + joint_ohm[k])
            string_v += v
        self.string_v = string_v
        for k in self.firsts:
            volts[k] += i_a * joint_ohm[k]
        self.module_v = volts

    # -- slow states ------------------------------------------------------------------------------------

    def _slow(self) -> None:
        """Wells and temperature up to now, and what hangs on them."""
        dt_s, mean_a = self.slow_s, self.slow_as / self.slow_s
        self.slow_s = self.slow_as = 0.0
        chem = self.chem
        hours = dt_s / 3600.0
        heat = [w * dt_s for w in self.box_heat_w]
        made_j = 0.0
        for k in range(self.n):
            box = self.box_of[k]
            ah = self.base_ah[k]
            q1, q2 = self.q1[k], self.q2[k]
            if self._scaled[k] != self.capacity_scale[k]:
                ratio = self.capacity_scale[k] / self._scaled[k]
                q1, q2 = q1 * ratio, q2 * ratio
                self._scaled[k] = self.capacity_scale[k]
            warmer = self.box_temp_c[box] - 25.0
            drain_a = chem.self_discharge_per_day / 24.0 * ah * self.self_discharge_scale[k] * 2.0 ** (warmer / 10.0)
            if self._head[k] <= 0.0:
                drain_a = 0.0  # an empty module has nothing left to lose by itself
            if mean_a < CHARGING_A:
                gas_a = min(-mean_a, self._gassing_a(k, self.emf[k] - self.v1[k] - self.v2[k], warmer))
                self.gas_ah[k] += gas_a * hours
                drain_a += gas_a
            drain_a += mean_a
            whole_c = self.full_ah(k) * chem.well_c
            low = whole_c * (self._out_of_reach(box) + FLOOR)
            new1, new2 = wells(q1, q2, drain_a, chem.well_c, chem.well_k_per_h, hours)
            if new1 < low and new1 < q1:
                new1 = min(low, q1)  # charge past this decomposes the module; it is counted as reversal
            self.q1[k], self.q2[k] = new1, new2
            if self.module_v[k] < 0.0 < mean_a:
                self.reversal_as[k] += mean_a * dt_s
            # Joints included; heat from a module can't be negative: the reaction's own is left out.
            warm_j = (self.emf[k] - self.module_v[k]) * mean_a * dt_s
            if warm_j > 0.0:
                heat[box] += warm_j
                made_j += warm_j
        for b, k in enumerate(self.firsts):
            warm_j = mean_a * mean_a * self.joint_ohm[k] * dt_s
            heat[b] += warm_j
            made_j += warm_j
        self.heat_j += made_j
        self._warm(dt_s, heat)
        self._refresh(mean_a)

    def _gassing_a(self, k: int, v: float, warmer: float) -> float:
        """Gassing current of module k with v across its electrodes, A."""
        chem = self.chem
        x = (v - chem.gas_v - chem.gas_v_per_c * warmer) / chem.gas_scale_v
        return self.base_ah[k] * chem.gas_a_per_ah * math.exp(x if x < 20.0 else 20.0)

    def _warm(self, dt_s: float, heat_j: Sequence[float]) -> None:
        m = self.spec.module
        to_air = m.loss_w_per_k * (m.fan_gain if self.fan else 1.0)
        for b, count in enumerate(self.spec.boxes):
            forced = self.box_temp_forced_c[b]
            if forced is not None:
                self.box_temp_c[b] = forced
                continue
            capacity = m.capacity_ah * self.chem.heat_j_per_k_ah
            decay = math.exp(-dt_s * to_air / capacity)
            aim = self.ambient_c + heat_j[b] / (dt_s * count * to_air)
            self.box_temp_c[b] = aim + (self.box_temp_c[b] - aim) * decay

    def _refresh(self, mean_a: float) -> None:
        """Open-circuit voltage and resistances of every module, and their sums."""
        self.charging = mean_a < CHARGING_A
        for k in range(self.n):
            self._refresh_one(k, mean_a)
        self._sums = (
            total(self.emf), total(self.p1), total(self.p2), total(self.ohm), total(self.r1), total(self.r2),
        )  # fmt: skip

    def _refresh_one(self, k: int, mean_a: float) -> None:
        chem = self.chem
        box = self.box_of[k]
        warmer = self.box_temp_c[box] - 25.0
        cold = self._out_of_reach(box)
        filled = self.q1[k] / (self.base_ah[k] * chem.well_gain * self._scaled[k] * chem.well_c)
        head = self._head[k] = (filled - cold) / (1.0 - cold)
        xs = chem.charge_state
        j = len(xs) - 1
        while j > 1 and xs[j - 1] > head:
            j -= 1
        part = (head - xs[j - 1]) / (xs[j] - xs[j - 1])
        part = 0.0 if part < 0.0 else 1.0 if part > 1.0 else part
        emf = chem.ocv_v[j - 1] + (chem.ocv_v[j] - chem.ocv_v[j - 1]) * part
        emf += chem.ocv_v_per_c * warmer
        if head < 8.0 * chem.knee:
            # Collapse of the last of the charge, and reversal beyond: an estimate of the shape.
            whole = 1.0 / (1.0 + math.exp(min(60.0, -head / chem.knee)))
            emf = -chem.reversal_v + (emf + chem.reversal_v) * whole
        elif head > 1.0:
            emf += (head - 1.0) * chem.overfull_v
        emf += self.ocv_offset_v[k]
        self.emf[k] = emf
        ohm = self.base_ohm[k] * self.resistance_scale[k] * (1.0 + chem.r_per_c * min(0.0, warmer))
        self.ohm[k] = ohm * (chem.r_factor[j - 1] + (chem.r_factor[j] - chem.r_factor[j - 1]) * part)
        r1, r2 = ohm * chem.r1_factor, ohm * chem.r2_factor
        p1 = p2 = 0.0
        if self.charging:
            # Between points the acceptance falls by ratios; past full it goes on falling.
            low, high = chem.charge_factor[j - 1], chem.charge_factor[j]
            factor = low * (high / low) ** (part if head <= 1.0 else 1.0 + min(1.0, (head - 1.0) * 20.0))
            eta, slope = overpotential(-mean_a, r2 * factor, self._gassing_a(k, emf, warmer), chem.gas_scale_v)
            fast, slow = chem.charge_fast, 1.0 - chem.charge_fast
            tangent = -eta - slope * mean_a
            r1, r2 = r1 + fast * slope, slow * slope
            p1, p2 = fast * tangent, slow * tangent
        self.r1[k], self.r2[k], self.p1[k], self.p2[k] = r1, r2, p1, p2
