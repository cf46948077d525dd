"""The charger's circuit, its night, and the air that lead-acid boxes need."""

from __future__ import annotations

from dataclasses import dataclass

from packwarden.plant.charger import Charger
from packwarden.plant.string import String
from packwarden.sizing.job import Job
from packwarden.sizing.result import (
    LICENSED,
    OK,
    PRACTICE,
    TIGHT,
    Curve,
    Plot,
    Report,
    above_zero,
    at_least,
    at_most,
    not_negative,
    told,
)

STEP_S = 30.0
LONGEST_S = 36 * 3600.0
SEED = 59
NEARLY_FULL = 0.95
OVERCHARGE = "over many nights 1.1 to 1.2 for lead-acid, with what is overcharged: " + PRACTICE
# mA for each Ah that turn to gas on float and on boost, vented and valve-regulated: IEC 62485-2, from memory.
GAS_MA_PER_AH = {"flooded": (5.0, 20.0), "agm": (1.0, 8.0)}
CELL_V = 2.0
OPENING_CM2_PER_M3H = 28.0  # IEC 62485-2, from memory
AIR = (
    "Hydrogen burns from 4 % in air up (from memory). Where batteries may stand and how a room is aired is settled by "
    "local code; keep sparks and flames away. " + LICENSED
)
MAINS = "A socket, its cable and its breaker are judged by a person licensed for mains work. " + LICENSED


def mains_a(power_w: float, efficiency: float, volts: float, power_factor: float) -> float:
    """Current from the mains, A: power into the pack / efficiency / (V * power factor).

    Source: definition.  One phase, root mean square.  Raises ValueError for values not above 0.
    """
    above_zero(power_w=power_w, efficiency=efficiency, volts=volts, power_factor=power_factor)
    return power_w / efficiency / (volts * power_factor)


def air_m3_per_h(cells: int, gas_a: float) -> float:
    """Air that keeps hydrogen below a quarter of what burns, m3/h: Q = 0.05 n I, I the gassing current in A.

    IEC 62485-2: Q = v q s n Igas Crt / 1000 with v = 24 (dilution 96 % / 4 %), q = 0.42e-3 m3/Ah at 0 degC, s = 5:
    v q s = 0.0504, which the standard rounds to 0.05.  The unrounded factor is used here: it is what the standard's own
    worked example gives, 34.71 and 347.13 m3/h for 95 cells of 1450 Ah at 5 and 50 mA/Ah.  Raises ValueError for less
    than no current.
    """
    not_negative(cells=cells, gas_a=gas_a)
    return 24.0 * 0.42e-3 * 5.0 * cells * gas_a


def hydrogen_m3_per_s(cells: int, gas_a: float) -> float:
    """Hydrogen given off, m3/s at 25 degC and one atmosphere: I n R T / (2 F p).

    Source: Faraday's law; 1.2678e-7 m3/s for each ampere and cell, and 1.27e-7 in UFC 3-520-01.
    """
    not_negative(cells=cells, gas_a=gas_a)
    return cells * gas_a * 8.314462618 * 298.15 / (2.0 * 96485.33212 * 101325.0)


@dataclass(frozen=True)
class Night:
    """A charge from `depth` discharged to float."""

    hours: float
    bulk_h: float
    wall_j: float
    charge_factor: float  # Ah into a module for each Ah that it has more of in the end
    charge_state: float  # of the least full module in the end
    done: bool
    times_h: tuple[float, ...]
    current_a: tuple[float, ...]
    string_v: tuple[float, ...]


def night(job: Job, temp_c: float = 20.0) -> Night:
    """The bench's own pack and charger over one charge, in steps of 30 s.  Source: plant models, chemistry file."""
    depth = job.parts.mains.depth
    string = String(job.pack, SEED, 1.0 - depth, temp_c)
    charger = Charger(job.pack.charger, job.n)
    t, amp_s, bulk_s = 0.0, 0.0, 0.0
    times: list[float] = []
    amps: list[float] = []
    volts: list[float] = []
    while t < LONGEST_S and charger.stage != "float":
        e_v, r_ohm = string.totals(STEP_S)
        i = charger.step(STEP_S, e_v, r_ohm, temp_c, 1000)
        string.step(STEP_S, -i)
        t += STEP_S
        amp_s += i * STEP_S
        if charger.stage == "bulk":
            bulk_s = t
        if not times or t / 3600.0 - times[-1] >= 0.05:
            times.append(t / 3600.0)
            amps.append(i)
            volts.append(string.string_v)
    states = [string.charge_state(k) for k in range(job.n)]
    gained_ah = sum((s - 1.0 + depth) * string.full_ah(k) for k, s in enumerate(states)) / job.n
    factor = amp_s / 3600.0 / max(1e-6, gained_ah)
    return Night(
        t / 3600.0,
        bulk_s / 3600.0,
        charger.wall_j,
        factor,
        min(states),
        charger.stage == "float",
        tuple(times),
        tuple(amps),
        tuple(volts),
    )


def charger(job: Job) -> Report:
    """Mains current, hours, energy, charge factor."""
    c, m = job.pack.charger, job.parts.mains
    power = min(c.power_w, c.current_a * job.n * c.absorption_v)
    amps = mains_a(power, c.efficiency, m.volts, m.power_factor)
    allowed = m.breaker_a * m.continuous
    out = [told("charger.mains", amps, at_most(amps, allowed, 0.95), allowed, caution=MAINS)]
    share = c.current_a / job.pack.module.capacity_ah
    out.append(told("charger.rate", share, assumes=("the maker of the modules says what they take",)))
    n = night(job)
    verdict = TIGHT if n.hours > m.night_h or not n.done else at_most(n.hours, m.night_h, 0.9)
    told_of = ("20 degC", "bulk %.1f h" % n.bulk_h)
    out.append(told("charger.night", n.hours, verdict, m.night_h, fill=(m.depth * 100,), assumes=told_of))
    out.append(told("charger.energy", n.wall_j / 3600.0))
    out.append(told("charger.factor", n.charge_factor, assumes=(OVERCHARGE,)))
    out.append(told("charger.full", n.charge_state, OK if n.charge_state >= NEARLY_FULL else TIGHT, NEARLY_FULL))
    plot = Plot(
        "One charge",
        "h",
        "A; V of the string / 10",
        (
            Curve("charging current", n.times_h, n.current_a, "bold"),
            Curve("string voltage / 10", n.times_h, tuple(v / 10.0 for v in n.string_v), "second"),
        ),
    )
    return Report(tuple(out), (plot,))


def hydrogen(job: Job) -> Report:
    """Air for each box: as the standard reckons, and with a charger that runs away."""
    chem, a, c = job.pack.module.chemistry, job.parts.air, job.pack.charger
    if chem.kind != "lead":
        return Report(
            (
                told(
                    "hydrogen.none",
                    0.0,
                    OK,
                    caution="Cells of this kind vent gas that burns when they are abused: " + LICENSED,
                ),
            )
        )
    cells = max(1, round(job.milli("module_nominal_mv") / CELL_V))
    known = GAS_MA_PER_AH.get(chem.name, GAS_MA_PER_AH["flooded"])
    milliamps = (a.float_ma_per_ah or known[0], a.boost_ma_per_ah or known[1])
    ah, out = job.pack.module.capacity_ah, []
    for k, count in enumerate(job.pack.boxes, 1):
        n = count * cells
        for name, ma in zip(("float", "boost"), milliamps):
            air = air_m3_per_h(n, ma * 1e-3 * ah)
            out.append(told("hydrogen.box_%d_%s", air, at=(k, name), fill=(k, n, name, ma)))
        need = OPENING_CM2_PER_M3H * air
        out.append(
            told(
                "hydrogen.box_%d_opening",
                a.opening_cm2,
                at_least(a.opening_cm2, need, 1.1) if a.opening_cm2 else TIGHT,
                need,
                at=(k,),
                fill=(k,),
                caution=AIR,
            )
        )
        wild = air_m3_per_h(n, c.current_a)
        out.append(
            told(
                "hydrogen.box_%d_runaway",
                a.fan_m3_per_h,
                OK if a.fan_m3_per_h >= wild else TIGHT,
                wild,
                at=(k,),
                fill=(k,),
                assumes=("hydrogen %.3g m3/h (Faraday)" % (hydrogen_m3_per_s(n, c.current_a) * 3600.0),),
            )
        )
    return Report(tuple(out))
