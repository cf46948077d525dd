"""The main current's way: fuse, cable, contactor and 76 against each other; and the fuse and wire of a sense lead."""

from __future__ import annotations

import math

from packwarden.sizing import conductors, drive
from packwarden.sizing.job import Job
from packwarden.sizing.precharge import SCAN_S
from packwarden.sizing.result import (
    ESTIMATE,
    LICENSED,
    OK,
    REFUSE,
    TIGHT,
    Curve,
    Plot,
    Report,
    Result,
    above_zero,
    at_least,
    at_most,
    sampled,
    told,
)

CLEARING = 3.0  # I2t until the arc is out, against melting; estimate
MULTIPLE = 5.0  # of its rating that a short must drive through a fuse, so that it clears fast
INST_SCANS = 2  # scans between a current and the command that opens, beside i76_inst_ms
WIRE_K, WIRE_C, WIRE_LOSS = 115.0, 70.0, 15.0  # of a sense wire: PVC, from memory; its limit degC; W/(m2 K), estimate
DROP_PART = 0.03  # of the nominal voltage that the cable may take
FUSE_HOLDS = 1.5  # of its rating that a fuse may carry for long
FUSE_CURVE = "The curve of the fuse's maker decides, not this plain formula. " + LICENSED


def melt_s(amps: float, rated_a: float, a2s: float) -> float:
    """Time until a fuse melts, s: I2t above its rating, a2s / (I^2 - rated^2); infinite at or below the rating.

    Source: the bench's own model; a maker's curve bends more at long times.  76 time has the same form with
    i76_a2s and i76_cont_a.  Sign of the current does not matter.  ValueError for a rating or an I2t not above 0.
    """
    above_zero(rated_a=rated_a, a2s=a2s)
    over = amps * amps - rated_a * rated_a
    return a2s / over if over > 0.0 else math.inf


def slowest_broken_a(rated_a: float, a2s: float, open_s: float, short_a: float) -> float:
    """Largest current that a contactor which opens after open_s still finds, A: beyond it the fuse was faster.

    sqrt(rated^2 + a2s / open_s), or the short-circuit current when that is less.  Source: `melt_s` turned round.
    """
    above_zero(rated_a=rated_a, a2s=a2s, open_s=open_s, short_a=short_a)
    return min(short_a, math.sqrt(rated_a * rated_a + a2s / open_s))


def short_a(volts: float, ohm: float) -> float:
    """Current into a short across the string's ends, A: V / R.  The inductance, which delays it, is left out."""
    above_zero(volts=volts, ohm=ohm)
    return volts / ohm


def fall_s(from_a: float, to_a: float, tau_s: float) -> float:
    """Time in which a controller that lets go takes its current from one value to another, s: tau ln(from / to)."""
    above_zero(from_a=from_a, to_a=to_a, tau_s=tau_s)
    return tau_s * math.log(from_a / to_a) if from_a > to_a else 0.0


def fuse(job: Job) -> Report:
    """Main fuse, 76 and the contactor, and how they share the work."""
    bus, f, c, cable = job.pack.bus, job.parts.main_fuse, job.parts.contactor, job.parts.cable
    fault_a = short_a(job.open_v, job.string_ohm)
    cont, a2s = float(job.whole("i76_cont_a")), float(job.whole("i76_a2s"))
    inst_a = job.milli("i76_inst_ma")
    out: list[Result] = []
    out.append(
        told(
            "fuse.short",
            fault_a,
            assumes=("string %.1f mohm with cables and joints" % (job.string_ohm * 1e3), "inductance left out"),
            caution=FUSE_CURVE,
        )
    )
    out.append(told("fuse.breaks", f.breaks_a, at_least(f.breaks_a, fault_a), fault_a))
    out.append(told("fuse.volts", f.rated_v, at_least(f.rated_v, job.highest_v, 1.1), job.highest_v))
    holds = bus.fuse_a * f.ambient_factor
    out.append(told("fuse.carries", holds, at_least(holds, bus.controller_a, 1.1), bus.controller_a))
    times = fault_a / bus.fuse_a
    out.append(told("fuse.multiple", times, at_least(times, MULTIPLE, 1.2), MULTIPLE))
    let = CLEARING * bus.fuse_a2s
    stands = conductors.adiabatic_a2s(cable.area_mm2, cable.adiabatic_k)
    said = ("%g times the melting I2t until the arc is out; %s" % (CLEARING, ESTIMATE),)
    out.append(told("fuse.cable", stands, at_least(stands, let), let, assumes=said))
    out.append(told("fuse.contactor", c.withstand_a2s, at_least(c.withstand_a2s, let), let, assumes=said))
    out += _time_stage(job, holds, cont, a2s, inst_a)
    out += _opening(job, fault_a, inst_a)
    ceiling = max(fault_a, inst_a) * 1.1
    curves = [
        sampled("fuse melts", lambda i: melt_s(i, bus.fuse_a, bus.fuse_a2s), bus.fuse_a * 1.02, ceiling, log=True)
    ]
    if job.whole("e76_time_on") and cont * 1.02 < inst_a:
        curves.append(sampled("76 time", lambda i: melt_s(i, cont, a2s), cont * 1.02, inst_a, "second", log=True))
    act_s = _open_s(job)
    curves.append(Curve("76 instantaneous, contacts open", (inst_a, ceiling), (act_s, act_s), "third"))
    curves.append(sampled("cable's limit", lambda i: stands / (i * i), bus.fuse_a * 1.5, ceiling, "dotted", log=True))
    return Report(tuple(out), (Plot("Who acts first", "A", "s", tuple(curves), (), True),))


def _open_s(job: Job) -> float:
    return job.milli("i76_inst_ms") + INST_SCANS * SCAN_S + job.pack.bus.main_release_s


def _time_stage(job: Job, holds: float, cont: float, a2s: float, inst_a: float) -> list[Result]:
    """76 time against the weakest of fuse, cable and contactor, and against the fuse's melting."""
    bus, out = job.pack.bus, []
    if not job.whole("e76_time_on"):
        return [told("fuse.i76_off", 0.0, TIGHT)]
    for key, amps, gravest in (
        ("cable", cable_carries_a(job), REFUSE),
        ("contactor", job.parts.contactor.carry_a, REFUSE),
        ("fuse", holds, TIGHT),
    ):
        verdict = OK if cont <= amps else gravest
        out.append(told("fuse.i76_" + key, cont, verdict, amps))
    first = [
        i
        for i in (cont + (inst_a - cont) * k / 400.0 for k in range(1, 401))
        if melt_s(i, bus.fuse_a, bus.fuse_a2s) < melt_s(i, cont, a2s)
    ]
    lowest, highest = (min(first), max(first)) if first else (inst_a, inst_a)
    out.append(told("fuse.i76_first", lowest, TIGHT if first else OK, fill=(inst_a,), why=(highest,)))
    return out


def _opening(job: Job, fault_a: float, inst_a: float) -> list[Result]:
    """What the contacts must break: staged, when the controller will not let go, and by 76 instantaneous."""
    bus, c, out = job.pack.bus, job.parts.contactor, []
    break_a, shed_s = job.milli("break_ma"), job.milli("shed_ms")
    wait = fall_s(bus.controller_a, break_a, bus.controller_s)
    out.append(told("fuse.staged", wait, at_most(wait, shed_s), shed_s))
    out.append(told("fuse.deaf", bus.controller_a, at_most(bus.controller_a, c.break_a, 0.95), c.break_a))
    found = slowest_broken_a(bus.fuse_a, bus.fuse_a2s, _open_s(job), fault_a)
    found = max(found, min(inst_a, fault_a))
    out.append(
        told(
            "fuse.inst",
            found,
            at_most(found, c.break_once_a, 0.95),
            c.break_once_a,
            assumes=("%.0f ms from the current to open contacts" % (_open_s(job) * 1e3),),
        )
    )
    out.append(told("fuse.break_volts", c.break_v, at_least(c.break_v, job.highest_v, 1.1), job.highest_v))
    return out


# -- the cable -----------------------------------------------------------------------------------------------


def cable_carries_a(job: Job) -> float:
    """What the traction cable carries for ever at the warmest ambient, A."""
    w, hot = job.parts.cable, job.parts.ambient.high_c
    ohm = conductors.cable_ohm_per_m(w.area_mm2, int(w.strand_class))
    outer = conductors.outer_m(w.area_mm2 * 1e-6, w.insulation_mm * 1e-3)
    return conductors.carries_a(ohm, outer, w.loss_w_per_m2k, w.insulation_c, hot)


def cable(job: Job) -> Report:
    """Drop and heating of the traction cable, by IEC 60228 and by AWG."""
    w, bus, hot = job.parts.cable, job.pack.bus, job.parts.ambient.high_c
    ohm = conductors.cable_ohm_per_m(w.area_mm2, int(w.strand_class))
    in_table = w.area_mm2 in conductors.IEC_60228
    outer = conductors.outer_m(w.area_mm2 * 1e-6, w.insulation_mm * 1e-3)
    whole = ohm * w.length_m
    out = [
        told(
            "cable.ohm" if in_table else "cable.ohm_odd",
            whole,
            OK if whole <= bus.cable_ohm else TIGHT,
            bus.cable_ohm,
            fill=(w.strand_class,) if in_table else (),
            assumes=("lugs not counted",),
            caution=LICENSED,
        )
    ]
    warm_ohm = whole * conductors.warm(w.insulation_c)
    drop = bus.controller_a * warm_ohm
    most_v = DROP_PART * job.nominal_v
    out.append(told("cable.drop", drop, at_most(drop, most_v), most_v))
    carries = cable_carries_a(job)
    rms = drive.hardest_rms_a(job)
    out.append(
        told(
            "cable.carries",
            carries,
            at_least(carries, rms, 1.1),
            rms,
            assumes=("free air, %g degC, insulation %g degC" % (hot, w.insulation_c), "in a duct or a bundle less"),
        )
    )
    at_rms = conductors.steady_c(rms, ohm, outer, w.loss_w_per_m2k, hot)
    if math.isfinite(at_rms):
        out.append(told("cable.temperature", at_rms, at_most(at_rms, w.insulation_c, 0.9), w.insulation_c))
        if at_rms < w.insulation_c:
            hold = conductors.time_to_s(bus.controller_a, w.area_mm2 * 1e-6, ohm, at_rms, w.insulation_c)
            out.append(told("cable.full_power", hold))
    out.append(told("cable.volts", w.rated_v, at_least(w.rated_v, job.highest_v, 1.1), job.highest_v))
    gauge = conductors.awg_for(w.area_mm2 * 1e-6)
    if gauge is None:
        out.append(told("cable.awg_none", w.area_mm2))
    else:
        area = conductors.awg_area_m2(gauge)
        whole = conductors.copper_ohm_per_m(area) * w.length_m
        out.append(told("cable.awg", whole, fill=(conductors.awg_name(gauge), area * 1e6)))
    top = min(carries * 1.25, math.sqrt(0.8 * w.loss_w_per_m2k * math.pi * outer * 250.0 / ohm))
    heat = sampled(
        "in free air, %g degC" % hot, lambda i: conductors.steady_c(i, ohm, outer, w.loss_w_per_m2k, hot), 0.0, top
    )
    return Report(
        tuple(out),
        (Plot("Temperature of the cable", "A, for ever", "degC", (heat,), ((w.insulation_c, "insulation"),)),),
    )


# -- a sense lead --------------------------------------------------------------------------------------------


def sense_lead(job: Job) -> Report:
    """The fuse at a module's post, and the wire behind it."""
    s, out = job.parts.sense_lead, []
    d = job.parts.divider_at(max(job.pack.boxes))
    area, lead_ohm = s.area_mm2 * 1e-6, conductors.copper_ohm_per_m(s.area_mm2 * 1e-6) * s.length_m
    volts = job.highest_v
    divider_a = volts / (d.top_ohm + d.bottom_ohm)
    out.append(
        told("sense_lead.load", divider_a, at_most(divider_a, 0.1 * s.fuse_a, 0.5), 0.1 * s.fuse_a, caution=LICENSED)
    )
    full = short_a(job.open_v, job.string_ohm)
    out.append(
        told(
            "sense_lead.breaks",
            s.fuse_breaks_a,
            at_least(s.fuse_breaks_a, full, 1.1),
            full,
            assumes=("the lead's own resistance not counted",),
        )
    )
    out.append(told("sense_lead.volts", s.fuse_v, at_least(s.fuse_v, volts, 1.1), volts))
    out.append(told("sense_lead.wire_volts", s.wire_v, at_least(s.wire_v, volts, 1.1), volts))
    stands = conductors.adiabatic_a2s(s.area_mm2, WIRE_K)
    out.append(told("sense_lead.a2s", stands, at_least(stands, s.fuse_a2s, 2.0), s.fuse_a2s))
    outer = conductors.outer_m(area, 0.5e-3)
    hot = conductors.steady_c(
        FUSE_HOLDS * s.fuse_a, conductors.copper_ohm_per_m(area), outer, WIRE_LOSS, job.parts.ambient.high_c
    )
    out.append(told("sense_lead.heat", min(hot, 999.0), at_most(hot, WIRE_C, 0.95), WIRE_C))
    m = job.pack.module
    neighbours = job.milli("v27_pickup_mv") / (2.0 * (lead_ohm + s.fuse_ohm) + m.resistance_ohm)
    out.append(told("sense_lead.melts", neighbours, at_least(neighbours, 4.0 * s.fuse_a), 4.0 * s.fuse_a))
    error = divider_a * (lead_ohm + s.fuse_ohm)
    out.append(told("sense_lead.error", error, at_most(error, 0.001), 0.001))
    return Report(tuple(out))
