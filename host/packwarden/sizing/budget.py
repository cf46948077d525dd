"""Error budget of the sense taps: divider, filter, converter, reference, calibration; worst case, RSS, Monte Carlo.

A head measures each tap of its box against the box's negative, and a module is the difference of two taps.  So what all
taps of a head share (reference, calibrating meter, what resistors of one value share) errs by the module's voltage,
while what each tap has for itself errs by the whole voltage at both taps: the last module of a long box is measured
worst.  Errors are half-widths: the truth lies within them, either way.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Sequence

from packwarden.sizing.job import Job
from packwarden.sizing.parts import Adc, Calibration, Divider
from packwarden.sizing.result import above_zero, not_negative

PEAK_SIGMAS = 3.3  # noise stays within this many sigmas either way in 999 of 1000 readings (normal distribution)
TRIALS, MC_SEED = 1500, 60  # of the Monte Carlo


def ratio(top_ohm: float, bottom_ohm: float) -> float:
    """Volts at the tap for a volt at the converter: (top + bottom) / bottom.

    Source: closed form of a divider that nothing loads.  Raises ValueError below or at 0 ohm.
    """
    above_zero(top_ohm=top_ohm, bottom_ohm=bottom_ohm)
    return (top_ohm + bottom_ohm) / bottom_ohm


def filter_s(top_ohm: float, bottom_ohm: float, farad: float) -> float:
    """Time constant of the divider with a capacitor across its bottom, s: (top || bottom) * C.

    Source: closed form (Thevenin).  The corner is at 1 / (2 pi) of its inverse.  Raises ValueError as `ratio`.
    """
    not_negative(farad=farad)
    above_zero(top_ohm=top_ohm, bottom_ohm=bottom_ohm)
    return top_ohm * bottom_ohm / (top_ohm + bottom_ohm) * farad


def lsb_v(adc: Adc, k: float) -> float:
    """One count of the converter, in V at the tap, behind a divider of ratio k: full scale / 2^bits * k."""
    return float(adc.full_scale_v / 2.0**adc.bits * k)


@dataclass(frozen=True)
class Term:
    """One source of error.  `half`: half-width, relative to the voltage or in V at the tap, as `kind` says.

    shared: relative, the same for every tap of a head; own: relative, each tap for itself; fixed: V, each tap for
    itself.  `drifts`: it is nothing at the temperature of calibration and grows with the distance from it.
    """

    name: str
    half: float
    kind: str
    drifts: bool = False


def terms(divider: Divider, adc: Adc, cal: Calibration, off_k: float) -> tuple[Term, ...]:
    """Every source of error of one tap, off_k kelvin away from where it was calibrated.

    The ratio's relative change is (top / (top + bottom)) times the difference of the relative changes of top and bottom
    (derivative of `ratio`).  In the worst case top goes up by its coefficient and bottom down.  The tolerance itself is
    calibrated away.  Source: closed form.  Raises ValueError for a negative distance.
    """
    not_negative(off_k=off_k)
    k = ratio(divider.top_ohm, divider.bottom_ohm)
    part = divider.top_ohm / (divider.top_ohm + divider.bottom_ohm)
    drift = part * divider.tempco_per_k * off_k
    source_ohm = divider.top_ohm * divider.bottom_ohm / (divider.top_ohm + divider.bottom_ohm)
    count = lsb_v(adc, k)
    return (
        Term("calibrating meter", cal.meter, "shared"),
        Term("reference, temperature", adc.ref_tempco_per_k * off_k, "shared", True),
        Term("reference, age", adc.ref_ageing, "shared"),
        Term("top resistor, temperature, shared", drift * divider.shared, "shared", True),
        Term("bottom resistor, temperature, shared", drift * divider.shared, "shared", True),
        Term("top resistor, temperature, own", drift * (1.0 - divider.shared), "own", True),
        Term("bottom resistor, temperature, own", drift * (1.0 - divider.shared), "own", True),
        Term("top resistor, age", part * divider.ageing, "own"),
        Term("bottom resistor, age", part * divider.ageing, "own"),
        Term("gain left by calibration", cal.residual, "own"),
        Term("offset left by calibration", cal.residual_v, "fixed"),
        Term("converter, offset drift", adc.offset_v_per_k * off_k * k, "fixed", True),
        Term("converter, input current", adc.input_a * source_ohm * k, "fixed"),
        Term("converter, nonlinearity", adc.inl_counts * count, "fixed"),
        Term("converter, half a count", 0.5 * count, "fixed"),
        Term("rounding to 1 mV", 0.0005, "fixed"),
    )


@dataclass(frozen=True)
class Error:
    """Error of a module's or a tap's voltage, V: the most there can be, and the root of the sum of squares."""

    worst_v: float
    rss_v: float


def tap_error(each: Sequence[Term], tap_v: float) -> Error:
    """Error of one tap at tap_v, V: half-widths summed, and their RSS.

    Source: definition of both.  Valid for small independent errors.
    """
    halves = [t.half if t.kind == "fixed" else t.half * tap_v for t in each]
    return Error(sum(halves), math.sqrt(sum(h * h for h in halves)))


def module_error(upper: Sequence[Term], lower: Sequence[Term] | None, upper_v: float, lower_v: float) -> Error:
    """Error of the difference of two taps of one head, V.  `lower` None: the box's first module, against its negative.

    Shared terms act on the difference (where both taps have dividers of one make; where they differ, each by its own);
    all others on each tap for itself.  Source: closed form.
    """
    halves = []
    for n, t in enumerate(upper):
        low = lower[n] if lower is not None else None
        if t.kind == "shared":
            halves.append(abs(t.half * upper_v - (low.half * lower_v if low else 0.0)))
        elif t.kind == "own":
            halves.append(t.half * upper_v)
            halves.append(low.half * lower_v if low else 0.0)
        else:
            halves.append(t.half)
            halves.append(low.half if low else 0.0)
    return Error(sum(halves), math.sqrt(sum(h * h for h in halves)))


def mismatch(divider: Divider, adc: Adc, cal: Calibration, off_k: float, volts: float) -> float:
    """How far two like taps of one head may differ on the same voltage, relative, at the worst.

    What they share falls out; what each has for itself counts twice.  So the link is compared with the string.
    Source: closed form.  Raises ValueError for no voltage.
    """
    above_zero(volts=volts)
    each = [t for t in terms(divider, adc, cal, off_k) if t.kind != "shared"]
    return 2.0 * sum(t.half if t.kind == "own" else t.half / volts for t in each)


def noise_v(divider: Divider, adc: Adc) -> float:
    """Noise of one tap's reading, V root mean square: the converter's, behind the divider.  Source: closed form."""
    return lsb_v(adc, ratio(divider.top_ohm, divider.bottom_ohm)) * adc.noise_counts


def filtered(noise: float, shift: int) -> float:
    """What is left of white noise behind the relay's filter, which moves by 1/2^shift of the way at each sample.

    sqrt(a / (2 - a)) with a = 2^-shift.  Source: closed form of a first-order recursive filter.
    """
    a = 2.0**-shift
    return noise * math.sqrt(a / (2.0 - a))


@dataclass(frozen=True)
class Module:
    """One module's place and error.  Noise is of the unfiltered difference, V root mean square."""

    k: int  # from 1
    box: int  # from 1
    place: int  # in its box, from 1
    upper_v: float
    lower_v: float
    error: Error
    tap: Error
    noise_v: float


def modules(job: Job, module_v: float, below_v: float, off_k: float | None = None) -> tuple[Module, ...]:
    """Every module of the string showing module_v, with those below it in its box at below_v each, V."""
    off_k = job.warmest_off_k() if off_k is None else off_k
    p, out, k = job.parts, [], 0
    for box, count in enumerate(job.pack.boxes, 1):
        for place in range(1, count + 1):
            k += 1
            above = p.divider_at(place)
            upper = terms(above, job.adc, p.calibration, off_k)
            lower, noise = None, noise_v(above, job.adc)
            if place > 1:
                below = p.divider_at(place - 1)
                lower = terms(below, job.adc, p.calibration, off_k)
                noise = math.hypot(noise, noise_v(below, job.adc))
            low_v = (place - 1) * below_v
            high_v = low_v + module_v
            error = module_error(upper, lower, high_v, low_v)
            out.append(Module(k, box, place, high_v, low_v, error, tap_error(upper, high_v), noise))
    return tuple(out)


def monte_carlo(
    job: Job, module_v: float, trials: int = TRIALS, seed: int = MC_SEED
) -> tuple[list[float], list[float]]:
    """(99.7 % quantile, largest) of the size of each module's error over `trials` built and calibrated heads, V.

    Each trial draws a temperature evenly from the ambient's range, and evenly within its half-width: for each head the
    shared terms, for each tap its own.  So drift is correlated: one temperature, one reference, and the shared part of
    the resistors move all taps of a head together.  All modules at module_v.  Source: definition.  Raises ValueError
    for less than one trial.
    """
    above_zero(trials=trials)
    rng = random.Random(seed)
    p = job.parts
    low_k, high_k = p.ambient.low_c - p.ambient.calibrated_c, p.ambient.high_c - p.ambient.calibrated_c
    made = [
        [terms(p.divider_at(place), job.adc, p.calibration, 1.0) for place in range(1, count + 1)]
        for count in job.pack.boxes
    ]
    names = [t.name for t in made[0][0]]
    found: list[list[float]] = [[] for _ in range(job.n)]
    for _ in range(trials):
        off_k = rng.uniform(low_k, high_k)
        k = 0
        for box in made:
            shared = {name: rng.uniform(-1.0, 1.0) for name in names}
            below = 0.0
            for place, each in enumerate(box, 1):
                tap_v = place * module_v
                error = 0.0
                for t in each:
                    draw = shared[t.name] if t.kind == "shared" else rng.uniform(-1.0, 1.0)
                    size = t.half * draw * (off_k if t.drifts else 1.0)
                    error += size if t.kind == "fixed" else size * tap_v
                found[k].append(abs(error - below))
                below = error
                k += 1
    for each_found in found:
        each_found.sort()
    at = min(trials - 1, int(0.997 * trials))
    return [f[at] for f in found], [f[-1] for f in found]
