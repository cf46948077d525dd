"""The charger: constant current, absorption that tapers, float; and the ways it goes wrong."""

from __future__ import annotations

import dataclasses

import pytest

from packwarden.packs import load_pack
from packwarden.plant import Commands, PackSpec, Plant
from packwarden.plant.bus import OUT_CHARGER

TRUCK = load_pack("orchard-truck")
LAUNCH = load_pack("lake-launch")


def plugged_in(spec: PackSpec, state: float, temp_c: float = 25.0) -> tuple[Plant, Commands]:
    plant, c = Plant(spec, 1, state, temp_c), Commands()
    c.out_bits, c.limit_permille, c.mains, c.ambient_c = OUT_CHARGER, 1000, True, temp_c
    return plant, c


def flooded() -> PackSpec:
    """The truck on flooded blocks with an equalising charger."""
    from packwarden.packs import CHEMISTRIES, load_chemistry

    module = dataclasses.replace(TRUCK.module, chemistry=load_chemistry(CHEMISTRIES, "flooded"))
    charger = dataclasses.replace(TRUCK.charger, equalise_v=15.5, equalise_a=3.0, equalise_h=1.0)
    return dataclasses.replace(TRUCK, module=module, charger=charger)


@pytest.mark.parametrize("dt_s", [0.2, 1.0])
@pytest.mark.parametrize(
    ("spec", "hours"), [(TRUCK, 13.0), (LAUNCH, 9.0), (flooded(), 13.0)], ids=["agm", "lfp", "flooded"]
)
def test_a_whole_charge(spec: PackSpec, hours: float, dt_s: float) -> None:
    """Constant current, then constant voltage with the current falling, then float: as its own settings say; and the
    voltage regulator is steady, at fine and at coarse steps."""
    plant, c = plugged_in(spec, 0.4 if dt_s == 1.0 else 0.82)
    n = spec.n_modules
    stages: list[str] = []
    tapers: list[float] = []
    jumps = 0
    before_v = 0.0
    for _ in range(round((hours if dt_s == 1.0 else 1.0) * 3600.0 / dt_s)):
        plant.step(dt_s, c)
        stage = plant.charger.stage
        if not stages or stages[-1] != stage:
            stages.append(stage)
        elif stage in ("absorption", "float") and plant.charger.current_a > 0.0:
            # Regulated at the charger's terminals, past the cables.
            each_v = (plant.string_v + plant.charger.current_a * spec.bus.cable_ohm) / n
            aim_v = spec.charger.absorption_v if stage == "absorption" else spec.charger.float_v
            aim_v += spec.charger.v_per_c * (max(plant.box_temp_c) - 25.0)
            if before_v and each_v > aim_v + 0.03:
                jumps += 1
            before_v = each_v
            if stage == "absorption":
                tapers.append(plant.charger.current_a)
    assert jumps <= 2
    if dt_s < 1.0:
        assert stages[0] == "bulk"
        return
    assert stages[:2] == ["bulk", "absorption"] and stages[-1] == "float"
    assert ("equalise" in stages) == (spec.charger.equalise_v > 0.0)
    assert tapers[-1] < 0.35 * tapers[0]
    assert all(b < a * 1.02 + 0.02 for a, b in zip(tapers, tapers[60:]))
    assert min(plant.charge_state(k) for k in range(n)) > 0.93
    assert max(plant.charge_state(k) for k in range(n)) < 1.04


def test_it_is_stopped_by_tail_or_time_only() -> None:
    """A limit from the relay is not a tail: half the current in absorption does not end it."""
    plant, c = plugged_in(TRUCK, 0.9)
    while plant.charger.stage == "bulk":
        plant.step(1.0, c)
    c.limit_permille = 50
    for _ in range(600):
        plant.step(1.0, c)
    assert plant.charger.stage == "absorption" and plant.charger.current_a < TRUCK.charger.tail_a


def test_set_voltage_follows_temperature() -> None:
    """Source: the pack file's own coefficient; what it should be, sources disagree on."""
    seen = []
    for temp_c in (5.0, 35.0):
        plant, c = plugged_in(TRUCK, 0.97, temp_c)
        plant.string.box_temp_forced_c[:] = [temp_c, temp_c]
        for _ in range(1800):
            plant.step(1.0, c)
        assert plant.charger.stage in ("absorption", "float")
        plant.charger.stage = "absorption"
        plant.step(1.0, c)
        seen.append(plant.string_v / 12)
    assert seen[0] - seen[1] == pytest.approx(-TRUCK.charger.v_per_c * 30.0, abs=0.02)


def test_the_ways_it_fails() -> None:
    healthy, c = plugged_in(TRUCK, 0.97)
    for _ in range(3600):
        healthy.step(1.0, c)
    runaway, c = plugged_in(TRUCK, 0.97)
    runaway.charger.runaway = True
    c.limit_permille = 100
    for _ in range(3600):
        runaway.step(1.0, c)
    assert healthy.string_v / 12 < 14.6 < 15.0 < runaway.string_v / 12
    assert runaway.charger.current_a > 10.0 > healthy.charger.current_a
    wrong, c = plugged_in(TRUCK, 0.97)
    wrong.charger.offset_v = 1.0
    for _ in range(3600):
        wrong.step(1.0, c)
    assert wrong.string_v / 12 > 14.8
    stuck, c = plugged_in(TRUCK, 0.5)
    stuck.charger.stuck_a = 30.0
    stuck.charger.ignores_limit = True
    for _ in range(60):
        stuck.step(1.0, c)
    assert stuck.i_a == pytest.approx(-30.0)
    deaf, c = plugged_in(TRUCK, 0.5)
    deaf.charger.ignores_limit = True
    c.limit_permille = 10
    for _ in range(60):
        deaf.step(1.0, c)
    assert deaf.i_a < -10.0


def test_energy_from_the_wall() -> None:
    """Source: the pack file's efficiency: what the pack took in over what the wall gave."""
    plant, c = plugged_in(TRUCK, 0.5)
    for _ in range(3600):
        plant.step(1.0, c)
    taken_j = plant.charged_j
    assert taken_j / plant.charger.wall_j == pytest.approx(TRUCK.charger.efficiency, rel=0.01)
