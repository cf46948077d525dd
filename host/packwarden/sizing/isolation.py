"""The isolation monitor's resistors: what 64 reads, how wrong it may be, and what the test itself lets through."""

from __future__ import annotations

import math
from itertools import product

from packwarden.sizing.job import Job
from packwarden.sizing.precharge import SAFE_V
from packwarden.sizing.result import (
    DECIDE,
    LICENSED,
    OK,
    REFUSE,
    TIGHT,
    Curve,
    Plot,
    Report,
    above_zero,
    at_least,
    at_most,
    told,
)

FORMULA = "Ri = Ro Vb (1/V1' - 1/V1)"
SOURCE = "UN R100 Rev. 2, annex 4B"
LEAST_OHM_PER_V = 100.0  # UN R100, direct current
STEP_V, STEP_RATIO, STEP_OHM = 0.01, 0.001, 1000.0  # of a voltage, of Vb / V1, and of the result, in the relay
SETTLED = 0.01
TOUCH = (
    "Which direct current through a body is harmless is not said here: no source was at hand. A person licensed for "
    "such work decides on the test resistor."
)


def resistance_ohm(test_ohm: float, whole_v: float, before_v: float, after_v: float) -> float:
    """Isolation resistance, ohm, from the higher side's voltage before and after a known resistor is put across it.

    Ri = Ro Vb (1/V1' - 1/V1).  Source: UN R100 Rev. 2, annex 4B.  Sign: all voltages positive.  Valid when the pack's
    voltage stays the same meanwhile; the meters' own resistance is part of the result.  It gives the side that leaks
    most.  Raises ValueError for values not above 0.
    """
    above_zero(test_ohm=test_ohm, whole_v=whole_v, before_v=before_v, after_v=after_v)
    return test_ohm * whole_v * (1.0 / after_v - 1.0 / before_v)


def bridge_v(whole_v: float, high_ohm: float, low_ohm: float) -> float:
    """Voltage across the `high_ohm` side of two resistances in series over the pack, V.  Source: Ohm."""
    above_zero(whole_v=whole_v, high_ohm=high_ohm, low_ohm=low_ohm)
    return whole_v * high_ohm / (high_ohm + low_ohm)


def parallel(*ohms: float) -> float:
    """Resistances in parallel, ohm."""
    above_zero(**{"ohm_%d" % k: r for k, r in enumerate(ohms)})
    return 1.0 / sum(1.0 / r for r in ohms)


def reading_ohm(
    leak_ohm: float, meter_ohm: float, test_ohm: float, whole_v: float, error: float, test_tolerance: float
) -> tuple[float, float, float]:
    """(lowest, exact, highest) reading of a leak from one end of the pack to the chassis, the other end sound, ohm.

    Corners: both readings of V1 and that of Vb wrong by `error` either way, each rounded as the relay rounds them, the
    test resistor off by its tolerance; then the relay drops what is less than a whole kohm.  The reading is of the leak
    and the meter in parallel.  Source: corners of `resistance_ohm`, and the relay's own arithmetic (sense.py).
    """
    leaky = parallel(leak_ohm, meter_ohm)
    before = bridge_v(whole_v, meter_ohm, leaky)
    after = bridge_v(whole_v, parallel(meter_ohm, test_ohm), leaky)
    exact = resistance_ohm(test_ohm, whole_v, before, after)
    found = []
    for a, b, c, d in product((-1.0, 1.0), repeat=4):
        v1, v2, vb = (v * (1.0 + s * error) + s * STEP_V for v, s in ((before, a), (after, b), (whole_v, c)))
        # The relay takes its test resistor for exact; it is really off, which moves V1'.
        v2 *= bridge_v(1.0, parallel(meter_ohm, test_ohm * (1.0 + d * test_tolerance)), leaky) / (after / whole_v)
        found.append(resistance_ohm(test_ohm, vb, v1, v2))
    step = 2.0 * STEP_RATIO * test_ohm
    return max(0.0, min(found) - step - STEP_OHM), exact, max(found) + step


def largest_farad(seconds: float, ohm: float) -> float:
    """Largest capacitance to the chassis that settles to 1 % within a time, F: t / (R ln 100).  Source: closed form."""
    above_zero(seconds=seconds, ohm=ohm)
    return seconds / (ohm * math.log(1.0 / SETTLED))


def isolation(job: Job) -> Report:
    """Error at 64's thresholds, resolution, current and power of the test resistor."""
    b, volts = job.parts.bridge, job.nominal_v
    test = job.whole("iso_test_kohm") * 1000.0
    out = []
    for key, name in (("trip", "iso_trip_ohmv"), ("alarm", "iso_alarm_ohmv")):
        level, release = float(job.whole(name)), float(job.whole(name.replace("_ohmv", "_dropout_ohmv")))
        low, exact, high = (
            r / volts for r in reading_ohm(level * volts, b.meter_ohm, test, volts, b.error, b.test_tolerance)
        )
        off = max(exact - low, high - exact)
        verdict = at_most(off, 0.5 * level, 0.5)
        if verdict == REFUSE and job.highest_v <= SAFE_V:
            verdict = TIGHT  # nothing here to shock anyone
        out.append(
            told(
                "isolation.%s",
                off,
                verdict,
                0.5 * level,
                at=(key,),
                fill=(key, level, low, high),
                assumes=("the meter's %g Mohm is in the reading" % (b.meter_ohm * 1e-06), "leak at one end"),
            )
        )
        step = STEP_OHM / volts
        out.append(
            told(
                "isolation.%s_hysteresis",
                release - level,
                at_least(release - level, step, 2.0),
                step,
                at=(key,),
                fill=(key,),
            )
        )
    trip = float(job.whole("iso_trip_ohmv"))
    low = _lowest_sure(job, trip)
    out.append(told("isolation.sure", low, OK if low >= LEAST_OHM_PER_V else TIGHT, LEAST_OHM_PER_V))
    out.append(told("isolation.resolution", STEP_OHM / volts))
    most = job.charged_v
    touch = most / test
    own = test / most
    need = float(job.whole("iso_alarm_ohmv"))
    out.append(told("isolation.touch", touch, DECIDE, caution=TOUCH))
    out.append(told("isolation.own", own, REFUSE if own < LEAST_OHM_PER_V else OK if own >= need else TIGHT, need))
    watts = most * most / (test * (1.0 - b.test_tolerance))
    out.append(told("isolation.power", watts, at_most(watts, b.test_w), b.test_w))
    farad = largest_farad(job.milli("iso_phase_ms"), parallel(need * volts, 0.5 * b.meter_ohm))
    out.append(told("isolation.farad", farad, DECIDE, caution=LICENSED))
    levels = [20.0 * 1.08**k for k in range(64)]
    lows, highs = [], []
    for level in levels:
        low, _, high = reading_ohm(level * volts, b.meter_ohm, test, volts, b.error, b.test_tolerance)
        lows.append(max(0.5, low / volts))
        highs.append(high / volts)
    plot = Plot(
        "What 64 reads of a leak",
        "ohm/V, true",
        "ohm/V, read",
        (
            Curve("lowest", tuple(levels), tuple(lows), "second"),
            Curve("highest", tuple(levels), tuple(highs), "bold"),
        ),
        ((trip, "64 trip"), (need, "64 alarm")),
        True,
    )
    return Report(tuple(out), (plot,))


def _lowest_sure(job: Job, trip: float) -> float:
    """True ohm/V at which even the highest reading lies at the trip."""
    b, volts = job.parts.bridge, job.nominal_v
    test = job.whole("iso_test_kohm") * 1000.0
    low, high = 0.01 * trip, 4.0 * trip
    for _ in range(60):
        middle = 0.5 * (low + high)
        read = reading_ohm(middle * volts, b.meter_ohm, test, volts, b.error, b.test_tolerance)[2]
        low, high = (middle, high) if read <= trip * volts else (low, middle)
    return low
