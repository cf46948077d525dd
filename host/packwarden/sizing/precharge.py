"""Precharge resistor and link discharge: times, heat, and what the relay's 48 and 72 make of them."""

from __future__ import annotations

import math

from packwarden.sizing import budget
from packwarden.sizing.job import Job
from packwarden.sizing.parts import PowerResistor
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
    between,
    not_negative,
    sampled,
    told,
)

SAFE_V = 60.0  # UN R100: below this direct voltage counts as safe to touch
SCAN_S = 0.01
PULL_IN_S, RELEASE_S = 0.012, 0.008  # of the small precharge contactor, as the bench has it; estimates
STANDBY_FROM_V = 20.0  # link voltage above which a controller draws its standby power, as the bench has it; estimate
LOW_CHARGE = 0.1  # charge state of a pack that somebody still starts with
STEPS = 400  # of the numerical curve, in a time constant
TOUCH = "An open bleed resistor, or one too weak, leaves the link live: measure before you touch. " + LICENSED


def energy_j(farad: float, volts: float) -> float:
    """Heat in the resistor when a capacitor is charged through it from nothing, J: C V^2 / 2, whatever the resistance.

    Source: closed form.  Valid for a charge that runs to its end with nothing else on the link.  Raises ValueError
    for a negative argument.
    """
    not_negative(farad=farad, volts=volts)
    return 0.5 * farad * volts * volts


def charge_s(ohm: float, farad: float, band: float, bleed_ohm: float = math.inf) -> float:
    """Time until the link is within `band` (a part of 1) of the source, s.

    tau ln(a / (a - (1 - band))), a = bleed / (bleed + R), tau = (R || bleed) C.  Source: closed form.  Valid without a
    load but the bleed.  Raises ValueError when the bleed holds the link below the band for ever.
    """
    above_zero(ohm=ohm, farad=farad, band=band)
    part = 1.0 if bleed_ohm == math.inf else bleed_ohm / (bleed_ohm + ohm)
    if part <= 1.0 - band:
        raise ValueError(
            "bleed_ohm = %g: the link stays below the band; allowed above %g" % (bleed_ohm, ohm * (1.0 - band) / band)
        )
    return ohm * part * farad * math.log(part / (part - (1.0 - band)))


def discharge_s(ohm: float, farad: float, from_v: float, to_v: float) -> float:
    """Time in which a bleed resistor takes the link from one voltage down to another, s: R C ln(from / to).

    Source: closed form.  0 when it is there already.  Raises ValueError for values not above 0.
    """
    above_zero(ohm=ohm, farad=farad, from_v=from_v, to_v=to_v)
    return ohm * farad * math.log(from_v / to_v) if from_v > to_v else 0.0


def curve(
    source_v: float, ohm: float, farad: float, bleed_ohm: float, standby_w: float, end_s: float
) -> list[tuple[float, float, float]]:
    """(time s, link V, heat in the resistor so far J) of a precharge against a bleed and a constant-power standby.

    C dv/dt = (V - v)/R - v/bleed - P/v, P only above 20 V; midpoint rule.  Source: Kirchhoff; the standby as the bench
    has it.  Raises ValueError for values not above 0.
    """
    above_zero(source_v=source_v, ohm=ohm, farad=farad, bleed_ohm=bleed_ohm, end_s=end_s)
    not_negative(standby_w=standby_w)

    def slope(v: float) -> float:
        drain = v / bleed_ohm + (standby_w / v if v > STANDBY_FROM_V else 0.0)
        return ((source_v - v) / ohm - drain) / farad

    n = max(200, min(20000, int(STEPS * end_s / (ohm * farad)) + 1))
    h, v, joules = end_s / n, 0.0, 0.0
    out = [(0.0, 0.0, 0.0)]
    for k in range(1, n + 1):
        middle = v + 0.5 * h * slope(v)
        v += h * slope(middle)
        joules += h * (source_v - middle) ** 2 / ohm
        out.append((k * h, v, joules))
    return out


def repeated_rise_k(joules: float, at_once: int, every_s: float, part: PowerResistor, more: int = 200) -> float:
    """Highest rise of temperature of a resistor that takes `at_once` pulses together and then one each every_s, K.

    One lump: each pulse adds E / C, between pulses the rise falls by exp(-t G / C).  Source: closed form of one lump;
    the wire inside is hotter than the lump for a moment, which its pulse rating covers.  Raises ValueError for values
    not above 0.
    """
    above_zero(every_s=every_s, heat_j_per_k=part.heat_j_per_k, loss_w_per_k=part.loss_w_per_k)
    rise = highest = at_once * joules / part.heat_j_per_k
    decay = math.exp(-every_s * part.loss_w_per_k / part.heat_j_per_k)
    for _ in range(more):
        rise = rise * decay + joules / part.heat_j_per_k
        highest = max(highest, rise)
    return highest


def reached_s(points: list[tuple[float, float, float]], volts: float) -> float:
    """When a curve first reaches a voltage, s, on straight lines between its points; infinite when it never does."""
    for (t0, v0, _), (t1, v1, _) in zip(points, points[1:]):
        if v1 >= volts:
            return t0 + (t1 - t0) * (volts - v0) / (v1 - v0)
    return math.inf


def at_time(points: list[tuple[float, float, float]], t_s: float) -> float:
    """Voltage of a curve at a time, V; its last beyond its end."""
    return next((v for t, v, _ in points if t >= t_s), points[-1][1])


def tap_mismatch(job: Job) -> float:
    """How far the link's tap and the string's may differ on the same voltage, relative."""
    p = job.parts
    return budget.mismatch(p.string_tap, job.adc, p.calibration, job.warmest_off_k(), job.nominal_v)


def corner(verdict: str) -> str:
    """A corner of the tolerances that trips good parts is a nuisance, not a danger: tight at the most."""
    return TIGHT if verdict == REFUSE else verdict


def precharge(job: Job) -> Report:
    """Time, heat and repeated tries of the precharge resistor, with the window of 48 round them."""
    bus, part, tol = job.pack.bus, job.parts.precharge, job.parts.link.tolerance
    band = job.milli("pre_band_permille")
    slow_s, fast_s, check_s = (job.milli("pre_%s_ms" % name) for name in ("slow", "fast", "check"))
    chem = job.pack.module.chemistry
    high_v, low_v = job.charged_v, job.n * between(chem.charge_state, chem.ocv_v, LOW_CHARGE)
    end_s = slow_s * 1.5

    def made(r_factor: float, c_factor: float, volts: float) -> list[tuple[float, float, float]]:
        ohm = bus.precharge_ohm * r_factor + job.string_ohm
        return curve(volts, ohm, bus.link_f * c_factor, bus.bleed_ohm, bus.standby_w, end_s)

    nominal = made(1.0, 1.0, job.open_v)
    quick = made(1.0 - part.tolerance, 1.0 - tol, high_v)
    lazy = made(1.0 + part.tolerance, 1.0 + tol, low_v)
    out: list[Result] = []
    corners = ("R +-%g %%, C +-%g %%" % (part.tolerance * 100, tol * 100),)
    empty = (LOW_CHARGE * 100,)
    out.append(told("precharge.tau", bus.precharge_ohm * bus.link_f))
    # The relay sees the link through one tap and the string through another.
    seen = 1.0 - tap_mismatch(job)
    share, low_share = nominal[-1][1] / job.open_v * seen, lazy[-1][1] / low_v * seen
    out.append(told("precharge.final", share, at_least(share, 1.0 - band, 1.0), 1.0 - band))
    verdict = corner(at_least(low_share, 1.0 - band, 1.005))
    out.append(told("precharge.final_low", low_share, verdict, 1.0 - band, fill=empty))
    times = [
        reached_s(points, (1.0 - band) * volts) + PULL_IN_S
        for points, volts in ((nominal, job.open_v), (lazy, low_v), (quick, high_v))
    ]
    kept = [min(t, 2.0 * end_s) for t in times]  # a finite number for what never comes
    out.append(told("precharge.time", kept[0], at_most(times[0], slow_s, 0.9), slow_s))
    verdict = corner(at_most(times[1], slow_s, 0.95))
    out.append(told("precharge.slowest", kept[1], verdict, slow_s, fill=empty, assumes=corners))
    out.append(told("precharge.fastest", kept[2], corner(at_least(times[2], fast_s)), fast_s, assumes=corners))
    low, high = job.milli("pre_check_low_permille"), job.milli("pre_check_high_permille")
    at_low = at_time(lazy, check_s - PULL_IN_S) / low_v
    at_high = at_time(quick, check_s + SCAN_S) / high_v
    out.append(told("precharge.shape_low", at_low, corner(at_least(at_low, low, 1.1)), low, assumes=corners))
    out.append(told("precharge.shape_high", at_high, corner(at_most(at_high, high, 0.97)), high, assumes=corners))
    out += _heat(job, quick, check_s, slow_s)
    gap_a = band * high_v / (job.string_ohm + bus.main_ohm)
    make_a = job.parts.contactor.make_a
    out.append(
        told(
            "precharge.make",
            gap_a,
            at_most(gap_a, make_a),
            make_a,
            assumes=("for about %.1f ms" % (job.string_ohm * bus.link_f * 1e3),),
        )
    )
    plot = Plot(
        "Link voltage while precharging",
        "s",
        "V",
        (
            _drawn("nominal, full pack", nominal, "bold"),
            _drawn("slowest parts, pack nearly empty", lazy, "second"),
            _drawn("fastest parts, charging", quick, "third"),
        ),
        ((job.open_v * (1.0 - band), "main may close (full pack)"),),
    )
    return Report(tuple(out), (plot,))


def _drawn(label: str, points: list[tuple[float, float, float]], look: str) -> Curve:
    step = max(1, len(points) // 150)
    kept = points[::step]
    return Curve(label, tuple(p[0] for p in kept), tuple(p[1] for p in kept), look)


def _heat(job: Job, quick: list[tuple[float, float, float]], check_s: float, slow_s: float) -> list[Result]:
    """Energy, repeated tries, and a shorted link."""
    bus, part, tol, warm = job.pack.bus, job.parts.precharge, job.parts.link.tolerance, job.parts.ambient.high_c
    volts, out = job.charged_v, []
    joules = energy_j(bus.link_f * (1.0 + tol), volts)
    out.append(
        told(
            "precharge.energy",
            joules,
            at_most(joules, part.pulse_j),
            part.pulse_j,
            assumes=(
                "bleed and standby add %.2g J" % max(0.0, quick[-1][2] - energy_j(bus.link_f * (1.0 - tol), volts)),
            ),
        )
    )
    ops, window = job.whole("ops_max"), job.milli("ops_window_ms")
    rise = repeated_rise_k(joules, ops, window / ops, part)
    room = part.high_c - warm
    out.append(
        told(
            "precharge.repeated",
            rise,
            at_most(rise, room),
            room,
            assumes=("%d at once, then one each %.0f s, for ever" % (ops, window / ops),),
        )
    )
    power = volts * volts / (bus.precharge_ohm * (1.0 - part.tolerance))
    seen_s = check_s + SCAN_S + RELEASE_S
    out.append(told("precharge.short", power * seen_s, at_most(power * seen_s, part.pulse_j), part.pulse_j))
    late_s = slow_s + SCAN_S + RELEASE_S
    late_j = power * late_s
    out.append(told("precharge.short_slow", late_j, corner(at_most(late_j, part.pulse_j)), part.pulse_j))
    for_ever = part.heat_j_per_k * (part.high_c - warm) / power
    steady = warm + power / part.loss_w_per_k
    out.append(told("precharge.stuck", for_ever, OK if steady <= part.high_c else TIGHT))
    out.append(told("precharge.volts", volts, at_most(volts, part.part_v), part.part_v))
    return out


def discharge(job: Job) -> Report:
    """How long the link stays live, and whether 72 can see it fall."""
    bus, part, link = job.pack.bus, job.parts.bleed, job.parts.link
    volts, ohm = job.charged_v, bus.bleed_ohm * (1.0 + part.tolerance)
    farad = bus.link_f * (1.0 + link.tolerance)
    out = []
    to_safe = discharge_s(ohm, farad, volts, SAFE_V)
    verdict = at_most(to_safe, link.label_s)
    out.append(
        told(
            "discharge.safe",
            to_safe,
            verdict,
            link.label_s,
            assumes=("slowest parts", "the limit is the waiting time of the label"),
            caution=TOUCH,
        )
    )
    dead_v = job.milli("link_dead_mv")
    out.append(told("discharge.dead", discharge_s(ohm, farad, volts, dead_v), at_most(dead_v, SAFE_V, 1.0)))
    watts = volts * volts / (bus.bleed_ohm * (1.0 - part.tolerance))
    out.append(told("discharge.power", watts, at_most(watts, part.power_w, 0.5), part.power_w))
    fall = 1.0 - math.exp(-job.milli("k72_open_ms") / (ohm * farad)) - tap_mismatch(job)
    need = job.milli("k72_drop_permille")
    out.append(
        told(
            "discharge.weld",
            fall,
            at_least(fall, need, 1.5),
            need,
            assumes=("slowest parts", "standby of the controller not counted; " + ESTIMATE),
        )
    )
    fall_of = sampled("slowest parts", lambda t: volts * math.exp(-t / (ohm * farad)), 0.0, max(1.3 * to_safe, 1.0))
    return Report(tuple(out), (Plot("Link voltage after opening", "s", "V", (fall_of,), ((SAFE_V, "60 V"),)),))
