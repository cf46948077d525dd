"""Copper: resistance by IEC 60228 and by AWG, heating, and what a short fault does to a conductor."""

from __future__ import annotations

import math

from packwarden.sizing.result import above_zero, not_negative

# Highest resistance of a copper conductor at 20 degC, ohm/km, class 2 and class 5 (plain): IEC 60228.
IEC_60228 = {
    1.5: (12.1, 13.3),
    2.5: (7.41, 7.98),
    4.0: (4.61, 4.95),
    6.0: (3.08, 3.30),
    10.0: (1.83, 1.91),
    16.0: (1.15, 1.21),
    25.0: (0.727, 0.780),
    35.0: (0.524, 0.554),
    50.0: (0.387, 0.386),
    70.0: (0.268, 0.272),
    95.0: (0.193, 0.206),
}
RHO = 1.7241e-8  # ohm m at 20 degC, annealed copper of 100 % conductivity; ASTM B258's table follows from it
FILL = 0.75  # copper in the circle round a stranded conductor; estimate
HEAT_J_M3K = 3.45e6  # of copper; from memory
AWG_THICKEST, AWG_THINNEST = -3, 40


def warm(temp_c: float) -> float:
    """Resistance of copper at a temperature against that at 20 degC: (230 + t) / 250.

    Source: the temperature table of IEC 60228, whose factor for bringing a reading to 20 degC is 250 / (230 + t); the
    textbook's 254.5 and 234.5 give up to 0.5 % less at 125 degC.  ValueError below -60 and above 300 degC.
    """
    if not -60.0 <= temp_c <= 300.0:
        raise ValueError("temp_c = %r: allowed -60 to 300" % temp_c)
    return (230.0 + temp_c) / 250.0


def copper_ohm_per_m(area_m2: float) -> float:
    """Resistance of solid copper at 20 degC, ohm/m: rho / A.  Source: definition.  ValueError for no area."""
    above_zero(area_m2=area_m2)
    return RHO / area_m2


def iec_ohm_per_m(area_mm2: float, strand_class: int) -> float:
    """Highest resistance at 20 degC of a conductor of a nominal size of IEC 60228, class 2 or 5, ohm/m.

    Source: IEC 60228, plain copper.  Raises ValueError for a size or a class that is not in the table here.
    """
    if area_mm2 not in IEC_60228:
        raise ValueError("area_mm2 = %g: allowed %s" % (area_mm2, ", ".join("%g" % a for a in IEC_60228)))
    if strand_class not in (2, 5):
        raise ValueError("strand_class = %r: allowed 2 or 5" % strand_class)
    return IEC_60228[area_mm2][strand_class == 5] * 1e-3


def cable_ohm_per_m(area_mm2: float, strand_class: int) -> float:
    """`iec_ohm_per_m` where the size is in its table, else rho / A and 2 % for the lay of the strands (from memory)."""
    if area_mm2 in IEC_60228:
        return iec_ohm_per_m(area_mm2, strand_class)
    return 1.02 * copper_ohm_per_m(area_mm2 * 1e-6)


def awg_diameter_m(gauge: int) -> float:
    """Diameter of a gauge, m: 0.005 in * 92^((36 - n) / 39).  4/0 is -3, 3/0 -2, 2/0 -1, 1/0 0.

    Source: ASTM B258.  Raises ValueError beyond 4/0 and 40.
    """
    if not AWG_THICKEST <= gauge <= AWG_THINNEST:
        raise ValueError("gauge = %r: allowed %d (4/0) to %d" % (gauge, AWG_THICKEST, AWG_THINNEST))
    return float(0.005 * 0.0254 * 92.0 ** ((36 - gauge) / 39.0))


def awg_area_m2(gauge: int) -> float:
    """Area of a gauge, m2, from its diameter."""
    return math.pi / 4.0 * awg_diameter_m(gauge) ** 2


def awg_name(gauge: int) -> str:
    """As it is written: 4/0, 1/0, 2."""
    return "%d/0" % (1 - gauge) if gauge <= 0 else "%d" % gauge


def awg_for(area_m2: float) -> int | None:
    """The thinnest gauge with at least this area, or None above 4/0."""
    fits = [g for g in range(AWG_THICKEST, AWG_THINNEST + 1) if awg_area_m2(g) >= area_m2 * (1.0 - 1e-9)]
    return max(fits) if fits else None


def outer_m(area_m2: float, insulation_m: float) -> float:
    """Outer diameter of a stranded cable, m: sqrt(4 A / (pi fill)) + 2 insulation.  Fill: estimate."""
    above_zero(area_m2=area_m2)
    return math.sqrt(4.0 * area_m2 / (math.pi * FILL)) + 2.0 * insulation_m


def carries_a(ohm_per_m: float, outer: float, loss_w_per_m2k: float, high_c: float, ambient_c: float) -> float:
    """Current that brings a cable in free air to high_c and no higher, A.

    I^2 R20 (230 + T)/250 = h pi d (T - ambient).  Source: heat balance; h for a horizontal cable in still air is common
    practice, no source.  Valid for one cable by itself: bundled, in a duct or in the sun it carries less.  ohm_per_m at
    20 degC.  Raises ValueError when high_c is not above the ambient.
    """
    above_zero(ohm_per_m=ohm_per_m, outer=outer, loss_w_per_m2k=loss_w_per_m2k, rise_k=high_c - ambient_c)
    return math.sqrt(loss_w_per_m2k * math.pi * outer * (high_c - ambient_c) / (ohm_per_m * warm(high_c)))


def steady_c(amps: float, ohm_per_m: float, outer: float, loss_w_per_m2k: float, ambient_c: float) -> float:
    """Temperature that a cable settles at, degC; infinite where its heat grows faster than its loss.

    The same balance as `carries_a`.  Sign of the current does not matter.
    """
    above_zero(ohm_per_m=ohm_per_m, outer=outer, loss_w_per_m2k=loss_w_per_m2k)
    loss, heat = loss_w_per_m2k * math.pi * outer, amps * amps * ohm_per_m
    if loss <= heat / 250.0:
        return math.inf
    return (loss * ambient_c + heat * 230.0 / 250.0) / (loss - heat / 250.0)


def adiabatic_a2s(area_mm2: float, k: float) -> float:
    """I2t that heats a conductor from its working to its short-time limit before any heat leaves it, A2s: k^2 S^2.

    Source: adiabatic rule of IEC 60364; k = 115 for PVC and 143 for cross-linked insulation on copper, from memory.
    Valid up to 5 s.  ValueError for values not above 0.
    """
    above_zero(area_mm2=area_mm2, k=k)
    return (k * area_mm2) ** 2


def time_to_s(amps: float, area_m2: float, ohm_per_m: float, from_c: float, to_c: float) -> float:
    """Time in which a current heats a conductor from one temperature to another with no heat leaving it, s.

    C A dT/dt = I^2 R20 (230 + T)/250, so t = 250 C A / (I^2 R20) ln((230 + to) / (230 + from)).  Source: closed form;
    C from memory.  The insulation's own heat is left out, so the true time is longer.  ValueError for no current.
    """
    above_zero(amps=abs(amps), area_m2=area_m2, ohm_per_m=ohm_per_m)
    not_negative(rise=to_c - from_c)
    return 250.0 * HEAT_J_M3K * area_m2 / (amps * amps * ohm_per_m) * math.log((230.0 + to_c) / (230.0 + from_c))
