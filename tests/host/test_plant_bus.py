"""The bus: contactors, precharge, controller, fuse, 12 V side; Kirchhoff and energy over whole drives."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packwarden.packs import load_pack
from packwarden.plant import Commands, Plant, PlantError
from packwarden.plant.bus import OUT_CHARGER, OUT_ENABLE, OUT_FAN, OUT_MAIN, OUT_PRECHARGE, Bus
from packwarden.plant.contactor import Contactor
from packwarden.plant.isolation import Isolation
from packwarden.plant.spec import BusSpec

TRUCK = load_pack("orchard-truck")


def driving(spec=TRUCK, state: float = 0.9) -> tuple[Plant, Commands]:
    """A plant with its main contactor closed and the controller enabled."""
    plant, c = Plant(spec, 1, state), Commands()
    c.limit_permille = 1000
    c.out_bits = OUT_PRECHARGE
    run(plant, c, 1.5)
    c.out_bits = OUT_PRECHARGE | OUT_MAIN
    run(plant, c, 0.1)
    c.out_bits = OUT_MAIN | OUT_ENABLE
    run(plant, c, 0.1)
    return plant, c


def run(plant: Plant, c: Commands, for_s: float, dt_s: float = 0.01) -> None:
    for _ in range(round(for_s / dt_s)):
        plant.step(dt_s, c)


# -- what must balance ------------------------------------------------------------------------------------


@given(
    demands=st.lists(st.tuples(st.floats(-15000.0, 60000.0), st.integers(0, 1000)), min_size=1, max_size=5),
    dt_s=st.sampled_from([0.01, 0.1, 1.0]),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_kirchhoff_and_power_hold_at_every_step(demands: list[tuple[float, int]], dt_s: float) -> None:
    """Source: Kirchhoff's laws: the link is the string less its cables; the current is what controller, DC-DC, bleed,
    standby and the link's own capacitor take."""
    plant, c = driving()
    spec = TRUCK.bus
    for demand_w, permille in demands:
        c.demand_w, c.limit_permille = demand_w, permille
        for _ in range(20):
            before_v, emf = plant.link_v, list(plant.string.emf)
            plant.step(dt_s, c)
            v, i = plant.link_v, plant.i_a
            taken = (plant.bus.power_w + spec.standby_w + plant.bus.dcdc_w) / v + v / spec.bleed_ohm
            taken += spec.link_f * (v - before_v) / dt_s
            assert i == pytest.approx(taken, rel=1e-9, abs=1e-7)
            if emf == plant.string.emf:
                assert plant.string_v - v == pytest.approx(i * (spec.cable_ohm + spec.main_ohm), abs=1e-8)
            # The limits are the controller's; DC-DC and standby, some amperes, come on top.
            assert -1.1 * spec.regen_a < i < 1.01 * spec.controller_a + 8.0


def test_constant_power_is_folded_back_where_there_is_no_solution() -> None:
    """Source: a source gives E*E/4R at most.  A nearly empty, cold, worn string is asked for more than it has."""
    plant, c = driving()
    plant.string.resistance_scale[:] = [12.0] * 12
    c.demand_w = 45000.0
    run(plant, c, 5.0)
    e_v, r_ohm = plant.string.totals(0.01)
    assert 0.5 * e_v < plant.link_v < e_v
    assert 0.0 < plant.bus.power_w <= 0.25 * e_v * e_v / r_ohm
    assert plant.bus.power_w < 45000.0


def test_energy_of_a_precharge() -> None:
    """Source: conservation of energy: what the string gave is in the capacitor, the resistor, the pack's own resistance
    and the drains."""
    bus = dataclasses.replace(TRUCK.bus, standby_w=0.0, bleed_ohm=1e6)
    plant, c = Plant(dataclasses.replace(TRUCK, bus=bus), 1, 0.9), Commands()
    c.out_bits = OUT_PRECHARGE
    given_j = lost_j = 0.0
    for _ in range(200):
        plant.step(0.01, c)
        given_j += plant.string_v * plant.i_a * 0.01
        lost_j += plant.link_v**2 / 1e6 * 0.01
    stored_j = 0.5 * bus.link_f * plant.link_v**2
    assert given_j == pytest.approx(stored_j + lost_j + plant.bus.precharge_j, rel=2e-3)
    assert plant.bus.precharge_j == pytest.approx(stored_j, rel=5e-3)


def test_heat_of_the_resistor_is_the_integral_at_any_step() -> None:
    """Source: the integral of (E - v)^2/R by small steps, with a drain so heavy that the end is far down."""
    spec = BusSpec(precharge_ohm=100.0, bleed_ohm=150.0, link_f=0.0022, standby_w=0.0)
    coarse, fine = Bus(spec), Bus(spec)
    coarse.precharge.closed = fine.precharge.closed = True
    summed_j = summed_as = given_as = 0.0
    for _ in range(5):
        given_as += coarse.step(0.1, 150.0, 0.05) * 0.1
    for _ in range(50000):
        before_v = fine.link_v
        fine.step(1e-5, 150.0, 0.05)
        drop_v = 150.0 - 0.5 * (before_v + fine.link_v)
        summed_j += (drop_v / 100.05) ** 2 * 100.0 * 1e-5
        summed_as += drop_v / 100.05 * 1e-5
    assert coarse.precharge_j == pytest.approx(summed_j, rel=1e-5)
    assert given_as == pytest.approx(summed_as, rel=1e-5)


# -- contactors -----------------------------------------------------------------------------------------------


def closed_at(contactor: Contactor, on: bool, steps: int, coil_v: float = 12.6) -> list[bool]:
    out = []
    for _ in range(steps):
        contactor.step(0.01, on, coil_v)
        out.append(contactor.closed)
    return out


def test_a_contactor_pulls_in_and_lets_go_in_its_times() -> None:
    contactor = Contactor(0.03, 0.012)
    assert closed_at(contactor, True, 5) == [False, False, True, True, True]
    assert closed_at(contactor, False, 3) == [True, False, False]
    slow = Contactor(0.03, 0.5)
    closed_at(slow, True, 5)
    assert closed_at(slow, False, 60).index(False) == 49


def test_a_weak_supply_does_not_pull_in_but_holds() -> None:
    """Pull-in and hold voltages are estimates; that the first is above the second is how contactors are."""
    contactor = Contactor(0.03, 0.012)
    assert not any(closed_at(contactor, True, 20, 7.0))
    assert closed_at(contactor, True, 5)[-1]
    assert all(closed_at(contactor, True, 20, 7.0))
    assert not closed_at(contactor, True, 5, 4.0)[-1]


def test_the_ways_a_contactor_fails() -> None:
    stuck = Contactor(0.03, 0.012)
    stuck.stuck_open = True
    assert not any(closed_at(stuck, True, 10)) and not stuck.aux_closed
    welded = Contactor(0.03, 0.012)
    welded.welded = True
    assert all(closed_at(welded, False, 10)) and welded.aux_closed
    welded.welded = False
    assert not closed_at(welded, False, 3)[-1]
    liar = Contactor(0.03, 0.012)
    liar.aux_stuck = 0
    assert closed_at(liar, True, 5)[-1] and not liar.aux_closed
    liar.aux_stuck = 1
    assert not closed_at(liar, False, 5)[-1] and liar.aux_closed
    bouncing = Contactor(0.03, 0.012)
    bouncing.bounce_s = 0.05
    shown = closed_at(bouncing, True, 20)
    assert shown[2:7] == [True, False, True, False, True] and all(shown[8:])
    chattering = Contactor(0.03, 0.012)
    chattering.chatter_hz = 10.0
    shown = closed_at(chattering, True, 200)[100:]
    assert 30 < sum(shown) < 70
    assert 18 <= sum(a != b for a, b in zip(shown, shown[1:])) <= 22


def test_opening_under_load_is_recorded_and_the_link_runs_down() -> None:
    plant, c = driving()
    c.demand_w = 20000.0
    run(plant, c, 1.0)
    flowing = plant.i_a
    assert flowing > 120.0
    c.out_bits = 0
    run(plant, c, 0.02)
    assert not plant.main.closed and plant.i_a == 0.0
    assert plant.main.breaks == 1
    # The controller, no longer enabled, has let go of some of it by then: 7 ms of time constant in 20 ms.
    assert 0.05 * flowing < plant.main.break_current_a < flowing
    run(plant, c, 1.0)
    assert plant.link_v < 0.85 * plant.string_v


def test_closing_onto_an_empty_link_draws_an_inrush_and_may_weld() -> None:
    """Source: Ohm's law: the whole string over the pack's resistance."""
    plant, c = Plant(TRUCK, 1, 0.9), Commands()
    c.out_bits = OUT_MAIN
    plant.main.weld_on_inrush_a = 1000.0
    e_v, r_ohm = plant.string.totals(0.01)
    run(plant, c, 0.1)
    assert plant.main.inrush_a == pytest.approx(e_v / (r_ohm + TRUCK.bus.main_ohm), rel=0.01)
    assert plant.main.welded
    c.out_bits = 0
    run(plant, c, 0.1)
    assert plant.main.closed and plant.main.aux_closed
    soft, _ = driving()
    assert 0.0 < soft.main.inrush_a < 300.0


# -- controller, fuse, precharge faults -------------------------------------------------------------------------


def test_the_controller_obeys_enable_within_20_ms() -> None:
    """Source: the design: 20 ms response to ENABLE off and to the limit (95 % of the way)."""
    plant, c = driving()
    c.demand_w = 20000.0
    run(plant, c, 1.0)
    full_w = plant.bus.power_w
    c.out_bits = OUT_MAIN
    run(plant, c, 0.02)
    assert plant.bus.power_w < 0.06 * full_w
    c.out_bits = OUT_MAIN | OUT_ENABLE
    run(plant, c, 1.0)
    c.limit_permille = 100
    run(plant, c, 0.2)
    assert plant.i_a == pytest.approx(0.1 * TRUCK.bus.controller_a, rel=0.1)


def test_the_ways_a_controller_fails() -> None:
    plant, c = driving()
    c.demand_w = 20000.0
    plant.bus.controller_ignores_enable = True
    c.out_bits = OUT_MAIN
    run(plant, c, 0.5)
    assert plant.bus.power_w == pytest.approx(20000.0, rel=0.01)
    c.limit_permille = 100
    run(plant, c, 0.5)
    assert plant.bus.power_w < 6000.0
    plant.bus.controller_ignores_limit = True
    run(plant, c, 0.5)
    assert plant.bus.power_w == pytest.approx(20000.0, rel=0.01)
    plant.bus.controller_ignores_enable = plant.bus.controller_ignores_limit = False
    plant.bus.runaway_w = 9000.0
    run(plant, c, 0.5)
    assert plant.bus.power_w == pytest.approx(9000.0, rel=0.01)
    plant.bus.runaway_w = -9000.0
    run(plant, c, 0.5)
    assert plant.i_a < -40.0
    plant.bus.runaway_w = 0.0
    plant.bus.controller_short = True
    run(plant, c, 2.0)
    assert plant.bus.fuse_blown and plant.i_a == 0.0 and plant.link_v < 1.0


def test_the_fuse_melts_by_its_i2t() -> None:
    """Source: the definition: the integral of what is above the rating squared."""
    plant, c = driving()
    plant.bus.link_short_ohm = 0.15
    current, t_s = 0.0, 0.0
    while not plant.bus.fuse_blown and t_s < 10.0:
        plant.step(0.01, c)
        t_s += 0.01
        current = max(current, plant.i_a)
    expected_s = TRUCK.bus.fuse_a2s / (current**2 - TRUCK.bus.fuse_a**2)
    assert t_s == pytest.approx(expected_s, rel=0.1)


def test_regeneration_is_shut_off_before_the_link_flies_away() -> None:
    """Main opens in the middle of regeneration: the energy has nowhere to go but a few millifarads."""
    plant, c = driving()
    c.demand_w = -8000.0
    run(plant, c, 1.0)
    assert plant.i_a < -30.0
    plant.main.stuck_open = True
    highest = 0.0
    for _ in range(100):
        plant.step(0.01, c)
        highest = max(highest, plant.link_v)
    assert plant.string_v < highest <= TRUCK.bus.controller_high_v + 1e-6


@pytest.mark.parametrize(
    ("knob", "value", "least", "most"),
    [
        ("precharge_scale", 1e9, 0.0, 1.0),
        ("precharge_scale", 0.001, 150.0, 160.0),
        ("link_short_ohm", 10.0, 10.0, 15.0),
        ("link_scale", 0.001, 140.0, 152.0),
        ("controller_short", True, 0.0, 0.1),
        ("fuse_blown", True, 0.0, 0.1),
    ],
)
def test_precharge_with_a_fault_ends_where_it_should(knob: str, value: float, least: float, most: float) -> None:
    """Source: the divider of resistor and drain: 155 V * 10/110 = 14 V into a 10 ohm short."""
    plant, c = Plant(TRUCK, 1, 0.9), Commands()
    assert hasattr(plant.bus, knob)
    setattr(plant.bus, knob, value)
    c.out_bits = OUT_PRECHARGE
    run(plant, c, 2.0)
    assert least <= plant.link_v <= most
    if knob == "link_short_ohm":
        assert plant.bus.precharge_j > 300.0


def test_an_open_bleed_leaves_the_link_live() -> None:
    """Source: RC of bleed and link: 22 s, against hours without; the standby draw ends below 20 V."""
    left = []
    for scale in (1.0, 1e9):
        bus = dataclasses.replace(TRUCK.bus, standby_w=0.0)
        plant, c = Plant(dataclasses.replace(TRUCK, bus=bus), 1, 0.9), Commands()
        plant.bus.link_v, plant.bus.bleed_scale = 150.0, scale
        run(plant, c, 22.0, 1.0)
        left.append(plant.link_v)
    assert left[0] == pytest.approx(150.0 * math.exp(-1.0), rel=1e-6)
    assert left[1] > 149.9


# -- 12 V side, charger doors -----------------------------------------------------------------------------------


def test_the_aux_supply() -> None:
    plant, c = Plant(TRUCK, 1, 0.9), Commands()
    c.key = True
    run(plant, c, 1.0)
    resting = plant.aux_v
    assert 12.0 < resting < 12.8
    c.out_bits = OUT_MAIN
    plant.step(0.01, c)
    assert plant.aux_v < resting - 0.02  # inrush of the coil
    run(plant, c, 1.0)
    assert plant.aux_v == pytest.approx(TRUCK.bus.dcdc_v) and plant.bus.dcdc_w > 40.0
    plant.bus.dcdc_dead = True
    run(plant, c, 0.1)
    assert plant.aux_v < resting and plant.bus.dcdc_w == 0.0
    plant.bus.aux_ohm_scale = 60.0
    plant.bus.aux_extra_a = 5.0
    run(plant, c, 0.2)
    assert plant.aux_v < 6.5
    plant.bus.aux_ohm_scale, plant.bus.aux_extra_a = 1.0, 30.0
    run(plant, c, 3600.0, 1.0)
    assert plant.bus.aux_charge_state < 0.2


def test_the_charger_needs_mains_and_its_contactor() -> None:
    plant, c = Plant(TRUCK, 1, 0.5), Commands()
    c.limit_permille = 1000
    c.out_bits = OUT_CHARGER
    run(plant, c, 1.0)
    assert plant.i_a == 0.0
    c.mains = True
    run(plant, c, 1.0)
    assert plant.i_a < -10.0
    c.limit_permille = 500
    run(plant, c, 0.1)
    assert -7.5 < plant.i_a < -5.0
    c.out_bits = 0
    run(plant, c, 0.1)
    assert plant.i_a == 0.0
    plant.charger.ignores_enable = True
    run(plant, c, 0.1)
    assert plant.i_a < -10.0
    c.mains = False
    run(plant, c, 0.1)
    assert plant.i_a == 0.0 and plant.charger.stage == "bulk"


def test_leaving_physics_is_an_error_that_says_where_it_was() -> None:
    plant, c = Plant(TRUCK, 1, 0.9), Commands()
    plant.charger.stuck_a = 1e5
    plant.charger.ignores_enable = c.mains = True
    with pytest.raises(PlantError, match=r"at 0\.0\d0 s the plant left its bounds: string .* modules \['"):
        run(plant, c, 1.0)
    plant, _ = driving()
    plant.string.v1[3] = float("nan")
    with pytest.raises(PlantError, match="nan"):
        run(plant, Commands(), 0.1)


# -- isolation and fan --------------------------------------------------------------------------------------------


def test_a_leak_in_the_middle_pulls_the_chassis_there() -> None:
    """Source: Millman's theorem; a leak of next to nothing from the sixth of twelve equal modules halves the pack."""
    iso = Isolation(5e6)
    iso.leak_at = (5, 1.0)
    for _ in range(300):
        iso.step(0.01, 144.0, [12.0] * 12, 0)
    assert iso.pos_v == pytest.approx(72.0, abs=1e-3) and iso.neg_v == pytest.approx(72.0, abs=1e-3)
    assert iso.resistance_ohm == pytest.approx(1.0, rel=1e-5)
    iso.leak_at = (1, 1.0)
    for _ in range(300):
        iso.step(0.01, 144.0, [12.0] * 12, 0)
    assert iso.neg_v == pytest.approx(24.0, abs=1e-3)


def test_the_chassis_settles_with_its_time_constant() -> None:
    """Source: one exponential of 0.1 s, as the design has it."""
    iso = Isolation(5e6)
    for dt_s, n in ((0.1, 1), (0.01, 10)):
        iso.chassis_v = 0.0
        for _ in range(n):
            iso.step(dt_s, 144.0, [12.0] * 12, 0)
        assert iso.neg_v == pytest.approx(72.0 * (1.0 - math.exp(-1.0)), rel=1e-9)


def test_the_fan_output_cools() -> None:
    ends = []
    for bits in (0, OUT_FAN):
        plant, c = Plant(TRUCK, 1, 0.5, 45.0), Commands()
        c.out_bits = bits
        run(plant, c, 3600.0, 1.0)
        ends.append(plant.box_temp_c[0])
    assert 20.0 < ends[1] < ends[0] - 1.0 < 44.0
