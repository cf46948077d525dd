"""Sensing: arithmetic, what is believed, what is learnt."""

import random

import pytest
from rig import Rig, pack_of

from warden import sense


def test_millivolts_is_the_exact_product_rounded():
    for _ in range(2000):
        count, gain_nv = random.randrange(65536), random.randrange(1000, 16000001)
        got = sense.millivolts(count, gain_nv // 1000, gain_nv % 1000)
        assert abs(got - count * gain_nv / 1e6) <= 0.51


def test_products_stay_below_31_bits_at_the_bounds():
    """The widest values of every product in the scan path; 2**30 does not fit a small int of a 32-bit board."""
    bound = 1 << 30
    assert 65535 * 16000 + 65535 < bound  # millivolts
    widest_ma = (65535 - 20000) * 20000 // 1000
    assert (65535 - 20000) * 20000 < bound  # current
    assert widest_ma // 100 * (100000 // 10) < bound  # drop_mv
    assert (widest_ma // 1000) ** 2 * sense.POWER_MS_MAX < bound  # I2t
    widest_mv = 65535 * 16000 // 1000 + 5000
    assert widest_mv // 100 * (widest_ma // 10) < bound  # power
    assert widest_ma * sense.POWER_MS_MAX + 3600000 < bound  # charge
    assert 2000 * 500000 < bound  # isolation


def test_taps_become_modules():
    rig = Rig()
    rig.mv = [12000 + 100 * k for k in range(12)]
    rig.run(2000)
    shown = rig.told("mods")[-1]
    for k, v in enumerate(shown["mv"].split(",")):
        assert abs(int(v) - rig.mv[k]) <= 25
    assert shown["bad"] == "0"


@pytest.mark.parametrize("n", [1, 2, 5, 13, 24])
def test_any_number_of_modules(n):
    rig = Rig(link_dead_mv=8000, **pack_of(n))
    rig.drive(40000)
    rig.mv[n - 1] = 7000
    assert rig.open_time() <= 500
    assert rig.trips()[0] == ("27", "floor", n)


@pytest.mark.parametrize("k", range(12))
def test_an_open_lead_is_a_lead_and_not_a_module(k):
    """Whichever lead it is: M1 on its module, no 27, no 59, alarm within a second, trip within ten."""
    rig = Rig()
    rig.drive(40000)
    rig.tap_open[k] = True
    rig.run(1000)
    assert [f["ix"] for f in rig.told("event", el="M1", stage="alarm", on=1)] == [str(k + 1)]
    rig.open_time()
    assert {t[0] for t in rig.trips()} == {"M1"}
    assert {t[2] for t in rig.trips()} == {k + 1}


@pytest.mark.parametrize("k", range(12))
def test_a_flat_module_is_a_module_and_not_a_lead(k):
    """Down through nothing and reversed, wherever it sits: 27 floor, in time."""
    rig = Rig()
    rig.drive(40000)
    for v in (11000, 9000, 6000, 3000, 0, -2000):
        rig.mv[k] = v
        rig.run(100)
    rig.open_time()
    assert rig.trips()[0] == ("27", "floor", k + 1)


@pytest.mark.parametrize("k", [0, 4, 5, 8, 10])
def test_swapped_leads_are_not_believed(k):
    rig = Rig()
    rig.drive(40000)
    world = rig.world

    def crossed():
        world()
        c = rig.board.counts
        if k in (4, 11):
            return
        c[k], c[k + 1] = c[k + 1], c[k]
        c[24 + k + 1] = c[k]
        if k + 2 < 12 and not rig.relay.sense.first_of_box[k + 2]:
            c[24 + k + 2] = c[k + 1]

    rig.world = crossed
    rig.run(1000)
    alarms = {int(f["ix"]) for f in rig.told("event", el="M2", stage="alarm", on=1)}
    assert alarms >= {k + 1, k + 2} if k != 4 else not alarms
    assert not any(t[0] in ("27", "59") for t in rig.trips())


def test_a_frozen_channel_is_stuck_once_the_current_moves():
    rig = Rig()
    rig.drive(10000)
    world = rig.world
    held = rig.board.counts[6]

    def frozen():
        world()
        rig.board.counts[6] = held
        rig.board.counts[24 + 7] = held

    rig.world = frozen
    rig.run(500)
    rig.ma = 120000
    rig.run(1500)
    assert [f["ix"] for f in rig.told("event", el="M3", stage="alarm", on=1)] == ["7"]


def test_a_sum_that_does_not_match_the_string_tap():
    rig = Rig()
    rig.drive(10000)
    rig.string_off_mv = 5000
    rig.run(1500)
    assert rig.told("event", el="M4", stage="alarm", on=1)


def test_an_untrusted_reading_keeps_a_running_timer_running():
    """A module under the floor whose head then falls silent still trips, as fast as if it had gone on."""
    rig = Rig()
    rig.drive(60000)
    rig.mv[6] = 7000
    rig.run(150)
    rig.absent = 2
    assert rig.open_time() <= 400
    assert rig.trips()[0] == ("27", "floor", 7)


def test_an_untrusted_reading_does_not_start_27():
    rig = Rig()
    rig.drive(60000)
    rig.absent = 2
    rig.mv[6] = 7000
    rig.run(2000)
    assert not rig.told("event", el="27") and rig.told("event", el="M6", on=1)


def test_resistance_is_learnt_from_steps_and_bounded():
    rig = Rig(rcomp_uohm=4000, rcomp_max_uohm=7000)
    rig.drive(0)
    for n in range(60):
        heavy = n % 2
        rig.ma = 150000 if heavy else 0
        for k in range(12):
            # 6 mohm everywhere, 20 mohm in module 3: 150 A drops 0.9 V and 3.0 V
            drop = (3000 if k == 2 else 900) if heavy else 0
            rig.mv[k] = 12600 - drop
        rig.run(400)
    ohm = rig.relay.sense.ohm_u
    assert abs(ohm[5] - 6000) < 300
    assert ohm[2] <= 7000


def test_a_dead_current_sensor_is_noticed_by_the_sag():
    rig = Rig()
    rig.drive(0)
    for n in range(40):
        rig.mv = [11900 if n % 2 else 12300] * 12
        rig.run(800)
    assert rig.told("event", el="M7", stage="dead", on=1)


def test_a_full_pack_that_swings_on_little_regeneration_is_no_dead_sensor():
    rig = Rig()
    rig.drive(0)
    for n in range(40):
        rig.mv = [13100 if n % 2 else 13500] * 12
        rig.ma = 0 if n % 2 else -3000
        rig.run(800)
    assert not rig.told("event", el="M7")


def test_a_probe_that_is_open_or_shorted():
    for counts in (65500, 100):
        rig = Rig()
        rig.charge()
        rig.temp_counts[0] = counts
        rig.run(1500)
        assert rig.told("event", el="M8", ix=1, stage="alarm", on=1)
        assert rig.mode == "rest"  # no charging blind, at once
        rig.ma = 0
        rig.run(10000)
        assert rig.trips()[0] == ("M8", "trip", 1)


def test_a_line_of_24_modules_fits_whatever_the_taps_say():
    """Open and crossed leads read far outside: the encoder has 240 bytes and no more."""
    rig = Rig(tap_gain_nv__3=16000000, tap_gain_nv__2=16000000, **pack_of(24))
    rig.run(2000)
    for extreme in (0, 65535):
        world = rig.world

        def wild(world=world, extreme=extreme):
            world()
            for k in range(48):
                rig.board.counts[k] = extreme if k % 2 else 65535 - extreme

        rig.world = wild
        rig.run(3000)
        rig.world = world
    assert max(len(line) for line in rig.lines.split(b"\n")) < 240
