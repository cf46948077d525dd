"""The fault library: every kind goes in, changes something, and comes out again without a trace.

The kinds and sizes are the project's own; there is no outside source for these checks.
"""

from __future__ import annotations

import copy
import random
from typing import Any

import pytest

from packwarden.bench.context import Bench
from packwarden.bench.course import INTERLOCK
from packwarden.bench.faults import KINDS, Kind, problem
from packwarden.bench.inprocess import InProcess
from packwarden.bench.target import CAN, EVERYTHING
from packwarden.plant import Commands, Plant, Sensors
from packwarden.plant.spec import PackSpec
from warden import modes

SPEC = PackSpec()
EACH = pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))


def bench() -> Bench:
    """A bench with a plant that has sampled once."""
    plant = Plant(SPEC, 1)
    sensors = Sensors(SPEC, plant, 2)
    made = Bench(plant, sensors, InProcess(), random.Random(3))
    plant.step(0.01, Commands())
    sensors.sample(made.counts, 0, SPEC.n_modules)
    return made


def state(made: Bench) -> dict[str, Any]:
    """Every knob that can be seen: plain attributes of the bench and of every part of the plant."""
    plant = made.plant
    parts: dict[str, Any] = {"bench": made, "sensors": made.sensors, "relay": plant.bus.charger_relay}
    for name in ("string", "main", "precharge", "bus", "charger", "isolation"):
        parts[name] = getattr(plant, name)
    plain = (bool, int, float, str, bytes, list, tuple, type(None))
    skip = {"_layers", "requests", "_held", "_held_low", "_drift_from_s", "_probe_s", "noise"}
    return {
        "%s.%s" % (part, name): copy.copy(value)
        for part, thing in parts.items()
        for name, value in vars(thing).items()
        if isinstance(value, plain) and name not in skip
    }


def close(a: Any, b: Any) -> bool:
    """Equal; numbers to nine digits, as charge is put back by dividing."""
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(close, a, b))
    if isinstance(a, float) and isinstance(b, float):
        return a == pytest.approx(b, rel=1e-9)
    return bool(a == b)


def place_for(kind: Kind) -> int:
    """A place where the kind can be."""
    return {"none": -1, "module": 2, "box": 1}[kind.place]


def test_there_are_enough_and_each_row_makes_sense() -> None:
    """At least 45 kinds; ranges hold their defaults; modes and needs are known words; names are unlike."""
    assert len(KINDS) >= 45
    for kind in KINDS.values():
        assert kind.low <= kind.default <= kind.high, kind.name
        assert kind.place in ("none", "module", "box")
        assert kind.modes and set(kind.modes) <= set(modes.MODES), kind.name
        assert kind.needs == "" or kind.needs in EVERYTHING
        assert (kind.low == kind.high) == (kind.size_about == ""), kind.name
        assert kind.about and kind.group
    assert {need for need, _ in CAN} == EVERYTHING
    assert {kind.needs for kind in KINDS.values()} - {""} == EVERYTHING


@EACH
def test_each_changes_something_and_is_undone_whole(kind: Kind) -> None:
    """After its end every knob is as it was; a kind that can't be undone must say so."""
    made = bench()
    before = state(made)
    undo = kind.begin(made, place_for(kind), kind.default)
    for come_and_go in made.each:
        made.out_bits = modes.MAIN
        come_and_go()
    during = state(made)
    assert during != before, "it changed nothing"
    undo()
    made.out_bits = 0
    after = state(made)
    if kind.undone:
        assert {name for name in after if not close(after[name], before[name])} == set()
    else:
        assert after == during


@EACH
def test_each_goes_in_at_every_place_and_both_ends_of_its_size(kind: Kind) -> None:
    """The first and last module or box, the least and the most size: no exception, and the plant steps on."""
    last = {"none": -1, "module": SPEC.n_modules - 1, "box": len(SPEC.boxes) - 1}[kind.place]
    for place in {min(0, last), last}:
        if problem(kind.name, SPEC.boxes, place):
            continue
        for size in {kind.low, kind.high}:
            made = bench()
            kind.begin(made, place, size)
            for come_and_go in made.each:
                come_and_go()
            made.plant.step(0.01, Commands())
            made.sensors.sample(made.counts, 0, SPEC.n_modules)
            assert len(made.bytes_in(10)) <= 116, "more than the line carries in 10 ms"


def test_a_knob_that_is_not_there_is_an_error() -> None:
    """A fault that a plant lost its knob for must not pass in silence."""
    made = bench()
    with pytest.raises(AttributeError):
        made.turn(made.plant.bus, "no_such_knob", 1)
    assert not hasattr(made.plant.bus, "no_such_knob")


@pytest.mark.parametrize("first_out", [0, 1])
def test_two_turn_one_knob_and_end_in_either_order(first_out: int) -> None:
    """A bench once forgot a hot box when an earlier fault on the same knob ended at the moment it began."""
    made = bench()
    hot = KINDS["box_hot"]
    undos = [hot.begin(made, 1, 48.0), hot.begin(made, 1, 60.0)]
    undos[first_out]()
    assert made.plant.string.box_temp_forced_c[1] == (60.0 if first_out == 0 else 48.0)
    undos[1 - first_out]()
    assert made.plant.string.box_temp_forced_c == [None, None]


def test_capacity_goes_with_its_charge() -> None:
    """A module that lost capacity once kept its charge, stood at 250 % of full, and read 26 V."""
    for name in ("capacity_loss", "dried_out"):
        made = bench()
        string = made.plant.string
        before = string.charge_state(2)
        undo = KINDS[name].begin(made, 2, 0.4)
        assert string.charge_state(2) == pytest.approx(before)
        undo()
        assert string.charge_state(2) == pytest.approx(before)


def test_a_flicker_opens_a_fifth_of_the_time() -> None:
    """5 Hz: 40 ms open in every 200 ms."""
    made = bench()
    undo = KINDS["interlock_flicker"].begin(made, -1, 5.0)
    opened = 0
    for made.now_ms in range(0, 1000, 10):
        for come_and_go in made.each:
            come_and_go()
        opened += bool(made.force_open & INTERLOCK)
    assert opened == 20
    undo()
    assert not made.force_open and not made.each
