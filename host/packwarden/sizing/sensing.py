"""Topics of measuring: the taps and their error budget, what that does to the relay's thresholds, the converter."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from packwarden.bench import tables
from packwarden.sizing import budget
from packwarden.sizing.job import Job
from packwarden.sizing.result import (
    ESTIMATE,
    OK,
    REFUSE,
    TIGHT,
    Curve,
    Plot,
    Report,
    Result,
    at_least,
    at_most,
    between,
    told,
)

CURRENT_SIGMAS = 3.0
GAIN_OFF = 0.02  # beyond this a gain was never calibrated for this divider; estimate
RESTING_CHARGE = 0.2  # a module this full, at rest, is healthy: 27 should let it be


def taps(job: Job) -> Report:
    """Range, load, filter and error of every tap and module."""
    p = job.parts
    out: list[Result] = []
    biggest = max(job.pack.boxes)
    high_v = max(job.charging_module_v, job.milli("v59_high_mv"))
    d = p.divider_at(biggest)
    room = min(
        job.adc.full_scale_v * budget.ratio(p.divider_at(n).top_ohm, p.divider_at(n).bottom_ohm) / (n * high_v)
        for n in range(1, biggest + 1)
    )
    out.append(told("taps.range", room, at_least(room, 1.0, 1.05), 1.0))
    off = _gain_off(job)
    grave = OK if off <= 2.0 * d.tolerance else TIGHT if off < GAIN_OFF else REFUSE
    out.append(told("taps.gain", off, grave, 2.0 * d.tolerance))
    out += _string_tap(job)
    load_a = biggest * high_v / (d.top_ohm + d.bottom_ohm)
    out.append(
        told(
            "taps.load",
            load_a,
            at_most(load_a, 0.001),
            0.001,
            assumes=("1 mA as the most that a standing drain should be: 8.8 Ah a year; " + ESTIMATE,),
        )
    )
    each_v = biggest * high_v / d.top_parts
    out.append(
        told(
            "taps.part_v",
            each_v,
            at_most(each_v, d.part_v),
            d.part_v,
            assumes=("the bottom resistor's small share is left out",),
        )
    )
    each_w = load_a * load_a * d.top_ohm / d.top_parts
    out.append(told("taps.part_w", each_w, at_most(each_w, d.part_w, 0.5), d.part_w))
    tau = budget.filter_s(d.top_ohm, d.bottom_ohm, d.filter_f)
    corner = 1.0 / (2.0 * math.pi * tau) if tau else math.inf
    out.append(told("taps.corner", corner if tau else 0.0, OK))
    slew_v = biggest * job.pack.module.resistance_ohm * job.pack.bus.controller_a
    settle = tau * max(0.0, math.log(max(1.0, slew_v / 0.01)))
    shortest = min(job.milli("v27_floor_ms"), job.milli("v59_high_ms"))
    out.append(
        told(
            "taps.settle",
            settle,
            at_most(settle, shortest, 0.5),
            shortest,
            assumes=("held against the shortest delay of 27 and 59",),
        )
    )
    nominal_v = job.milli("module_nominal_mv")
    rows = budget.modules(job, nominal_v, nominal_v)
    last = max(rows, key=lambda m: m.error.worst_v)
    mc, most = budget.monte_carlo(job, nominal_v)
    off_k = job.warmest_off_k()
    level = "every module at %g V" % nominal_v
    away = ("%g K from calibration" % off_k, level)
    out.append(told("taps.worst", last.error.worst_v, fill=(last.k, last.place, last.box), assumes=away))
    out.append(told("taps.rss", last.error.rss_v, assumes=away))
    out.append(told("taps.monte_carlo", mc[last.k - 1], assumes=(level, "%d trials" % budget.TRIALS)))
    for m in rows:
        place = "%d (box %d place %d, tap at %.1f V)" % (m.k, m.box, m.place, m.upper_v)
        about = (place, m.error.rss_v * 1e3, mc[m.k - 1] * 1e3)
        out.append(told("taps.module_%d", m.error.worst_v, at=(m.k,), fill=about, detail=True))
        out.append(told("taps.tap_%d", m.tap.worst_v, at=(m.k,), fill=(place, m.tap.rss_v * 1e3), detail=True))
    upper = budget.terms(p.divider_at(last.place), job.adc, p.calibration, off_k)
    heaviest = sorted(upper, key=lambda t: -_weight(t, last))[:4]
    for n, t in enumerate(heaviest, 1):
        out.append(told("taps.cause_%d", _weight(t, last), at=(n,), fill=(t.name,)))
    xs = tuple(float(m.k) for m in rows)
    plot = Plot(
        "Error of each module's reading",
        "module",
        "mV",
        (
            Curve("worst case", xs, tuple(m.error.worst_v * 1e3 for m in rows), "bold", True),
            Curve("RSS", xs, tuple(m.error.rss_v * 1e3 for m in rows), "second", True),
            Curve("Monte Carlo 99.7 %", xs, tuple(v * 1e3 for v in mc), "third", True),
            Curve("Monte Carlo, largest", xs, tuple(v * 1e3 for v in most), "dotted", True),
        ),
    )
    return Report(tuple(out), (plot,))


def _string_tap(job: Job) -> list[Result]:
    """Range and gain of the taps of string and link."""
    d = job.parts.string_tap
    k = budget.ratio(d.top_ohm, d.bottom_ohm)
    room = job.adc.full_scale_v * k / job.highest_v
    count = budget.lsb_v(dataclasses.replace(job.adc, bits=16.0), k)
    off = max(abs(job.whole(name) * 1e-9 / count - 1.0) for name in ("string_gain_nv", "link_gain_nv"))
    grave = OK if off <= 2.0 * d.tolerance else TIGHT if off < GAIN_OFF else REFUSE
    most_v = job.highest_v / d.top_parts
    return [
        told("taps.string_range", room, at_least(room, 1.0, 1.05), 1.0),
        told("taps.string_gain", off, grave, 2.0 * d.tolerance),
        told("taps.string_part_v", most_v, at_most(most_v, d.part_v), d.part_v),
    ]


def sum_error_v(job: Job) -> float:
    """Worst error of the modules' sum against the string tap, V: the top tap of every box, and the string's own."""
    nominal_v = job.milli("module_nominal_mv")
    tops = {m.box: m.tap.worst_v for m in budget.modules(job, nominal_v, nominal_v)}  # the last of each box stays
    d, p = job.parts.string_tap, job.parts
    own = budget.tap_error(budget.terms(d, job.adc, p.calibration, job.warmest_off_k()), job.nominal_v)
    return sum(tops.values()) + own.worst_v


def _gain_off(job: Job) -> float:
    """Largest relative distance of a tap's gain in the settings from what its divider and converter give."""
    gains = job.settings["tap_gain_nv"]
    assert isinstance(gains, tuple)
    places = [place for count in job.pack.boxes for place in range(1, count + 1)]
    whole = dataclasses.replace(job.adc, bits=16.0)  # the relay's counts are 16 bits wide, whatever the converter
    off = 0.0
    for gain, place in zip(gains, places):
        d = job.parts.divider_at(place)
        off = max(off, abs(gain * 1e-9 / budget.lsb_v(whole, budget.ratio(d.top_ohm, d.bottom_ohm)) - 1.0))
    return off


def _weight(t: budget.Term, m: budget.Module) -> float:
    if t.kind == "shared":
        return t.half * (m.upper_v - m.lower_v)
    both = 2.0 if m.place > 1 else 1.0
    return t.half * (m.upper_v + m.lower_v) if t.kind == "own" else t.half * both


# -- what it does to the thresholds --------------------------------------------------------------------------


@dataclass(frozen=True)
class Stage:
    """A stage of 27, 59 or 60 with its levels in V, and what a reading at its pickup may be wrong by, V."""

    number: str
    stage: str
    pickup: float
    dropout: float
    error: float  # worst case of the worst module
    noise: float  # peak to peak, 999 of 1000 readings


def stages(job: Job) -> list[Stage]:
    """Every stage of 27, 59 and 60 that is in use, from the firmware's own table of elements."""
    out = []
    s, shift = job.pack.sensors, job.whole("filter_shift")
    for row in tables.element_rows():
        if row.number not in ("27", "59", "60") or row.switch and not job.whole(row.switch):
            continue
        assert isinstance(row.pickup, str) and isinstance(row.dropout, str)
        pickup, dropout = job.milli(row.pickup), job.milli(row.dropout)
        level = job.milli("module_nominal_mv") if row.number == "60" else pickup
        below = max(level, job.milli("module_nominal_mv"))
        each = budget.modules(job, level, below)
        error = max(m.error.worst_v for m in each)
        rms = max(m.noise_v for m in each)
        raw = row.stage in ("floor", "high")
        rms = rms if raw else budget.filtered(rms, shift)
        if row.number == "27" and not raw and row.stage != "rest":
            ohm = job.whole("rcomp_max_uohm") * 1e-6
            error += ohm * CURRENT_SIGMAS * s.current_offset_a
            rms = math.hypot(rms, budget.filtered(ohm * s.current_noise_a, shift))
        elif row.number == "59" and not raw:
            error += abs(job.milli("v59_tempco_mv")) * job.parts.ambient.probe_c
        elif row.number == "60":
            ranked = sorted(m.error.worst_v for m in each)
            error += ranked[len(ranked) // 2]  # the median errs no more than the middle one of them may
        step = 0.001  # readings are whole mV
        out.append(Stage(row.number, row.stage, pickup, dropout, error, 2.0 * budget.PEAK_SIGMAS * rms + step))
    return out


def thresholds(job: Job) -> Report:
    """Each stage's hysteresis against the noise, and its margins against the worst error."""
    out: list[Result] = []
    found = stages(job)
    for s in found:
        width = abs(s.pickup - s.dropout)
        name = (s.number, s.stage)
        out.append(
            told("thresholds.%s_%s.hysteresis", width, at_least(width, s.noise, 2.0), s.noise, at=name, fill=name)
        )
    for s in found:
        for key, room, nuisance in _margins(job, s):
            verdict = at_least(room, s.error, 1.25)
            if nuisance and verdict == REFUSE:
                verdict = TIGHT
            out.append(told("thresholds.%s_%s.%s" % (s.number, s.stage, key), room, verdict, s.error))
    believed, wrong = job.milli("sum_dropout_mv"), sum_error_v(job)
    out.append(told("thresholds.sum", believed, at_least(believed, wrong), wrong))
    xs = tuple(float(n) for n in range(1, len(found) + 1))
    label = ", ".join("%d: %s %s" % (n, s.number, s.stage) for n, s in enumerate(found, 1))
    plot = Plot(
        "Hysteresis, worst error and noise of each stage",
        label,
        "mV",
        (
            Curve("hysteresis", xs, tuple(abs(s.pickup - s.dropout) * 1e3 for s in found), "bold", True, False),
            Curve("worst error", xs, tuple(s.error * 1e3 for s in found), "second", True, False),
            Curve("noise, peak to peak", xs, tuple(s.noise * 1e3 for s in found), "third", True, False),
        ),
    )
    return Report(tuple(out), (plot,))


def _margins(job: Job, s: Stage) -> list[tuple[str, float, bool]]:
    """(row, distance that the worst error must not eat up, V, whether it is only a nuisance when it does)."""
    chem, charger = job.pack.module.chemistry, job.pack.charger
    low_v = between(chem.charge_state, chem.ocv_v, RESTING_CHARGE)
    return {
        ("27", "floor"): [("reversal", s.pickup, False)],
        ("27", "time"): [("floor", s.pickup - job.milli("v27_floor_mv"), True)],
        ("27", "rest"): [("release", low_v - s.dropout, True)],
        ("59", "time"): [
            ("charge", s.pickup - charger.absorption_v, False),
            ("release", s.dropout - charger.absorption_v, True),
        ],
        ("59", "high"): [("range", job.milli("range_high_mv") - s.pickup, False)],
        ("60", "alarm"): [("balanced", s.pickup, False), ("release", s.dropout, False)],
    }.get((s.number, s.stage), [])


# -- the converter -------------------------------------------------------------------------------------------


def converter(job: Job) -> Report:
    """The same budget with each converter that the file of parts describes, so that one can be chosen."""
    out = []
    biggest = max(job.pack.boxes)
    for name, adc in job.parts.adc.items():
        other = dataclasses.replace(job, parts=dataclasses.replace(job.parts, use_adc=name))
        d = job.parts.divider_at(biggest)
        count = budget.lsb_v(adc, budget.ratio(d.top_ohm, d.bottom_ohm))
        found = [r for topic in (taps, thresholds) for r in topic(other).results]
        refused = [r.name.partition(".")[2] for r in found if r.verdict == REFUSE and r.name != "taps.gain"]
        mine = name == job.parts.use_adc
        used = " (in use)" if mine else ""
        out.append(told("converter.%s.count", count, at=(name,), fill=(name, used, adc.bits, adc.full_scale_v)))
        worst_v = max(s.error for s in stages(other))
        out.append(
            told(
                "converter.%s.error",
                worst_v,
                REFUSE if mine and refused else OK,  # one that is not used refuses nothing
                at=(name,),
                fill=(name, used, ", ".join(refused) or "nothing"),
            )
        )
    return Report(tuple(out))
