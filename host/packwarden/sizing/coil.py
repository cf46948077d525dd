"""The main contactor's coil and its clamp, and what the 12 V side must carry."""

from __future__ import annotations

import math

from packwarden.sizing.job import Job
from packwarden.sizing.result import (
    ESTIMATE,
    OK,
    REFUSE,
    TIGHT,
    Plot,
    Report,
    above_zero,
    at_least,
    at_most,
    not_negative,
    sampled,
    told,
)

COPPER_PER_K = 0.00393  # of a coil's resistance, from 20 degC; from memory
DIODE_V = 0.7
DUMP_V = 40.0  # what a 12 V net may show when its battery comes off under charge; from memory


def release_s(volts: float, ohm: float, henry: float, let_go_a: float, clamp_v: float) -> float:
    """Time from switching a coil off until its current is down to let_go_a, s, against a constant clamp voltage.

    i(t) = -Vc/R + (I0 + Vc/R) exp(-t R / L), I0 = V / R; so t = L/R ln((I0 + Vc/R) / (let_go + Vc/R)).  Source: closed
    form.  Valid with a constant inductance: it falls as the armature moves, which makes the end quicker.  0 when the
    current is below let_go_a from the start.  Raises ValueError for values not above 0.
    """
    above_zero(volts=volts, ohm=ohm, henry=henry, let_go_a=let_go_a, clamp_v=clamp_v)
    start, pull = volts / ohm, clamp_v / ohm
    return henry / ohm * math.log((start + pull) / (let_go_a + pull)) if start > let_go_a else 0.0


def clamp_j(volts: float, ohm: float, henry: float) -> float:
    """Energy stored in the coil, all of which its clamp must take at the most, J: L I^2 / 2.  Source: closed form."""
    above_zero(volts=volts, ohm=ohm, henry=henry)
    return 0.5 * henry * (volts / ohm) ** 2


def sag_v(resting_v: float, ohm: float, amps: float) -> float:
    """Voltage of a 12 V battery under a load, V: V - I R.  Source: Ohm.  Its own polarisation is left out."""
    not_negative(ohm=ohm, amps=amps)
    return resting_v - ohm * amps


def coil(job: Job) -> Report:
    """Release time and clamp."""
    c, bus, a = job.parts.contactor, job.pack.bus, job.parts.ambient
    cold_ohm = c.coil_ohm * (1.0 + COPPER_PER_K * (a.low_c - 20.0))
    volts = bus.dcdc_v
    electric = release_s(volts, cold_ohm, c.coil_h, c.let_go_a, c.clamp_v)
    whole = electric + c.travel_s
    cold = ("coil at %g degC, supply %g V" % (a.low_c, volts),)
    out = [told("coil.release", whole, at_most(whole, bus.main_release_s, 0.9), bus.main_release_s, assumes=cold)]
    diode = release_s(volts, cold_ohm, c.coil_h, c.let_go_a, DIODE_V) + c.travel_s
    out.append(told("coil.diode", diode, assumes=cold))
    peak = volts + c.clamp_v
    verdict = at_most(peak, c.driver_v, 0.85)
    out.append(told("coil.driver", peak, verdict, c.driver_v))
    dump = DUMP_V + c.clamp_v
    out.append(told("coil.dump", dump, OK if dump <= c.driver_v else TIGHT, c.driver_v))
    joules = clamp_j(volts, cold_ohm, c.coil_h)
    out.append(told("coil.energy", joules, at_most(joules, c.clamp_j, 0.5), c.clamp_j))
    warm_ohm = c.coil_ohm * (1.0 + COPPER_PER_K * (a.high_c - 20.0))
    least = job.milli("aux_trip_mv")
    left = least / warm_ohm
    out.append(told("coil.holds", left, at_least(left, c.let_go_a, 1.5), c.let_go_a))
    highest = max(2.0 * c.clamp_v, 40.0)
    curve = sampled(
        "contacts open",
        lambda v: 1e3 * (release_s(volts, cold_ohm, c.coil_h, c.let_go_a, v) + c.travel_s),
        DIODE_V,
        highest,
    )
    return Report(
        tuple(out),
        (
            Plot(
                "Release time against the clamp",
                "V, clamp",
                "ms",
                (curve,),
                ((bus.main_release_s * 1e3, "main_release_s of the pack"),),
            ),
        ),
    )


def aux(job: Job) -> Report:
    """DC-DC, 12 V battery and what hangs on them."""
    x, bus = job.parts.aux, job.pack.bus
    load = x.coils_a + x.fans_a + x.heads_a + x.loads_a
    out = [told("aux.dcdc", load, at_most(load, x.dcdc_a), x.dcdc_a)]
    hours = 0.5 * bus.aux_ah / load if load else 1e6
    out.append(told("aux.reserve", hours, at_least(hours, x.reserve_h), x.reserve_h))
    volts = sag_v(x.resting_v, bus.aux_ohm, load + x.pull_in_a)
    trip, alarm = job.milli("aux_trip_mv"), job.milli("aux_alarm_mv")
    verdict = REFUSE if volts <= trip else OK if volts >= alarm else TIGHT
    out.append(told("aux.pull_in", volts, verdict, alarm, assumes=("polarisation left out; " + ESTIMATE,)))
    watts = bus.dcdc_v * load / bus.dcdc_efficiency
    taken = job.pack.vehicle.accessory_w if job.pack.boat is None else watts
    out.append(told("aux.power", watts, OK if watts <= taken else TIGHT, None if job.pack.boat else taken))
    return Report(tuple(out))
