"""The plan of a campaign: every fault in every mode it can occur in, with sizes, places, moments and seeds.

`plan` gives the same list for the same campaign seed and profile, everywhere.  A cell is a dictionary that JSON
can hold: `key` (short, and stable: it says the whole cell), pack, mode, faults (kind, place from 0 or -1, size),
moment (a row of courses.MOMENTS) and seed.
"""

from __future__ import annotations

import random
from typing import Any, Dict, Iterable, List, Mapping, NamedTuple, Optional, Sequence, Set, Tuple

from packwarden.bench import courses
from packwarden.bench.faults import KINDS, Kind, problem
from packwarden.plant.spec import PackSpec

Cell = Dict[str, Any]


class Profile(NamedTuple):
    """How much of everything.  sizes 0: all of SIZES; else that many of them."""

    about: str
    sizes: int
    moments: int
    seeds: int
    places: int
    pairs: int
    healthy: int  # seeds of the healthy courses
    packs: bool  # every kind in every pack, or the packs in turn


PROFILES = {
    "quick": Profile("every fault in every mode once, the packs in turn", 1, 1, 1, 1, 0, 1, False),
    "default": Profile("all sizes, two moments, some places, sampled pairs", 0, 2, 1, 2, 400, 8, True),
    "big": Profile("all sizes, all moments, three seeds, more places, many pairs", 0, 3, 3, 5, 10000, 50, True),
}

# Sizes between the lowest, the default and the highest of each kind (faults.py), so that they lie on both sides
# of where the relay begins to see it (docs/protection.md).
SIZES: Dict[str, Tuple[float, ...]] = {
    "lead_resistance": (10.0, 50.0, 1000.0),
    "gain_drift": (-8.0, -3.0, -1.0, 1.0, 8.0),
    "tap_offset": (-2000.0, -800.0, -300.0, 300.0, 2000.0),
    "reference_drift": (-3.0, -1.0, 1.0, 2.0, 10.0),
    "noise": (10.0, 200.0),
    "spikes": (-5.0, -1.0, 1.0),
    "string_gain": (-3.0, -1.0, 1.0, 3.0, 8.0),
    "link_gain": (-3.0, -1.0, 1.0, 3.0, 8.0),
    "current_offset": (-50.0, -15.0, -4.0, 4.0, 50.0),
    "current_gain": (-80.0, -10.0, 10.0, 50.0),
    "current_saturated": (-520.0, -100.0, 0.0, 30.0, 100.0),
    "current_drift": (-30.0, -10.0, 30.0),
    "probe_offset": (-30.0, -15.0, 30.0, 45.0),
    "main_chatter": (3.0, 5.0, 25.0),
    "main_slow_release": (100.0, 500.0, 800.0, 1100.0),
    "main_slow_pull_in": (100.0, 180.0, 250.0, 1500.0),
    "resistor_low": (0.01, 0.3, 0.5, 0.7),
    "resistor_high": (1.2, 1.5, 2.0, 10.0),
    "link_short": (0.1, 10.0, 100.0, 500.0, 2000.0),
    "capacitor_lost": (0.01, 0.1, 0.3, 0.6),
    "interlock_flicker": (1.0, 10.0, 25.0),
    "key_bounce": (1.0, 10.0, 25.0),
    "charger_voltage": (-1.0, 0.5, 3.0),
    "charger_stuck": (5.0, 60.0),
    "capacity_loss": (0.1, 0.2, 0.7),
    "resistance_rise": (2.0, 10.0, 30.0),
    "cell_shorted": (1.0, 4.2),
    "self_discharge": (100.0, 1000.0),
    "dried_out": (0.1, 0.2, 0.5),
    "module_empty": (0.01, 0.06, 0.1),
    "joint_resistance": (1.0, 20.0, 50.0, 200.0),
    "box_hot": (40.0, 48.0, 53.0, 57.0, 80.0),
    "box_cold": (-3.0, -1.0, 1.0, 5.0),
    "leak_positive": (1.0, 12.0, 30.0, 60.0, 200.0),
    "leak_negative": (1.0, 12.0, 30.0, 60.0, 200.0),
    "leak_module": (1.0, 12.0, 30.0, 60.0, 200.0),
    "aux_sag": (0.5, 1.0, 2.5, 6.0),
    "battery_weak": (5.0, 20.0, 200.0),
    "aux_dip": (2.0, 3.5, 7.0),
    "controller_runaway": (5000.0, 60000.0),
    "scan_late": (15.0, 30.0, 300.0, 1000.0),
    "scans_slow": (20.0, 30.0, 200.0),
    "clock_stops": (50.0, 300.0, 1000.0, 10000.0),
    "brown_out": (10.0, 1000.0, 5000.0),
    "line_garbage": (5.0, 20.0),
    "line_torn": (5.0,),
    "line_replayed": (5.0,),
    "line_oversize": (500.0,),
    "settings_bit": (40.0, 777.0, 1500.0),
    "journal_bit": (40.0, 777.0, 1500.0),
}

# A pair is worth most when one fault hides what the other does: half of the pairs have one of each.
HIDES = ("Sense leads", "Converters", "Current sensor", "Temperature probes", "Switches and loops", "Contactors",
         "Time and supply of the relay")  # fmt: skip
HURTS = ("module_empty", "cell_shorted", "joint_resistance", "resistance_rise", "box_hot", "link_short",
         "controller_shorted", "controller_ignores_limit", "controller_ignores_enable", "main_welded",
         "precharge_welded", "charger_runaway", "charger_stuck", "leak_positive", "leak_negative", "estop",
         "interlock_open", "crash", "aux_sag", "box_cold", "resistor_low", "resistor_high", "capacitor_lost",
         "plug_seen")  # fmt: skip
LATER_S = (0.0, 0.05, 0.5, 2.0, 5.0)  # the second of a pair begins this long after the first


def sizes_of(kind: Kind) -> List[float]:
    """Every size of a kind that a campaign tries; one without meaning for kinds that have none."""
    if kind.low == kind.high:
        return [kind.default]
    return sorted({kind.low, kind.default, kind.high, *SIZES[kind.name]})


def places_of(kind: Kind, boxes: Sequence[int]) -> List[int]:
    """Places of a kind in a pack, the telling ones first: ends of boxes differ from what is between them."""
    if kind.place == "none":
        return [-1]
    count = len(boxes) if kind.place == "box" else sum(boxes)
    first = boxes[0]
    telling = [first // 2, 0, first - 1, first, count - 1] if kind.place == "module" else [0, count - 1]
    return [at for at in dict.fromkeys([*telling, *range(count)]) if not problem(kind.name, tuple(boxes), at)]


def _key(pack: str, mode: str, faults: Sequence[Mapping[str, Any]], moment: int, seed: int) -> str:
    named = []
    for fault in faults:
        kind = KINDS[fault["kind"]]
        text = kind.name
        if fault["place"] >= 0:
            text += "@%d" % (fault["place"] + 1)
        if kind.low != kind.high:
            text += "=%g" % fault["size"]
        if fault.get("later_s"):
            text += "~%g" % fault["later_s"]
        named.append(text)
    return "%s.%s.%s.t%d.s%d" % (pack, mode, "+".join(named) or "healthy", moment, seed)


def cell(pack: str, mode: str, faults: Sequence[Dict[str, Any]], moment: int, seed: int) -> Cell:
    """A cell, with its key."""
    key = _key(pack, mode, faults, moment, seed)
    return {"key": key, "pack": pack, "mode": mode, "faults": list(faults), "moment": moment, "seed": seed}


def _seed(seed: int, n: int) -> int:
    """The seed of a cell's run: few different ones, so that healthy courses can be shared."""
    return 100 * (seed % 1000003) + n


def _singles(profile: Profile, seed: int, packs: Mapping[str, PackSpec]) -> Iterable[Cell]:
    turn = seed
    for kind in KINDS.values():
        for mode in kind.modes:
            turn += 1
            names = sorted(packs)
            for name in names if profile.packs else [names[turn % len(names)]]:
                places = places_of(kind, packs[name].boxes)[: profile.places]
                sizes = [kind.default] if profile.sizes == 1 else sizes_of(kind)
                moments = min(profile.moments, len(courses.MOMENTS[mode]))
                # Full crossing only where there is room for it: a size more for a place and a moment less.
                for n, size in enumerate(sizes):
                    whole = len(sizes) == 1 or profile.seeds > 1
                    tried = [(m, p) for m in range(moments) for p in places] if whole else [
                        (n % moments, places[n // moments % len(places)])
                    ]  # fmt: skip
                    for moment, place in tried:
                        for run in range(profile.seeds):
                            fault = {"kind": kind.name, "place": place, "size": size}
                            yield cell(name, mode, [fault], moment, _seed(seed, run))


def _pairs(profile: Profile, seed: int, packs: Mapping[str, PackSpec]) -> Iterable[Cell]:
    """Sampled pairs of different kinds that can both begin in one mode."""
    rng = random.Random("%d pairs" % seed)
    names = sorted(packs)
    seen: Set[str] = set()
    while len(seen) < profile.pairs:
        pack = rng.choice(names)
        mode = rng.choice(courses.MODES)
        here = [k for k in KINDS.values() if mode in k.modes and k.name not in courses.SLOW]
        hides = [k for k in here if k.group in HIDES]
        hurts = [k for k in here if k.name in HURTS]
        a, b = (rng.choice(hides), rng.choice(hurts)) if rng.random() < 0.5 else rng.sample(here, 2)
        if a.name == b.name:
            continue
        faults: List[Dict[str, Any]] = []
        for kind in (a, b):
            place = rng.choice(places_of(kind, packs[pack].boxes))
            faults.append({"kind": kind.name, "place": place, "size": rng.choice(sizes_of(kind))})
        same = faults[0]["place"]
        if a.place == b.place == "module" and rng.random() < 0.5 and not problem(b.name, packs[pack].boxes, same):
            faults[1]["place"] = same
        later_s = rng.choice(LATER_S)
        if later_s:
            faults[1]["later_s"] = later_s
        made = cell(pack, mode, faults, rng.randrange(2), _seed(seed, 0))
        if made["key"] not in seen:
            seen.add(made["key"])
            yield made


def plan(
    profile: str, seed: int, packs: Mapping[str, PackSpec], kinds: Sequence[str] = (), modes: Sequence[str] = (),
    runs: Optional[int] = None,
) -> List[Cell]:  # fmt: skip
    """The cells of a campaign in order.  kinds, modes: only these; runs: a sample of this many.

    A sample takes from the big profile's singles and pairs when the profile itself has too few.
    """
    row = PROFILES[profile]
    cells: List[Cell] = []
    for name in sorted(packs):
        for mode in courses.MODES:
            cells += [cell(name, mode, [], 0, _seed(seed, n)) for n in range(row.healthy)]
    cells += _singles(row, seed, packs)
    cells += _pairs(row, seed, packs)
    unique = {each["key"]: each for each in cells if _wanted(each, kinds, modes)}
    if runs is not None and runs > len(unique) and profile != "big":
        unique.update((c["key"], c) for c in plan("big", seed, packs, kinds, modes))
    found = list(unique.values())
    if runs is not None and runs < len(found):
        chosen = set(random.Random("%d sample" % seed).sample(range(len(found)), runs))
        found = [each for n, each in enumerate(found) if n in chosen]
    return found


def _wanted(each: Cell, kinds: Sequence[str], modes: Sequence[str]) -> bool:
    named = [fault["kind"] for fault in each["faults"]]
    return (not kinds or any(k in kinds for k in named)) and (not modes or each["mode"] in modes)


def parse(key: str) -> Cell:
    """The cell that a key says.  ValueError when it says none."""
    pack, _, rest = key.partition(".")
    mode, _, rest = rest.partition(".")
    rest, _, seed = rest.rpartition(".s")
    named, _, moment = rest.rpartition(".t")
    faults = []
    for text in [] if named == "healthy" else named.split("+"):
        text, _, later_s = text.partition("~")
        text, _, size = text.partition("=")
        name, _, place = text.partition("@")
        kind = KINDS[name]
        fault: Dict[str, Any] = {
            "kind": name, "place": int(place) - 1 if place else -1, "size": float(size) if size else kind.default,
        }  # fmt: skip
        if later_s:
            fault["later_s"] = float(later_s)
        faults.append(fault)
    made = cell(pack, mode, faults, int(moment), int(seed))
    if made["key"] != key or mode not in courses.MODES or not 0 <= made["moment"] < len(courses.MOMENTS[mode]):
        raise ValueError(key)
    return made
