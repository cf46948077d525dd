"""What the road asks of the pack: power over the standard cycles, range by rated and by kinetic capacity, mass."""

from __future__ import annotations

import math
from functools import lru_cache

from packwarden.cycles import NAMES, load_cycle
from packwarden.plant.spec import PackSpec
from packwarden.plant.string import wells
from packwarden.plant.vehicle import Load, load_for
from packwarden.sizing.job import Job
from packwarden.sizing.result import (
    DECIDE,
    ESTIMATE,
    LICENSED,
    OK,
    TIGHT,
    Curve,
    Plot,
    Report,
    Result,
    above_zero,
    at_least,
    at_most,
    told,
)

LONGEST_S = 12 * 3600.0
EMPTY = 0.02  # part of the charge at hand at which a module's voltage falls away
LEAD_KG_PER_AH, LFP_KG_PER_AH = 0.29, 0.13  # of a 12 V block; estimates, as in the chemistry files
BOAT_CAUTION = "Trim, freeboard and stability with the boxes aboard are for somebody who knows boats."
CITY = "udds"


def cycle_power_w(load: Load, name: str, scale: float = 1.0) -> tuple[tuple[float, ...], float]:
    """(power at the link in each second of a cycle, W; its length, m).  Discharge positive.

    Wheel power by `plant.vehicle` (inertia, rolling, air; midpoint rule), times `scale`, then losses and accessories.
    Source: tests/published/test_road_load.py.  What the controller can't give is not cut off.  ValueError for no scale.
    """
    above_zero(scale=scale)
    cycle = load_cycle(name)
    seconds = int(cycle.duration_s)
    speeds = [cycle.speed_at(float(t)) for t in range(seconds + 1)]
    power = tuple(load.link_power_w(load.wheel_power_w(a, b, 1.0) * scale) for a, b in zip(speeds, speeds[1:]))
    return power, cycle.distance_m


def boat_power_w(pack: PackSpec, scale: float = 1.0) -> tuple[tuple[float, ...], float]:
    """(power in one minute at the pack file's speed, W; metres in it)."""
    return (pack.boat.power_w * scale,) * 60, 60.0 * pack.boat.speed_mps


def trips(job: Job) -> dict[str, tuple[tuple[float, ...], float]]:
    """Every standard cycle, or the one steady speed of a boat."""
    return _trips(job.pack.name, job.pack.vehicle, job.pack.boat, 1.0)


def _scaled(job: Job, scale: float) -> dict[str, tuple[tuple[float, ...], float]]:
    return _trips(job.pack.name, job.pack.vehicle, job.pack.boat, scale)


@lru_cache(maxsize=16)
def _trips(name: str, vehicle: object, boat: object, scale: float) -> dict[str, tuple[tuple[float, ...], float]]:
    pack = PackSpec(name=name, vehicle=vehicle, boat=boat)  # type: ignore[arg-type]
    if boat is not None:
        return {"steady": boat_power_w(pack, scale)}
    load = load_for(pack)
    return {each: cycle_power_w(load, each, scale) for each in NAMES}


def rms_a(power_w: tuple[float, ...], volts: float) -> float:
    """Root mean square of the current of a power trace at a steady voltage, A.  Source: definition."""
    above_zero(volts=volts)
    return math.sqrt(sum(p * p for p in power_w) / len(power_w)) / volts


def hardest_rms_a(job: Job) -> float:
    """The largest rms current of the standard cycles, at nominal voltage, no more than the controller's limit, A."""
    most = job.pack.bus.controller_a
    return max(min(most, rms_a(power, job.nominal_v)) for power, _ in trips(job).values())


def rated_km(power_w: tuple[float, ...], metres: float, volts: float, ah: float) -> float:
    """Range if all rated ampere-hours came at nominal voltage, whatever the current, km.  Source: definition.

    It is always too good for lead-acid.  ValueError when the cycle takes nothing from the pack.
    """
    joules = sum(power_w)
    above_zero(joules=joules, volts=volts, ah=ah)
    return volts * ah * 3600.0 / joules * metres / 1000.0


def kinetic_km(
    job: Job, power_w: tuple[float, ...], metres: float, capacity: float = 1.0, temp_c: float = 25.0
) -> float:
    """Range until 27 would trip or the charge at hand ends, km: one mean module, second by second.

    Two wells (Manwell and McGowan 1993, `plant.string.wells`), current from P = V I with all resistances settled, the
    module's load-compensated voltage against v27_pickup_mv for v27_delay_ms.  `capacity`: part of the rated.  Source:
    the bench's own model, with its chemistry file's estimates.  Starts full.
    """
    m, chem = job.pack.module, job.pack.module.chemistry
    cold = min(0.7, max(0.0, chem.capacity_per_c * (25.0 - temp_c)))
    whole = m.capacity_ah * chem.well_gain * capacity
    q1, q2 = whole * chem.well_c, whole * (1.0 - chem.well_c)
    full1 = q1
    # All resistances settled, and more of them in the cold, as the bench has it.
    base = m.resistance_ohm * (1.0 + chem.r_per_c * min(0.0, temp_c - 25.0))
    rest = base * (chem.r1_factor + chem.r2_factor) + (job.pack.bus.cable_ohm / job.n + job.pack.bus.joint_ohm)
    comp = job.whole("rcomp_uohm") * 1e-6
    pickup, patience = job.milli("v27_pickup_mv"), job.milli("v27_delay_ms")
    top_a = job.pack.bus.controller_a
    xs, last = chem.charge_state, len(chem.charge_state) - 2
    t, low_s, at, n, seconds = 0, 0.0, 0, job.n, len(power_w)
    while t < LONGEST_S:
        head = (q1 / full1 - cold) / (1.0 - cold)
        if head <= EMPTY:
            break
        while at < last and xs[last - at] > head:
            at += 1
        while at and xs[last - at + 1] < head:
            at -= 1
        j = last - at
        part = min(1.0, (head - xs[j]) / (xs[j + 1] - xs[j]))
        emf = chem.ocv_v[j] + (chem.ocv_v[j + 1] - chem.ocv_v[j]) * part
        ohm = base * (chem.r_factor[j] + (chem.r_factor[j + 1] - chem.r_factor[j]) * part) + rest
        p = power_w[t % seconds] / n
        inside = emf * emf - 4.0 * ohm * p
        amps = min(top_a, (emf - math.sqrt(inside)) / (2.0 * ohm) if inside > 0.0 else emf / (2.0 * ohm))
        low_s = low_s + 1.0 if emf - amps * (ohm - comp) <= pickup else 0.0
        if low_s > patience:
            break
        if q1 >= full1 and amps < 0.0:
            amps = 0.0  # a full module takes nothing back
        q1, q2 = wells(q1, q2, amps, chem.well_c, chem.well_k_per_h, 1.0 / 3600.0)
        t += 1
    return t / seconds * metres / 1000.0


def module_kg(job: Job) -> float:
    """Mass of a module, kg: as the parts say, else from capacity and nominal voltage.  Estimate, +-20 %."""
    given = job.parts.build.module_kg
    if given:
        return given
    per = LFP_KG_PER_AH if job.pack.module.chemistry.kind == "lfp" else LEAD_KG_PER_AH
    return per * job.pack.module.capacity_ah * job.milli("module_nominal_mv") / 12.0


def axle_kg(
    wheelbase_m: float, bare_kg: float, front_share: float, boxes: list[tuple[float, float]]
) -> tuple[float, float]:
    """(front, rear) axle load, kg.  `boxes`: (mass kg, distance behind the front axle m); in front of it is negative.

    Moments about the rear axle.  Source: statics.  ValueError for no wheelbase.
    """
    above_zero(wheelbase_m=wheelbase_m)
    front = bare_kg * front_share + sum(kg * (1.0 - at / wheelbase_m) for kg, at in boxes)
    return front, bare_kg + sum(kg for kg, _ in boxes) - front


def reach(job: Job) -> Report:
    """Range over the standard cycles, with its uncertainty."""
    b, m = job.parts.build, job.pack.module
    out: list[Result] = []
    plotted: list[tuple[float, float, float, float]] = []
    # The weakest of n modules ends the drive: about two standard deviations below the mean, for a dozen.
    weak = max(0.3, 1.0 - 2.0 * m.capacity_spread)
    worse, better = _scaled(job, 1.0 + b.road_load_error), _scaled(job, 1.0 - b.road_load_error)
    for name, (power, metres) in trips(job).items():
        use = sum(power) / 3.6 / metres
        rated = rated_km(power, metres, job.nominal_v, m.capacity_ah)
        middle = kinetic_km(job, power, metres, weak)
        low = kinetic_km(job, worse[name][0], metres, weak * (1.0 - b.capacity_error))
        high = kinetic_km(job, better[name][0], metres, 1.0)
        wants = b.wanted_km if name in (CITY, "steady") else 0.0
        out.append(told("range.%s.use", use, at=(name,), fill=(name,)))
        verdict = OK if not wants or low >= wants else TIGHT
        out.append(
            told(
                "range.%s.kinetic",
                middle,
                verdict,
                wants or None,
                at=(name,),
                fill=(name, low, high),
                assumes=(
                    "full, 25 degC, road load +-%g %%, capacity -%g %%"
                    % (b.road_load_error * 100, b.capacity_error * 100),
                    "weakest module %.0f %% of rated" % (weak * 100),
                ),
            )
        )
        out.append(told("range.%s.rated", rated, at=(name,), fill=(name,)))
        plotted.append((low, middle, high, rated))
    cold_c = max(-20.0, job.parts.ambient.low_c)
    name = CITY if job.pack.boat is None else "steady"
    power, metres = trips(job)[name]
    cold = kinetic_km(job, power, metres, weak, cold_c)
    out.append(told("range.cold", cold, fill=(name, cold_c)))
    xs = tuple(float(k) for k in range(1, len(plotted) + 1))
    names = ", ".join("%d: %s" % (k, each) for k, each in enumerate(trips(job), 1))
    labels = (("low", "dotted"), ("kinetic", "bold"), ("high", "third"), ("rated capacity", "second"))
    curves = tuple(
        Curve(label, xs, tuple(row[k] for row in plotted), look, True, False) for k, (label, look) in enumerate(labels)
    )
    return Report(tuple(out), (Plot("Range", names, "km", curves),))


def mass(job: Job) -> Report:
    """What the modules and boxes weigh, and where."""
    b, pack = job.parts.build, job.pack
    each = module_kg(job)
    boxes = [(count * each + b.box_kg, job.parts.box_at_m(k)) for k, count in enumerate(pack.boxes, 1)]
    whole = sum(kg for kg, _ in boxes)
    out = [
        told(
            "mass.pack",
            whole,
            assumes=() if b.module_kg else ("module %.1f kg from its capacity; %s" % (each, ESTIMATE),),
        )
    ]
    for k, (kg, _) in enumerate(boxes, 1):
        out.append(told("mass.box_%d", kg, at=(k,), fill=(k,)))
    if pack.boat is not None:
        out.append(told("mass.boat", whole / pack.boat.mass_kg, DECIDE, caution=BOAT_CAUTION))
        return Report(tuple(out))
    bare = pack.vehicle.mass_kg - whole
    out.append(told("mass.bare", max(0.0, bare), at_least(bare, 0.3 * pack.vehicle.mass_kg, 1.0)))
    if bare <= 0.0:
        return Report(tuple(out))
    front, rear = axle_kg(b.wheelbase_m, bare, b.front_share, boxes)
    caution = "Axle loads, brakes, tyres and how boxes are held are inspected where you live. " + LICENSED
    for name, kg, most in (("front", front, b.front_max_kg), ("rear", rear, b.rear_max_kg)):
        out.append(told("mass." + name, kg, at_most(kg, most, 0.95), most, caution=caution))
    return Report(tuple(out))
