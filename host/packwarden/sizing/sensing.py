"""Topics of measuring: the taps and their error budget, what that does to the relay's thresholds, the converter."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from packwarden.bench import tables
from packwarden.sizing import budget
from packwarden.sizing.job import Job
from packwarden.sizing.result import (
    DEFINITION,
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
    worst,
)  # fmt: skip

CLOSED = "closed form"
CURRENT_SIGMAS = 3.0
GAIN_OFF = 0.02  # beyond this a gain was never calibrated for this divider; estimate


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
    out.append(Result(
        "taps.range", "what the fullest tap can show, against every module at 59 high", room, "1",
        "full scale * (top + bottom) / bottom / (place * 59 high)", CLOSED, at_least(room, 1.0, 1.05),
        "" if room >= 1.05 else "the converter's range ends before 59 can act", 1.0))  # fmt: skip
    off = _gain_off(job)
    out.append(Result(
        "taps.gain", "tap_gain_nv of the settings against the dividers' own gains, the farthest", off, "1",
        "|tap_gain_nv / (full scale / 2^16 * ratio) - 1|", CLOSED,
        OK if off <= 2.0 * d.tolerance else TIGHT if off < GAIN_OFF else REFUSE,
        "" if off <= 2.0 * d.tolerance else "farther off than the resistors' tolerance: calibrate every tap"
        if off < GAIN_OFF else "these settings are not for this divider", 2.0 * d.tolerance))  # fmt: skip
    load_a = biggest * high_v / (d.top_ohm + d.bottom_ohm)
    out.append(Result(
        "taps.load", "current that the fullest tap's divider takes for ever", load_a, "A", "V / (top + bottom)", CLOSED,
        at_most(load_a, 0.001), "" if load_a <= 0.0008 else "drains the modules unevenly", 0.001,
        ("1 mA as the most that a standing drain should be: 8.8 Ah a year; " + ESTIMATE,)))  # fmt: skip
    each_v = biggest * high_v / d.top_parts
    out.append(Result(
        "taps.part_v", "voltage across one top resistor", each_v, "V", "V / top_parts", CLOSED,
        at_most(each_v, d.part_v), "" if each_v <= 0.8 * d.part_v else "near or over its working voltage", d.part_v,
        ("the bottom resistor's small share is left out",)))  # fmt: skip
    each_w = load_a * load_a * d.top_ohm / d.top_parts
    out.append(Result(
        "taps.part_w", "power in one top resistor", each_w, "W", "I^2 R / top_parts", CLOSED,
        at_most(each_w, d.part_w, 0.5), "", d.part_w))  # fmt: skip
    tau = budget.filter_s(d.top_ohm, d.bottom_ohm, d.filter_f)
    corner = 1.0 / (2.0 * math.pi * tau) if tau else math.inf
    out.append(Result(
        "taps.corner", "corner of the filter", corner if tau else 0.0, "Hz", "1 / (2 pi (top || bottom) C)",
        "closed form; ngspice gives 24.99 Hz for 1 Mohm, 68 kohm, 100 nF", OK))  # fmt: skip
    slew_v = biggest * job.pack.module.resistance_ohm * job.pack.bus.controller_a
    settle = tau * max(0.0, math.log(max(1.0, slew_v / 0.01)))
    shortest = min(job.milli("v27_floor_ms"), job.milli("v59_high_ms"))
    out.append(Result(
        "taps.settle", "time until a full load step is settled to 10 mV at the fullest tap", settle, "s",
        "tau ln(I R n / 10 mV)", CLOSED, at_most(settle, shortest, 0.5),
        "" if settle <= 0.5 * shortest else "taps of unequal filters can look like a weak module for this long",
        shortest, ("held against the shortest delay of 27 and 59",)))  # fmt: skip
    nominal_v = job.milli("module_nominal_mv")
    rows = budget.modules(job, nominal_v, nominal_v)
    last = max(rows, key=lambda m: m.error.worst_v)
    mc, most = budget.monte_carlo(job, nominal_v)
    where = "module %d (place %d of box %d)" % (last.k, last.place, last.box)
    formula = "(shared) * V_module + (own) * (V_upper + V_lower) + 2 (fixed)"
    off_k = job.warmest_off_k()
    assumes = ("%g K from calibration" % off_k, "every module at %g V" % nominal_v)
    out.append(Result("taps.worst", "worst case of the worst module, " + where, last.error.worst_v, "V", formula,
                      "closed form, sum of half-widths", assumes=assumes))  # fmt: skip
    out.append(Result("taps.rss", "the same, root of the sum of squares", last.error.rss_v, "V", formula,
                      "closed form", assumes=assumes))  # fmt: skip
    out.append(Result("taps.monte_carlo", "the same, 99.7 % of heads built and calibrated", mc[last.k - 1], "V",
                      formula, "Monte Carlo, 1500 trials, drift correlated by temperature", assumes=(assumes[1],)))
    for m in rows:
        name = "module %d, box %d place %d, tap at %.1f V" % (m.k, m.box, m.place, m.upper_v)
        out.append(Result("taps.module_%d" % m.k, "%s: worst case" % name, m.error.worst_v, "V", formula,
                          "closed form; RSS %.0f mV, Monte Carlo %.0f mV, tap alone %.0f mV" % (
                              m.error.rss_v * 1e3, mc[m.k - 1] * 1e3, m.tap.worst_v * 1e3)))  # fmt: skip
    upper = budget.terms(p.divider_at(last.place), job.adc, p.calibration, off_k)
    heaviest = sorted(upper, key=lambda t: -_weight(t, last))[:4]
    for n, t in enumerate(heaviest, 1):
        out.append(Result("taps.cause_%d" % n, "of that: " + t.name, _weight(t, last), "V", formula, CLOSED))
    xs = tuple(float(m.k) for m in rows)
    plot = Plot("Error of each module's reading", "module", "mV", (
        Curve("worst case", xs, tuple(m.error.worst_v * 1e3 for m in rows), "bold", True),
        Curve("RSS", xs, tuple(m.error.rss_v * 1e3 for m in rows), "second", True),
        Curve("Monte Carlo 99.7 %", xs, tuple(v * 1e3 for v in mc), "third", True),
        Curve("Monte Carlo, largest", xs, tuple(v * 1e3 for v in most), "dotted", True),
    ))  # fmt: skip
    return Report(tuple(out), (plot,))


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

    @property
    def name(self) -> str:
        """For scripts."""
        return "thresholds.%s_%s" % (self.number, self.stage)


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
        verdict = at_least(width, s.noise, 2.0)
        out.append(Result(
            s.name + ".hysteresis", "%s %s: from pickup to dropout, against the noise of a reading" % (s.number, s.stage),
            width, "V", "|pickup - dropout| >= 2 * %.1f sigma + 1 mV" % budget.PEAK_SIGMAS,
            "normal distribution; filter's closed form", verdict,
            "" if verdict == OK else "the hysteresis lies below the noise: the stage would chatter" if verdict == REFUSE
            else "less than twice the noise", s.noise))  # fmt: skip
    for s in found:
        out += _margins(job, s)
    xs = tuple(float(n) for n in range(1, len(found) + 1))
    label = ", ".join("%d: %s %s" % (n, s.number, s.stage) for n, s in enumerate(found, 1))
    plot = Plot("Hysteresis, worst error and noise of each stage", label, "mV", (
        Curve("hysteresis", xs, tuple(abs(s.pickup - s.dropout) * 1e3 for s in found), "bold", True),
        Curve("worst error", xs, tuple(s.error * 1e3 for s in found), "second", True),
        Curve("noise, peak to peak", xs, tuple(s.noise * 1e3 for s in found), "third", True),
    ))  # fmt: skip
    return Report(tuple(out), (plot,))


def _margin(s: Stage, key: str, what: str, room: float, bad: str, nuisance: bool = False) -> Result:
    """A distance that the worst error must not eat up."""
    verdict = at_least(room, s.error, 1.25)
    if nuisance and verdict == REFUSE:
        verdict = TIGHT
    word = "" if verdict == OK else bad if room < s.error else "the worst error leaves little of it"
    return Result("%s.%s" % (s.name, key), "%s %s: %s" % (s.number, s.stage, what), room, "V",
                  "distance >= worst-case error of the worst module", "closed form (topic taps)", verdict, word, s.error)


def _margins(job: Job, s: Stage) -> list[Result]:
    chem, charger = job.pack.module.chemistry, job.pack.charger
    if (s.number, s.stage) == ("27", "floor"):
        return [_margin(s, "reversal", "floor above a module at nothing", s.pickup,
                        "a module may be reversed while it reads above the floor")]  # fmt: skip
    if (s.number, s.stage) == ("27", "time"):
        floor = job.milli("v27_floor_mv")
        return [_margin(s, "floor", "pickup above the floor stage", s.pickup - floor,
                        "the floor may act before the time stage", True)]  # fmt: skip
    if (s.number, s.stage) == ("27", "rest"):
        low_v = between(chem.charge_state, chem.ocv_v, 0.2)
        return [_margin(s, "release", "dropout below a module resting at 20 % charge", low_v - s.dropout,
                        "a healthy module at 20 % may never let it release", True)]  # fmt: skip
    if (s.number, s.stage) == ("59", "time"):
        return [
            _margin(s, "charge", "pickup above the charger's absorption voltage, both at 25 degC",
                    s.pickup - charger.absorption_v, "a good charger on a good module may trip it"),
            _margin(s, "release", "dropout above the charger's absorption voltage, both at 25 degC",
                    s.dropout - charger.absorption_v, "a derate may not release while the charger absorbs", True),
        ]  # fmt: skip
    if (s.number, s.stage) == ("59", "high"):
        return [_margin(s, "range", "pickup below range_high_mv", job.milli("range_high_mv") - s.pickup,
                        "the reading may be called impossible before 59 acts")]  # fmt: skip
    if s.number == "60":
        return [
            _margin(s, "balanced", "pickup against a string that is balanced", s.pickup,
                    "measuring alone may set it off"),
            _margin(s, "release", "dropout against a string that is balanced", s.dropout,
                    "measuring alone may keep it from releasing"),
        ]  # fmt: skip
    return []


def between(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    """y at x on straight lines between points; the ends' values beyond them."""
    if x <= xs[0]:
        return ys[0]
    for a, b, c, d in zip(xs, xs[1:], ys, ys[1:]):
        if x <= b:
            return c + (d - c) * (x - a) / (b - a)
    return ys[-1]


# -- the converter -------------------------------------------------------------------------------------------


def converter(job: Job) -> Report:
    """The same budget with each converter that the file of parts describes, so that one can be chosen."""
    out = []
    biggest = max(job.pack.boxes)
    for name, adc in job.parts.adc.items():
        other = dataclasses.replace(job, parts=dataclasses.replace(job.parts, use_adc=name))
        d = job.parts.divider_at(biggest)
        count = budget.lsb_v(adc, budget.ratio(d.top_ohm, d.bottom_ohm))
        used = " (in use)" if name == job.parts.use_adc else ""
        found = [r for topic in (taps, thresholds) for r in topic(other).results if r.verdict != OK]
        verdict = worst([r.verdict for r in found if r.name.partition(".")[2] != "gain"])
        broken = [r.name.partition(".")[2] for r in found if r.verdict == REFUSE]
        out.append(Result(
            "converter.%s.count" % name, "%s%s, %d bits over %g V: one count at the fullest tap" % (
                name, used, adc.bits, adc.full_scale_v), count, "V", "full scale / 2^bits * ratio", DEFINITION))
        worst_v = max(s.error for s in stages(other))
        if name != job.parts.use_adc and verdict == REFUSE:
            verdict = OK  # one that is not used refuses nothing
        out.append(Result(
            "converter.%s.error" % name, "%s%s: worst error of any stage of 27, 59 and 60" % (name, used), worst_v, "V",
            "topic thresholds with this converter", CLOSED, verdict,
            "would be refused: " + ", ".join(broken) if broken else ""))  # fmt: skip
    return Report(tuple(out))
