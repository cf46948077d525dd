"""The string: nothing made or lost, steps of any length, cold, joints, reversal, the end of a charge."""

from __future__ import annotations

import dataclasses
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packwarden.packs import load_pack
from packwarden.plant.spec import PackSpec
from packwarden.plant.string import FLOOR, String, total

TRUCK = load_pack("orchard-truck")
LAUNCH = load_pack("lake-launch")
PACKS = {"agm": TRUCK, "lfp": LAUNCH}
COURSE = st.lists(st.tuples(st.floats(-60.0, 300.0), st.integers(1, 150)), min_size=1, max_size=5)


def even(spec: PackSpec, boxes: tuple[int, ...] = (1,)) -> PackSpec:
    """The same blocks without spread."""
    module = dataclasses.replace(spec.module, capacity_spread=0.0, resistance_spread=0.0)
    return dataclasses.replace(spec, boxes=boxes, module=module)


def held(string: String, i_a: float, for_s: float, dt_s: float) -> None:
    for _ in range(round(for_s / dt_s)):
        string.step(dt_s, i_a)


def test_a_total_is_the_same_on_every_python() -> None:
    """Added one after the other: `sum` would keep the 1.0 from Python 3.12 on, and lose it before."""
    assert total([1e16, 1.0, -1e16]) == 0.0
    assert total([0.1] * 10) == 0.9999999999999999


# -- what must balance ------------------------------------------------------------------------------------


@given(
    course=COURSE,
    kind=st.sampled_from(sorted(PACKS)),
    state=st.floats(0.3, 1.0),
    dt_s=st.sampled_from([0.01, 0.1, 1.0]),
)
@settings(max_examples=30, deadline=None)
def test_charge_is_accounted_for(course: list[tuple[float, int]], kind: str, state: float, dt_s: float) -> None:
    """Source: conservation of charge: what left the wells went through the posts, into gas or into self-discharge."""
    spec = PACKS[kind]
    quiet = dataclasses.replace(spec.module.chemistry, self_discharge_per_day=0.0)
    string = String(dataclasses.replace(spec, module=dataclasses.replace(spec.module, chemistry=quiet)), 5, state)
    before = [a + b for a, b in zip(string.q1, string.q2)]
    passed_as = 0.0
    floored = [False] * string.n
    for i_a, steps in course:
        for _ in range(steps):
            string.step(dt_s, i_a)
            passed_as += i_a * dt_s
            for k in range(string.n):
                if string.q1[k] < 0.99 * FLOOR * string.full_ah(k) * quiet.well_c:
                    floored[k] = True
    passed_as -= string.slow_as  # not in the wells yet
    for k in range(string.n):
        if not floored[k]:  # on the floor charge is counted as reversal instead
            left = string.q1[k] + string.q2[k]
            assert before[k] - left == pytest.approx(passed_as / 3600.0 + string.gas_ah[k], abs=1e-6)


@given(course=COURSE, kind=st.sampled_from(sorted(PACKS)))
@settings(max_examples=30, deadline=None)
def test_no_course_gives_more_energy_than_the_charge_was_worth(course: list[tuple[float, int]], kind: str) -> None:
    """Source: conservation of energy: below open-circuit voltage on discharge, above it on charge, RC pairs included.

    Run out and back to the same charge, the posts have taken in more than they gave.
    """
    string = String(even(PACKS[kind]), 1, 0.7)
    given_j = passed_as = 0.0
    for i_a, steps in course:
        for _ in range(steps):
            string.step(0.1, i_a)
            given_j += string.string_v * i_a * 0.1
            passed_as += i_a * 0.1
    back_a = -20.0 if passed_as > 0.0 else 20.0
    left = abs(passed_as) / 20.0
    while left > 1e-9:
        dt_s = min(0.1, left)  # as fine as the way out: coarser, the sum itself is off by a joule
        string.step(dt_s, back_a)
        given_j += string.string_v * back_a * dt_s
        left -= dt_s
    assert given_j < 1.0


def test_a_closed_loop_can_be_wrong() -> None:
    """Canary for the one above: the same sum with the sign of the way back left out is far above zero."""
    string = String(even(TRUCK), 1, 0.7)
    held(string, 100.0, 60.0, 0.1)
    assert string.string_v * 100.0 * 60.0 > 1e4


@given(i_a=st.floats(-20.0, 300.0), dt_s=st.sampled_from([0.01, 0.1, 1.0]), state=st.floats(0.2, 1.0))
@settings(max_examples=40, deadline=None)
def test_the_thevenin_source_is_what_the_step_then_gives(i_a: float, dt_s: float, state: float) -> None:
    """Source: Kirchhoff: E - iR from `totals` is the string's voltage less its cables after the step, at any step."""
    string = String(TRUCK, 3, state)
    held(string, i_a, 5.0, 0.1)
    for _ in range(3):
        e_v, r_ohm = string.totals(dt_s)
        emf = list(string.emf)
        string.step(dt_s, i_a)
        if emf == string.emf:  # no slow update in between
            assert string.string_v - i_a * TRUCK.bus.cable_ohm == pytest.approx(e_v - i_a * r_ohm, abs=1e-9)
            return
        string.settle(i_a)
    assert dt_s >= 0.1


@pytest.mark.parametrize("kind", sorted(PACKS))
@pytest.mark.parametrize("i_a", [0.0, 40.0, -12.0])
def test_coarse_steps_end_where_fine_ones_do(kind: str, i_a: float) -> None:
    """Half an hour in 1 s steps against 50 ms steps: the same world (no source needed).  The charge of up to one slow
    update may still be outside the wells, 3e-6 of full here."""
    fine, coarse = String(PACKS[kind], 2, 0.6), String(PACKS[kind], 2, 0.6)
    held(fine, i_a, 1800.0, 0.05)
    held(coarse, i_a, 1800.0, 1.0)
    assert coarse.module_v == pytest.approx(fine.module_v, abs=0.004)
    assert [coarse.charge_state(k) for k in range(coarse.n)] == pytest.approx(
        [fine.charge_state(k) for k in range(fine.n)], abs=5e-6
    )
    assert coarse.box_temp_c == pytest.approx(fine.box_temp_c, abs=0.02)


# -- the end of the charge --------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "empty_v"), [("agm", 11.0), ("lfp", 10.0)])
def test_a_40_percent_module_is_driven_into_reversal(kind: str, empty_v: float) -> None:
    """A weak module in a string that is driven on goes down through zero to a plateau of several volts below (an
    estimate of the chemistry file); its neighbours don't notice."""
    spec = even(PACKS[kind], (4,))
    string = String(spec, 1, 0.9)
    string.capacity_scale[2] = 0.4
    string.set_charge_state(2, 0.9)
    lowest, zero_s, t_s = 0.0, 0.0, 0.0
    while string.module_v[2] > -4.0 and t_s < 6000.0:
        string.step(0.1, 100.0)
        t_s += 0.1
        if string.module_v[2] < 0.0 and not zero_s:
            zero_s = t_s
            assert string.reversal_as[2] == pytest.approx(0.0, abs=30.0)
        lowest = min(lowest, string.module_v[2])
    assert zero_s > 0.0 and string.module_v[2] <= -4.0
    assert string.reversal_as[2] == pytest.approx((t_s - zero_s) * 100.0, abs=40.0)
    assert min(v for k, v in enumerate(string.module_v) if k != 2) > empty_v
    assert [string.reversal_as[k] for k in (0, 1, 3)] == [0.0, 0.0, 0.0]
    held(string, 100.0, 1200.0, 0.1)
    assert -spec.module.chemistry.reversal_v - 4.0 < string.module_v[2] < -spec.module.chemistry.reversal_v
    # It was driven on for 33 Ah; what is missing from it is not followed that far down.
    assert 1.001 * FLOOR < string.charge_state(2) < 0.5
    assert string.q1[2] >= FLOOR * string.full_ah(2) * spec.module.chemistry.well_c * 1.0001


def test_a_reversed_module_comes_back_on_charge() -> None:
    string = String(even(TRUCK), 1, 0.02)
    while string.module_v[0] > -5.0:
        string.step(0.1, 100.0)
    reversed_as = string.reversal_as[0]
    held(string, -12.0, 7200.0, 1.0)
    assert 11.5 < string.module_v[0] < 14.0
    assert string.reversal_as[0] == reversed_as > 0.0


def test_collapse_comes_earlier_at_a_higher_rate_and_the_rest_is_still_there() -> None:
    """Source: the two-well model's point: what a high rate can't reach is there again after a rest."""
    string = String(even(TRUCK), 1, 0.5)
    t_s = 0.0
    while string.module_v[0] > 9.0:
        string.step(0.1, 200.0)
        t_s += 0.1
    drawn = 200.0 * t_s / 3600.0
    held(string, 0.0, 7200.0, 1.0)
    assert string.module_v[0] > 11.8
    t_s = 0.0
    while string.module_v[0] > 10.5:
        string.step(0.1, 20.0)
        t_s += 0.1
    assert 20.0 * t_s / 3600.0 > 0.2 * drawn


def test_overcharge_ends_on_a_gassing_plateau() -> None:
    """A charger that never stops: the voltage stays bounded and nearly all the current goes into gas."""
    string = String(even(TRUCK), 1, 0.9)
    held(string, -14.0, 6 * 3600.0, 1.0)
    gas_ah, v = string.gas_ah[0], string.module_v[0]
    held(string, -14.0, 3600.0, 1.0)
    assert string.gas_ah[0] - gas_ah > 0.95 * 14.0
    assert 15.5 < v < 18.0 and string.module_v[0] == pytest.approx(v, abs=0.3)
    assert string.charge_state(0) < 1.06


def test_an_overfull_lfp_block_rises_steeply() -> None:
    string = String(even(LAUNCH), 1, 0.98)
    held(string, -14.0, 60.0, 1.0)
    assert string.module_v[0] < 14.3
    while string.charge_state(0) < 1.03:
        string.step(1.0, -14.0)
    assert string.module_v[0] > 15.5
    held(string, -14.0, 4 * 3600.0, 1.0)
    assert string.module_v[0] < 21.0


# -- knobs --------------------------------------------------------------------------------------------------


def test_losing_capacity_takes_its_charge_along() -> None:
    """A fault that halves a module in mid-drive must not leave it 200 % full and high."""
    string = String(even(TRUCK, (3,)), 1, 0.8)
    held(string, 30.0, 10.0, 0.1)
    before = string.charge_state(1), string.module_v[1]
    string.capacity_scale[1] = 0.4
    string.step(0.1, 30.0)
    assert string.charge_state(1) == pytest.approx(before[0], abs=1e-4)
    assert string.module_v[1] == pytest.approx(before[1], abs=0.02)
    held(string, 30.0, 600.0, 0.1)
    assert string.charge_state(1) < string.charge_state(0) - 0.05
    string.capacity_scale[1] = 1.0
    state = string.charge_state(1)
    string.step(0.1, 0.0)
    assert string.charge_state(1) == pytest.approx(state, abs=1e-3)


def test_cold_keeps_a_full_module_full_and_shortens_it() -> None:
    """A full block stays at its full voltage in the frost; it gives less before it is empty, and gets it back warm."""
    warm, cold = String(even(TRUCK), 1, 1.0, 25.0), String(even(TRUCK), 1, 1.0, 25.0)
    cold.box_temp_forced_c[0] = -10.0
    held(cold, 0.0, 1.0, 0.1)
    fall = TRUCK.module.chemistry.ocv_v_per_c * 35.0
    assert cold.module_v[0] == pytest.approx(warm.module_v[0] - fall, abs=0.01)
    assert cold.charge_state(0) == pytest.approx(1.0, abs=1e-3)
    given_s = []
    for string in (warm, cold):
        n = 0
        while string.module_v[0] > 10.5:
            string.step(0.5, 40.0)
            n += 1
        given_s.append(n)
    assert given_s[1] < 0.85 * given_s[0]
    cold.box_temp_forced_c[0] = 25.0
    held(cold, 0.0, 5.0, 0.1)
    assert cold.module_v[0] > 11.5


def test_a_bad_joint_is_seen_by_the_taps_that_span_it() -> None:
    """Source: Ohm's law.  The joint before the first module of a box is outside every pair of taps of a head."""
    spec = even(TRUCK, (5, 7))
    for k, seen in ((3, True), (5, False), (0, False)):
        good, bad = String(spec, 1, 0.9), String(spec, 1, 0.9)
        bad.joint_ohm[k] += 0.005
        good.settle(100.0)
        bad.settle(100.0)
        drops = [a - b for a, b in zip(good.module_v, bad.module_v)]
        assert drops == pytest.approx([0.5 if seen and n == k else 0.0 for n in range(12)], abs=1e-9)
        assert good.string_v - bad.string_v == pytest.approx(0.5)


def test_heat_of_a_bad_joint_warms_its_own_box() -> None:
    """Source: I*I*R over the heat capacity, within what the box loses meanwhile."""
    spec = even(TRUCK, (5, 7))
    good, bad = String(spec, 1, 0.9, 20.0), String(spec, 1, 0.9, 20.0)
    bad.joint_ohm[5] += 0.05
    for string in (good, bad):
        held(string, 100.0, 300.0, 0.5)
    joules = 100.0**2 * 0.05 * 300.0
    assert bad.heat_j - good.heat_j == pytest.approx(joules, rel=0.01)
    kelvin = joules / (7 * 110.0 * spec.module.chemistry.heat_j_per_k_ah)
    assert bad.box_temp_c[1] - good.box_temp_c[1] == pytest.approx(kelvin, rel=0.05)
    assert bad.box_temp_c[0] == pytest.approx(good.box_temp_c[0])


def test_a_box_cools_with_its_time_constant_and_faster_with_the_fan() -> None:
    """Source: Newton's law of cooling, closed form, with the capacity and the loss of the pack file."""
    for fan, gain in ((False, 1.0), (True, TRUCK.module.fan_gain)):
        string = String(even(TRUCK), 1, 0.5, 40.0)
        string.ambient_c, string.fan = 20.0, fan
        held(string, 0.0, 3600.0, 1.0)
        tau_s = 110.0 * TRUCK.module.chemistry.heat_j_per_k_ah / (TRUCK.module.loss_w_per_k * gain)
        assert string.box_temp_c[0] == pytest.approx(20.0 + 20.0 * math.exp(-3600.0 / tau_s), abs=0.01)


def test_other_knobs_of_a_module() -> None:
    spec = even(TRUCK, (3,))
    string, plain = String(spec, 1, 0.9), String(spec, 1, 0.9)
    string.resistance_scale[0] = 5.0
    string.ocv_offset_v[1] = -2.1
    string.self_discharge_scale[2] = 10000.0
    for one in (string, plain):
        held(one, 0.0, 1.0, 0.1)
        held(one, 100.0, 0.1, 0.01)
    drop = [a - b for a, b in zip(plain.module_v, string.module_v)]
    assert drop[0] == pytest.approx(4.0 * 100.0 * spec.module.resistance_ohm, rel=0.05)
    assert drop[1] == pytest.approx(2.1, abs=1e-6)
    for one in (string, plain):
        held(one, 0.0, 3600.0, 1.0)
    # 0.1 % a day ten thousand times over is 42 % of capacity in an hour (a little more or less off 25 degC).
    assert plain.charge_state(2) - string.charge_state(2) == pytest.approx(0.42 / 1.054, rel=0.05)


def test_seeds_make_packs() -> None:
    """The same seed, the same pack; another seed, another; spread as the file has it."""
    one, same, other = String(TRUCK, 7), String(TRUCK, 7), String(TRUCK, 8)
    assert one.base_ah == same.base_ah != other.base_ah
    assert max(one.base_ohm) != min(one.base_ohm)
    assert len(set(String(even(TRUCK, (5, 7)), 7).base_ohm)) == 1
