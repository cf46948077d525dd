"""What the relay makes of time, precharge, contactors and inputs before it decides, each at its boundary.

A relay stands alone here, and each part of its scan is given its numbers directly.
"""

import pytest
from rig import HEALTHY, Rig

from warden import modes
from warden.elements import (
    Q_BUTTON,
    Q_CHATTER,
    Q_LATE,
    Q_NO_CRASH,
    Q_NO_ESTOP,
    Q_NO_INTERLOCK,
    Q_NO_SERVICE,
    Q_NOT_CLOSED,
    Q_NOT_OPEN,
    Q_PLUG,
    Q_PRE_FAST,
    Q_PRE_MS,
    Q_PRE_SHAPE,
    Q_SUM,
)  # fmt: skip
from warden.modes import (
    CRASH,
    ESTOP,
    INTERLOCK,
    KEY,
    MAIN,
    MAINAUX,
    PRECHARGED,
    RESET,
    SERVICE,
    START,
    UNPLUG,
)  # fmt: skip

BOOT, REST, PRECHARGE, DRIVE, SHED, CHARGE, LOCKOUT = range(7)
WHOLE_MV = 144000


def relay(mode=REST, **changes):
    r = Rig(**changes).relay
    r.sequence.mode = mode
    r.sequence.why = "key"
    return r


# -- time -----------------------------------------------------------------------------------------------


def timed(*steps, scan_ms=10):
    r = relay()
    r.board.scan_ms = scan_ms
    now = (1 << 30) - 7  # so that the first step wraps
    assert r._time(now) == 0
    out = []
    for step in steps:
        now = (now + step) & 0x3FFFFFFF
        out.append(r._time(now))
    return r, out


def test_time_is_what_passed_across_the_wrap_and_never_more_than_a_minute():
    r, took = timed(10, 12, 5, 60000, 60001, 0x1FFFFFFF)
    assert took == [10, 12, 5, 60000, 60000, 60000]
    assert r.worst_ms == 0x1FFFFFFF and r.last_ms == ((1 << 30) - 7 + 120028 + 0x1FFFFFFF) & 0x3FFFFFFF


@pytest.mark.parametrize("step, took, late", [
    (12, 12, 0), (13, 13, 3), (10, 10, 0), (5, 5, 0), (4, 10, 10), (0, 10, 10), (0x1FFFFFFF, 60000, 600),
    (0x20000000, 10, 600), (-1, 10, 600),
])  # fmt: skip
def test_late_backward_and_standing_clocks(step, took, late):
    """A slack of 2 ms; less than half an interval is a clock that stands; half the range or more is one gone back."""
    r, out = timed(step)
    assert out == [took] and r.late_score == r.sense.string[Q_LATE] == late and r.late_n == (1 if late else 0)


def test_the_score_of_lateness_falls_by_an_eighth_of_the_time_and_one():
    r, _ = timed(110)
    assert r.late_score == 100
    r._time(r.last_ms + 10)
    assert r.late_score == 98
    r._time(r.last_ms + 8)
    assert r.late_score == 96
    for dt_ms, left in ((15, 98), (16, 97), (5, 99)):
        r.late_score, r.board.scan_ms = 100, 15 if dt_ms > 12 else 10
        r._time(r.last_ms + dt_ms)
        assert r.late_score == left
    r.late_score = 1
    r._time(r.last_ms + 10)
    assert r.late_score == 0 == r.sense.string[Q_LATE]
    r.late_score = 590  # twice late_trip_ms is the most
    r._time(r.last_ms + 30)
    assert r.late_score == 600


def test_lateness_made_by_an_answer_at_rest_is_forgiven_once():
    r, _ = timed(10)
    r.served = True
    r._time((r.last_ms + 500) & 0x3FFFFFFF)
    assert (r.late_score, r.late_n, r.served) == (0, 0, False)
    r._time(r.last_ms + 500)
    assert (r.late_score, r.late_n) == (490, 1)


def test_every_late_scan_is_counted_and_a_clock_may_begin_at_nothing():
    r, _ = timed(30, 10, 30, 30)
    assert r.late_n == 3
    r = relay()
    r._time(0)
    assert r._time(25) == 25  # the first scan was at 0, and not before it


def test_the_longest_scan_is_remembered():
    r, _ = timed(30, 20)
    assert r.worst_ms == 30


# -- precharge ------------------------------------------------------------------------------------------


def pre(r, link, mode_ms, string=WHOLE_MV):
    """One look at the contactors while precharging; (precharged, fast, shape)."""
    s = r.sense
    s.link_mv, s.string_mv, r.mode_ms = link, string, mode_ms
    r._contactors(0, PRECHARGE, 10)
    x = s.string
    assert x[Q_PRE_MS] == mode_ms
    return bool(r.word & PRECHARGED), x[Q_PRE_FAST], x[Q_PRE_SHAPE]


def precharging(start_mv=0, moved=True, **changes):
    r = relay(PRECHARGE, **changes)
    r.link_start_mv, r.link_moved = start_mv, moved
    r.sense.median_mv = 0
    return r


@pytest.mark.parametrize("link, within", [(138239, False), (138240, True), (144000, True), (150000, True)])
def test_the_band_is_met_exactly(link, within):
    """4 % below the string: 138 240 mV of 144 000."""
    r = precharging()
    assert pre(r, 100000, 300) == (False, 0, 0)
    assert pre(r, link, 300) == (within, 0, 0)
    if within:
        assert pre(r, 138239, 310) == (False, 0, 0)  # and it is not kept
        assert pre(r, link, 320) == (True, 0, 0)
    r._contactors(0, DRIVE, 10)
    x = r.sense.string
    assert not r.word & PRECHARGED and x[Q_PRE_MS] == x[Q_PRE_FAST] == x[Q_PRE_SHAPE] == 0


@pytest.mark.parametrize("mode_ms, fast", [(149, 1), (150, 0)])
def test_a_link_that_is_full_too_soon(mode_ms, fast):
    r = precharging()
    assert pre(r, 138239, mode_ms) == (False, 0, 0)
    assert pre(r, 138240, mode_ms) == (False, fast, 0)
    assert pre(r, 138239, mode_ms)[1] == 0


@pytest.mark.parametrize("start, link, shape", [
    (0, 50399, 1), (0, 50400, 0), (0, 129743, 0), (0, 129744, 1), (44000, 79000, 0), (44000, 78999, 1),
    (44000, 134099, 0), (44000, 134100, 1),
])  # fmt: skip
def test_the_curve_is_judged_once_at_its_time_on_the_part_still_to_go(start, link, shape):
    """Between 350 and 900 thousandths of what was missing, whole thousandths: 900 passes and 901 does not."""
    r = precharging(start)
    assert pre(r, link, 219) == (False, 0, 0) and not r.shape_seen
    assert pre(r, link, 220)[2] == shape and r.shape_seen
    assert pre(r, 100000, 230)[2] == shape  # not looked at again


def test_nothing_is_precharged_before_the_curve_was_looked_at_or_when_it_was_wrong():
    r = precharging()
    assert pre(r, 140000, 219) == (False, 0, 0)
    assert pre(r, 140000, 220) == (False, 0, 1)
    assert pre(r, 140000, 400) == (False, 0, 1)


@pytest.mark.parametrize("start, short", [(107999, False), (108000, True), (144000, True), (150000, True)])
def test_a_link_that_was_nearly_full_is_judged_by_having_moved(start, short):
    """With a quarter or less to go there is no curve."""
    r = precharging(start, moved=False)
    assert pre(r, start, 100)[2] == int(short) and r.shape_seen == short
    if short:
        r.link_moved = True
        assert pre(r, 140000, 149) == (False, 0, 0)
        assert pre(r, 140000, 150) == (True, 0, 0)


@pytest.mark.parametrize("string, modules, median, whole", [
    (144000, 120000, 0, 144000), (100000, 144000, 0, 144000), (100000, None, 12000, 144000),
    (144000, None, 11000, 144000),
])  # fmt: skip
def test_main_is_closed_onto_the_higher_of_string_and_modules(string, modules, median, whole):
    """The sum where it is known, and twelve medians where it is not."""
    r = precharging()
    s = r.sense
    s.median_mv = median
    s.sum_mv = modules or 999000
    s.string_known = s.string_known | 1 << Q_SUM if modules else s.string_known & ~(1 << Q_SUM)
    pre(r, 70000, 220, string)
    assert pre(r, whole * 96 // 100 - 1, 300, string)[0] is False
    assert pre(r, whole * 96 // 100, 300, string)[0] is True


@pytest.mark.parametrize("string, can", [(0, False), (-5, False), (1, True), (999999, True), (1000000, False)])
def test_a_string_that_reads_nothing_or_too_much_is_never_met(string, can):
    r = precharging()
    r.shape_seen = True
    assert pre(r, 1000000, 300, string)[0] is can


def test_a_string_that_reads_below_nothing_divides_by_nothing():
    r = precharging(-5)
    r.sense.sum_mv = -10
    r.sense.string_known |= 1 << Q_SUM
    assert pre(r, -5, 300, -5)[0] is False and r.shape_seen


# -- the link at rest -----------------------------------------------------------------------------------


def test_the_link_at_rest_is_kept_each_second():
    r = relay(REST)
    for link, dt_ms, kept in ((100, 999, (0, 0)), (200, 1, (200, 0)), (300, 999, (200, 0)), (400, 1, (400, 200))):
        r.sense.link_mv = link
        r._contactors(0, REST, dt_ms)
        assert (r.link_rest_mv, r.link_before_mv) == kept
    r._contactors(0, DRIVE, 5000)
    assert (r.link_rest_mv, r.link_before_mv, r.link_ms) == (400, 200, 5000)


@pytest.mark.parametrize("before, now, string, moved", [
    (60288, 60000, 144000, False), (60289, 60000, 144000, True), (60000, 60288, 144000, False),
    (60000, 60289, 144000, True), (60000, 60000, 144000, False),
])  # fmt: skip
def test_a_link_has_moved_by_more_than_a_five_hundredth(before, now, string, moved):
    r = relay(PRECHARGE)
    r.link_before_mv, r.sense.link_mv, r.sense.string_mv = before, now, string
    r.shape_seen = True
    room = r.closing_ms
    r._changed(REST)
    assert r.link_moved == moved and not r.shape_seen and r.link_start_mv == now
    assert r.closing_ms == room - 10000


# -- contactors -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("aux, link, fault", [(1, 129600, 0), (1, 129599, 1), (0, 144000, 1), (0, 0, 1)])
def test_closed_is_the_contact_and_nine_tenths_of_the_string_on_the_link(aux, link, fault):
    r = relay(DRIVE)
    r.sequence.outputs = MAIN | modes.ENABLE
    r.sense.link_mv, r.sense.string_mv = link, WHOLE_MV
    r.sense.string[Q_NOT_OPEN] = 1
    r._contactors(MAINAUX if aux else 0, DRIVE, 10)
    assert (r.sense.string[Q_NOT_CLOSED], r.sense.string[Q_NOT_OPEN]) == (fault, 0)


@pytest.mark.parametrize("mode, aux, link, string, total, fault", [
    (REST, 0, 141120, 144000, 144000, 0), (REST, 0, 141121, 144000, 144000, 1), (REST, 1, 0, 144000, 144000, 1),
    (PRECHARGE, 0, 144000, 144000, 144000, 0), (PRECHARGE, 1, 0, 144000, 144000, 1), (REST, 0, 0, 144000, 144000, 0),
    # the lower of string and modules, unless the string reads half of the modules or less
    (REST, 0, 100000, 101000, 144000, 1), (REST, 0, 98980, 101000, 144000, 0), (REST, 0, 72000, 72001, 144000, 1),
    (REST, 0, 72000, 72000, 144000, 0), (REST, 0, 141000, 150000, 143000, 1), (REST, 0, 141000, 144000, 144000, 0),
    (REST, 0, 5000, 0, 0, 0), (REST, 0, 1, 0, 1, 1),
])  # fmt: skip
def test_open_is_no_contact_and_a_link_that_fell(mode, aux, link, string, total, fault):
    r = relay(mode)
    r.sequence.outputs = modes.CHARGER
    s = r.sense
    s.link_mv, s.string_mv, s.sum_mv = link, string, total
    s.string_known |= 1 << Q_SUM
    s.string[Q_NOT_CLOSED] = 1
    r._contactors(MAINAUX if aux else 0, mode, 10)
    assert (s.string[Q_NOT_OPEN], s.string[Q_NOT_CLOSED]) == (fault, 0)


def test_chatter_counts_changes_and_forgets_one_each_quarter_second():
    r = relay(DRIVE)
    x = r.sense.string
    for n in range(1, 5):
        r._contactors(MAINAUX if n % 2 else 0, DRIVE, 10)
        assert x[Q_CHATTER] == n
    r._contactors(0, DRIVE, 209)
    assert x[Q_CHATTER] == 4
    r._contactors(0, DRIVE, 1)
    assert x[Q_CHATTER] == 3
    r._contactors(0, DRIVE, 249)
    assert x[Q_CHATTER] == 3
    for left in (2, 1, 0, 0):
        r._contactors(0, DRIVE, 250)
        assert x[Q_CHATTER] == left
    for n in range(150):
        r._contactors(MAINAUX if n % 2 == 0 else 0, DRIVE, 0)
    assert x[Q_CHATTER] == 100


# -- flags ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bit, quantity", [
    (ESTOP, Q_NO_ESTOP), (CRASH, Q_NO_CRASH), (SERVICE, Q_NO_SERVICE), (INTERLOCK, Q_NO_INTERLOCK), (UNPLUG, Q_PLUG),
])  # fmt: skip
def test_each_lost_permissive_is_its_own_quantity(bit, quantity):
    r = relay()
    every = (Q_NO_ESTOP, Q_NO_CRASH, Q_NO_SERVICE, Q_NO_INTERLOCK, Q_PLUG)
    for bits, lost in ((HEALTHY, ()), (HEALTHY & ~bit, (quantity,)), (bit, tuple(q for q in every if q != quantity))):
        r.permissives.bits = bits
        r._flags(HEALTHY ^ bits, 10)  # by what is believed, not by what is read
        assert [r.sense.string[q] for q in every] == [int(q in lost) for q in every]


@pytest.mark.parametrize("button", [START, RESET, START | RESET])
def test_a_button_held_too_long_is_stuck(button):
    r = relay()
    x = r.sense.string
    r._flags(button, 29999)
    assert x[Q_BUTTON] == 0
    r._flags(button, 1)
    assert x[Q_BUTTON] == 1
    r._flags(button, 60000)
    assert r.button_ms == 30000  # stops, and never wraps
    r._flags(HEALTHY | KEY, 10)
    assert x[Q_BUTTON] == 0 and r.button_ms == 0


def test_the_plug_must_be_seen_absent_without_a_break():
    for raw, bits, counts in ((UNPLUG, UNPLUG, True), (0, UNPLUG, False), (UNPLUG, 0, False), (0, 0, False)):
        r = relay()
        r.unplug_ms = 100
        r.permissives.bits = bits
        r._flags(raw, 50)
        assert r.unplug_ms == (150 if counts else 0)
    r.unplug_ms = 2999
    r.permissives.bits = UNPLUG
    r._flags(UNPLUG, 7)
    r._flags(UNPLUG, 7)
    assert r.unplug_ms == 3006  # stops once it is enough
    r.unplug_ms = 3000
    r._flags(UNPLUG, 7)
    assert r.unplug_ms == 3000
