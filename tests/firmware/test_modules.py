"""One module's sample at its boundaries: what it reads, when it is doubted and by whom, what is learnt from it."""

from array import array

import pytest
from test_channels import AWAY, COMP, HOT, MV, OPEN, RANGE, RAW, STUCK, make, settle, take

ALL, ABOUT, NO_MEDIAN = 0b11111111, 0b11100000, 0b11101111
BOX_TWO = 5  # the first module of the second box, by default


def rested(**changes):
    s = make(**changes)
    settle(s)
    return s


# -- what it reads --------------------------------------------------------------------------------------


@pytest.mark.parametrize("k", range(24))
def test_each_module_has_its_own_two_channels_gain_and_offset(k):
    """Every channel holds another count, every gain and offset is another: none can stand in for its neighbour."""
    boxes = {"box_modules__%d" % b: 4 for b in range(6)}
    gains = {"tap_gain_nv__%d" % n: 500000 + 1007 * n for n in range(24)}
    offsets = {"tap_offset_mv__%d" % n: 3 * n - 31 for n in range(24)}
    s = make(n_modules=24, range_high_mv=21000, range_low_mv=-7000, **boxes, **gains, **offsets)
    counts = array("H", [30000 + 11 * n for n in range(24)] + [10000 + 17 * n for n in range(24)] + [9] * 24)
    s.sample(counts, k, 0)
    first = k % 4 == 0
    below = k if first else k - 1
    upper = ((30000 + 11 * k) * gains["tap_gain_nv__%d" % k] + 500000) // 1000000 + 3 * k - 31
    lower = ((10000 + 17 * k) * gains["tap_gain_nv__%d" % below] + 500000) // 1000000
    lower += 0 if first else 3 * below - 31  # the first lead of a box has no tap of its own
    assert s.module[RAW] == s.raw_mv[k] == s.mv[k] == s.module[MV] == upper - lower
    assert s.ever == 1 << k and s.bad == 0 and s.box_seen == 1 << k


@pytest.mark.parametrize("shift, then", [(0, 12800), (1, 12400), (2, 12200), (4, 12050)])
def test_the_filter_moves_by_its_share(shift, then):
    s = rested(filter_shift=shift, rcomp_learn=0)
    s.ma = 100000
    assert take(s, 0, 12800) == ALL
    assert s.mv[0] == s.module[MV] == then and s.module[RAW] == 12800
    assert s.comp_mv[0] == s.module[COMP] == 12000 + (12800 + 500 - 12000 >> shift)


def test_the_first_reading_and_the_first_after_doubt_are_taken_whole():
    s = rested(filter_shift=2, rcomp_learn=0)
    s.bad = 1
    s.ma = 100000
    assert take(s, 0, 12800) == ALL
    assert (s.mv[0], s.comp_mv[0], s.bad) == (12800, 13300, 0)
    s.ever = 0
    assert take(s, 0, 12400) == ALL
    assert (s.mv[0], s.comp_mv[0], s.ever) == (12400, 12900, 1)


def test_compensation_uses_the_current_only_when_it_is_known():
    s = rested()
    s.ma = 100000
    s.ma_known = False
    take(s, 0, 12000)
    assert s.module[COMP] == 12000 and s.last_ma[0] == 0
    s.ma_known = True
    take(s, 0, 12001)
    assert s.module[COMP] == 12501 and s.last_ma[0] == 100000
    assert s.module[RAW] == s.module[MV] == 12001  # the floor looks at it as it is


def test_hot_follows_the_box_and_away_the_median():
    s = rested(v60_slope_uohm=800)
    s.box_dc[0], s.box_dc[1] = 350, 150
    take(s, 0, 12300)
    assert s.module[HOT] == 12300 + 180 and s.module[AWAY] == 300
    take(s, BOX_TWO, 11700)
    assert s.module[HOT] == 11700 - 180 and s.module[AWAY] == 300
    for s.ma in (100000, -100000):
        take(s, 0, 12301)
        take(s, 0, 12300)
        assert s.module[AWAY] == 300 - 80
    s.box_dc[0] = 250
    take(s, 0, 12301)
    assert s.module[HOT] == 12301


def test_away_is_unknown_before_there_is_a_median():
    s = make()
    assert take(s, 0, 12000) == NO_MEDIAN
    s.median_mv = 12000
    assert take(s, 0, 12001) == ALL


def test_a_box_that_is_absent_gives_nothing():
    s = rested()
    for k, box in ((0, 0), (4, 0), (5, 1), (11, 1)):
        s.bad = 0
        s.box_seen = 0
        was = s.raw_mv[k]
        assert take(s, k, 40000, absent=1 << box) == 0
        assert s.bad == 1 << k and s.raw_mv[k] == was and not s.box_seen
        low = 0 if k in (0, BOX_TWO) else 20000
        assert take(s, k, low + 12001, low, absent=1 << 1 - box) == ALL
        assert not s.bad


# -- range ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mv, believed", [(-9000, True), (-9001, False), (18000, True), (18001, False)])
def test_range_is_met_exactly(mv, believed):
    s = rested()
    for k in (1, BOX_TWO + 1):
        s.open = s.robbed = s.stuck = s.bad = 0
        assert take(s, k, 30000 + mv, 30000) == (ALL if believed else ABOUT)
        assert (s.module[RANGE], s.range >> k & 1, s.bad >> k & 1) == ((0, 0, 0) if believed else (1, 1, 1))
        assert s.module[OPEN] == s.module[STUCK] == 0
        take(s, k, 42000, 30000)
        assert s.range == 0 and s.bad == 0 and s.module[RANGE] == 0


# -- stuck ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("before, after, stuck", [
    (0, 30000, 0), (0, 30001, 1), (0, -30000, 0), (0, -30001, 1), (20000, -10000, 0), (20000, -10001, 1),
])  # fmt: skip
def test_a_count_that_stays_while_the_current_swings_is_stuck(before, after, stuck):
    s = rested()
    s.ma = before
    take(s, 1, 32500, 20000)
    s.ma = after
    known = take(s, 1, 32500, 20000)
    assert (s.module[STUCK], s.stuck) == (stuck, stuck << 1)
    assert known == (ABOUT if stuck else ALL)


def test_a_stuck_channel_takes_its_upper_neighbour_with_it_and_comes_back_when_it_moves():
    s = rested()
    s.ma = 30001
    assert take(s, 1, 32000, 20000) == ABOUT and s.stuck == 0b10
    # the lower tap of module 3 is the upper one of module 2
    assert take(s, 2, 32001, 20000) == ABOUT and s.module[STUCK] == 0 and s.bad >> 2 & 1
    assert take(s, 3, 32001, 20000) == ALL
    assert take(s, 1, 32001, 20000) == ALL and s.stuck == 0
    assert take(s, 2, 32002, 20000) == ALL
    assert s.count_ma[1] == 30001 and s.last_count[1] == 32001
    s.ma = 0
    assert take(s, 1, 32001, 20000) == ABOUT  # from where it last moved


def test_a_stuck_last_channel_of_a_box_leaves_the_next_box_alone():
    s = rested()
    s.ma = 40000
    assert take(s, 4, 32000, 20000) == ABOUT
    assert take(s, BOX_TWO, 12001) == ALL


def test_before_its_first_sample_nothing_is_stuck():
    s = make()
    s.ma = 100000
    assert take(s, 1, 0 + 32000, 20000) == NO_MEDIAN
    s.ever = 0
    s.ma = 300000
    take(s, 1, 32000, 20000)
    assert s.stuck == 0 and s.count_ma[1] == 300000


# -- open leads -----------------------------------------------------------------------------------------


def test_an_upper_tap_at_nothing_with_a_reading_out_of_range_is_an_open_lead():
    s = rested()
    assert take(s, 1, 60, 12000) == ABOUT
    assert s.open == 0b10 and s.module[OPEN] == 1 and s.module[RANGE] == 0 and s.range == 0
    assert take(s, 1, 61, 12000) == ABOUT
    assert s.open == 0 and s.module[OPEN] == 0 and s.module[RANGE] == 1
    assert take(s, 1, 60, 9061) == ABOUT and s.module[OPEN] == 1
    assert take(s, 1, 60, 9060) == ALL  # -9000 mV is believed, and so is the lead
    assert s.open == 0 and s.module[RANGE] == 0


def test_an_open_count_is_a_setting():
    s = rested(open_counts=100)
    take(s, 1, 100, 12000)
    assert s.module[OPEN] == 1
    take(s, 1, 101, 12000)
    assert s.module[OPEN] == 0


@pytest.mark.parametrize("neighbour, shown", [(18000, False), (18001, True)])
def test_the_first_lead_of_a_box_is_judged_by_the_neighbour(neighbour, shown):
    """More than one and a half modules there: the lead is open."""
    for first in (0, BOX_TWO):
        s = rested()
        s.raw_mv[first + 1] = neighbour
        s.raw_mv[first] = 6000  # no fall to wait for
        known = take(s, first, 0)
        assert (s.module[OPEN], s.open) == ((1, 1 << first) if shown else (0, 0))
        assert known == (ABOUT if shown else ALL)


@pytest.mark.parametrize("was, waits", [(6000, False), (6001, True)])
def test_a_first_tap_that_falls_to_nothing_waits_one_round(was, waits):
    s = rested()
    s.raw_mv[0] = was
    assert take(s, 0, 0) == (0 if waits else ALL)
    assert s.bad == (1 if waits else 0)
    assert s.raw_mv[0] == 0
    assert take(s, 0, 1) == ALL  # nothing spoke for a lead: taken for what it says
    assert s.module[RAW] == 1 and s.bad == 0


def test_a_first_tap_that_was_open_or_never_seen_does_not_wait():
    s = rested()
    s.open = 1
    assert take(s, 0, 0) == ALL
    s = make()
    s.raw_mv[0] = 12000
    assert take(s, 0, 0) == NO_MEDIAN
    s = rested()
    s.raw_mv[1] = 6500
    assert take(s, 1, 60, 60) == ALL  # not the first: reads 0 and no wait


@pytest.mark.parametrize("rise, shown", [(6000, False), (6001, True)])
def test_a_module_alone_in_its_box_is_judged_by_the_string(rise, shown):
    """The string says that more than half a module is there: the lead is open."""
    s = make(n_modules=3, box_modules__0=2, box_modules__1=1)
    for k in range(3):
        take(s, k, 32000 if k == 1 else 12000, 20000 if k == 1 else 0)
    s.sum_mv = 36000
    s.string_mv = 24000 + rise
    s.raw_mv[2] = 5000
    take(s, 2, 0)
    assert s.module[OPEN] == int(shown)


def test_a_module_alone_in_its_box_does_not_ask_the_next_box():
    """The next module is another box's: what it reads says nothing about this lead."""
    for neighbour, string_mv, shown in ((24000, 24000, 0), (12000, 36000, 1)):
        s = make(n_modules=3, box_modules__0=1, box_modules__1=2)
        for k in range(3):
            take(s, k, 32000 if k == 2 else 12000, 20000 if k == 2 else 0)
        s.sum_mv, s.string_mv = 36000, string_mv
        s.raw_mv[0], s.raw_mv[1] = 5000, neighbour
        take(s, 0, 0)
        assert s.module[OPEN] == shown


def test_the_last_module_of_the_string_has_no_neighbour_to_ask():
    s = make(n_modules=1, box_modules__0=1, box_modules__1=0)
    take(s, 0, 12000)
    s.sum_mv = 12000
    s.string_mv = 12000
    s.raw_mv[1] = 0
    assert take(s, 0, 0) == ABOUT and s.module[OPEN] == 1


@pytest.mark.parametrize("up, low, robbed", [
    (18061, 60, True), (18060, 60, False), (18062, 61, False), (18001, 0, True), (18000, 0, False),
])  # fmt: skip
def test_a_lower_tap_at_nothing_with_two_modules_above_is_robbed(up, low, robbed):
    s = rested(range_high_mv=21000)
    known = take(s, 1, up, low)
    assert s.robbed == (0b10 if robbed else 0)
    # Until the module below is known to own the open lead, it speaks for itself.
    assert s.module[RANGE] == int(robbed) and s.module[OPEN] == 0
    assert known == (ABOUT if robbed else ALL)
    s.open = 0b01
    take(s, 1, up + 1, low)
    if robbed:
        assert s.robbed == 0b10 and s.module[RANGE] == 0 and s.bad == 0b10
    take(s, 1, 32000, 20000)
    assert s.robbed == 0 and s.bad == 0


def test_the_first_of_a_box_is_never_robbed():
    s = rested()
    take(s, BOX_TWO, 18001, 0)
    assert s.robbed == 0 and s.module[RANGE] == 1


def test_an_open_or_robbed_module_is_not_out_of_range_as_well():
    s = rested()
    take(s, 1, 30000, 0)
    assert s.robbed == 0b10 and s.range == 0
    take(s, 1, 0, 30000)
    assert s.open == 0b10 and s.robbed == 0 and s.range == 0


# -- learning -------------------------------------------------------------------------------------------


def step(s, from_ma, to_ma, from_mv=12600, to_mv=12000, moving=0, k=0):
    s.bad = 0
    s.ma = s.last_scan_ma = from_ma
    take(s, k, from_mv)
    s.ma = to_ma
    s.last_scan_ma = to_ma - moving
    take(s, k, to_mv)
    return s.ohm_u[k]


def test_resistance_is_learnt_from_a_step_by_an_eighth():
    s = rested(stuck_ma=500000)
    assert s.ohm_u[0] == 5000
    # 600 mV for 100 A is 6000 uohm
    assert step(s, 0, 100000) == 5125
    assert s.ohm_u[1] == 5000
    assert step(rested(stuck_ma=500000), 100000, 0, 12000, 12600) == 5125  # letting go says the same
    assert step(rested(rcomp_learn=0), 0, 100000) == 5000


@pytest.mark.parametrize("to_ma, learns", [(24999, 0), (25000, 1), (-24999, 0), (-25000, 1)])
def test_a_step_must_be_large_enough(to_ma, learns):
    to_mv = 12000 - to_ma * 8 // 1000
    assert (step(rested(), 0, to_ma, 12000, to_mv) != 5000) == bool(learns)


@pytest.mark.parametrize("moving, learns", [(5000, 1), (5001, 0), (-5000, 1), (-5001, 0)])
def test_nothing_is_learnt_while_the_current_still_moves(moving, learns):
    assert (step(rested(), 0, 100000, moving=moving) != 5000) == bool(learns)


def test_nothing_is_learnt_from_a_current_that_is_not_known_or_a_module_in_doubt():
    s = rested()
    s.ma_known = False
    assert step(s, 0, 100000) == 5000
    s = rested()
    s.ma = s.last_scan_ma = 0
    take(s, 0, 12600)
    s.ma = s.last_scan_ma = 100000
    s.bad = 1
    take(s, 0, 12000)
    assert s.ohm_u[0] == 5000


@pytest.mark.parametrize("drop, learnt", [(0, 5000), (1, 4376), (-1, 5000), (1799, 6623), (1800, 5000)])
def test_a_step_that_no_module_makes_is_not_learnt(drop, learnt):
    """Between nothing and twice the most, in uohm for 100 A: 18000 is too much."""
    assert step(rested(), 0, 100000, 14000, 14000 - drop) == learnt


def test_what_is_learnt_is_held_between_half_of_the_start_and_the_most():
    s = rested(stuck_ma=500000)
    for n in range(60):
        step(s, 0, 100000, 14000 + n, 14000 + n - 1700)
    assert s.ohm_u[0] == 9000
    for n in range(60):
        step(s, 0, 100000, 12000 + n, 12000 + n - 1)
    assert s.ohm_u[0] == 2500
