"""The facts that the relay adds to the inputs, each at its boundary: times, precharge, contactors, the word, the limit.

A relay stands alone here, and each part of its scan is given its numbers directly.
"""

import pytest
from rig import HEALTHY, Rig

from warden import journal, modes, settings
from warden.elements import (
    Q_BUTTON, Q_CHATTER, Q_ISO, Q_LATE, Q_MEMORY, Q_NO_CRASH, Q_NO_ESTOP, Q_NO_INTERLOCK, Q_NO_SERVICE, Q_NOT_CLOSED,
    Q_NOT_OPEN, Q_OFF, Q_PLUG, Q_PRE_FAST, Q_PRE_MS, Q_PRE_SHAPE, Q_SUM,
)  # fmt: skip
from warden.modes import (
    ALARMED, ASKED, CLEARED, CRASH, DERATED, DWELT, ESTOP, FILL, GO, HELD, INTERLOCK, KEY, LATCHED, LINK_DEAD,
    LOW_CURRENT, MAIN, MAINAUX, MAY_CLOSE, PRECHARGED, RESET, SERVICE, START, TESTED, TRIP, TRIP_NOW, UNPLUG, WAITED,
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
    (12, 12, 0), (13, 13, 3), (10, 10, 0), (5, 5, 0), (4, 10, 10), (0, 10, 10), (0x1FFFFFFF, 60000, 10000),
    (0x20000000, 10, 10000), (-1, 10, 10000),
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
    r.late_score = 1
    r._time(r.last_ms + 10)
    assert r.late_score == 0 == r.sense.string[Q_LATE]
    r.late_score = 9990
    r._time(r.last_ms + 30)
    assert r.late_score == 10000


def test_lateness_made_by_an_answer_at_rest_is_forgiven_once():
    r, _ = timed(10)
    r.served = True
    r._time((r.last_ms + 500) & 0x3FFFFFFF)
    assert (r.late_score, r.late_n, r.served) == (0, 0, False)
    r._time(r.last_ms + 500)
    assert (r.late_score, r.late_n) == (490, 1)


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
    (144000, 120000, 0, 144000), (100000, 144000, 0, 144000), (100000, None, 12000, 144000), (144000, None, 11000, 144000),
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


@pytest.mark.parametrize("string, can", [(0, False), (-5, False), (999999, True), (1000000, False)])
def test_a_string_that_reads_nothing_or_too_much_is_never_met(string, can):
    r = precharging()
    r.shape_seen = True
    assert pre(r, 1000000, 300, string)[0] is can


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
    (REST, 0, 5000, 0, 0, 0),
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
        assert [q for q in every if r.sense.string[q]] == [q for q in every if q in lost]


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


# -- the word -------------------------------------------------------------------------------------------


def word(r, raw=0, dt_ms=10):
    r._assemble(raw, dt_ms)
    return r.word


def ready(mode=REST, **changes):
    """A relay for which every fact but those of time and choice is benign."""
    r = relay(mode, **changes)
    r.sense.string_known |= 1 << Q_ISO
    return r


def at(r, name, value):
    setattr(r, name, value)
    return word(r, dt_ms=0)


@pytest.mark.parametrize("name, limit, bit", [
    ("unplug_ms", 3000, HELD), ("mode_ms", 500, DWELT), ("mode_ms", 50, WAITED), ("closing_ms", 10000, MAY_CLOSE),
    ("clear_ms", 2000, CLEARED),
])  # fmt: skip
def test_facts_of_time_are_met_exactly(name, limit, bit):
    r = ready()
    assert not at(r, name, limit - 1) & bit
    assert at(r, name, limit) & bit


@pytest.mark.parametrize("setting, name, bit", [
    ("unplug_hold_ms", "unplug_ms", HELD), ("min_dwell_ms", "mode_ms", DWELT), ("shed_ms", "mode_ms", WAITED),
    ("clear_ms", "clear_ms", CLEARED),
])  # fmt: skip
def test_facts_of_time_follow_their_settings(setting, name, bit):
    r = ready(**{setting: 1234})
    assert not at(r, name, 1233) & bit and at(r, name, 1234) & bit


def test_self_test_ends_when_every_module_has_spoken_or_in_four_times_its_time():
    r = ready(BOOT)
    every = (1 << 12) - 1
    for ever, ms, passed in (
        (every, 499, False), (every, 500, True), (every >> 1, 500, False), (every & ~1, 1999, False), (0, 2000, True),
    ):  # fmt: skip
        r.sense.ever = ever
        assert bool(at(r, "mode_ms", ms) & TESTED) == passed


def test_the_cause_must_be_gone_for_its_time_and_isolation_known():
    r = ready()
    assert not word(r, dt_ms=1999) & CLEARED
    assert word(r, dt_ms=1) & CLEARED
    word(r, dt_ms=50000)
    assert r.clear_ms == 2000
    r.elements.live = 1
    assert not word(r, dt_ms=10) & CLEARED and r.clear_ms == 0
    r.elements.live = 0
    assert not word(r, dt_ms=1999) & CLEARED
    r.sense.string_known &= ~(1 << Q_ISO)
    assert not word(r, dt_ms=1) & CLEARED
    r = relay(e64_on=0)
    assert word(r, dt_ms=2000) & CLEARED  # not measured at all


def test_room_for_closings_grows_back_to_the_window():
    r = ready()
    r.closing_ms = 59985
    for ms, room in ((10, 59995), (10, 60005), (10, 60005)):
        word(r, dt_ms=ms)
        assert r.closing_ms == room
    r = ready(ops_max=4, ops_window_ms=80001)
    assert r.op_ms == 20000 and r.closing_ms == 80001


@pytest.mark.parametrize("ma, low", [(19999, 1), (20000, 0), (-19999, 1), (-20000, 0), (0, 1)])
def test_low_current_is_below_the_breaking_current_either_way(ma, low):
    r = ready()
    r.sense.ma = ma
    assert bool(word(r) & LOW_CURRENT) == low
    r.sense.ma_known = False
    assert not word(r) & LOW_CURRENT


def test_the_link_is_dead_below_its_limit():
    r = ready()
    for mv, dead in ((59999, True), (60000, False)):
        r.sense.link_mv = mv
        assert bool(word(r) & LINK_DEAD) == dead


@pytest.mark.parametrize("mode", range(7))
def test_each_action_does_what_it_is_for(mode):
    """alarm, derate, nodrive, nocharge, staged, open: one at a time, and only picked up."""
    effects = (ALARMED, DERATED, GO, FILL, TRIP | ALARMED, TRIP_NOW | ALARMED)
    shown = ALARMED | DERATED | GO | FILL | TRIP | TRIP_NOW
    for n, effect in enumerate(effects):
        r = ready(mode)
        r.elements.up[n] = 1
        assert word(r) & shown == (GO | FILL) ^ effect
        r.elements.up[n] = 0
        assert word(r) & shown == GO | FILL
        r.elements.picked[n] = 1
        barred = effect if mode == REST and n in (2, 3) else 0
        assert word(r) & shown == (GO | FILL) ^ barred


@pytest.mark.parametrize("mode", range(7))
def test_at_rest_nothing_begins_on_what_is_doubtful(mode):
    for doubt in ("iso", "open"):
        r = ready(mode)
        if doubt == "iso":
            r.sense.string_known &= ~(1 << Q_ISO)
        else:
            r.sense.string[Q_NOT_OPEN] = 1
        assert bool(word(r) & GO) == bool(word(r) & FILL) == (mode != REST)
    r = relay(mode, e64_on=0)
    assert word(r) & (GO | FILL) == GO | FILL


def test_a_latched_journal_is_latched_and_alarmed():
    r = ready()
    assert not word(r) & (LATCHED | ALARMED)
    r.journal.word[journal.LATCHED] = 1
    assert word(r) & (LATCHED | ALARMED) == LATCHED | ALARMED


def test_what_was_asked_for_by_wire_is_asked_once():
    r = ready()
    r.asked = True
    assert word(r) & ASKED
    assert not word(r) & ASKED


@pytest.mark.parametrize("bit, seen", [(RESET, "released"), (START, "start_open")])
def test_a_button_must_be_seen_open_before_it_counts(bit, seen):
    """By what is read and by what is believed: both must have been open at once."""
    r = ready()
    for raw, believed, counts in ((bit, bit, 0), (bit, 0, 0), (0, bit, 0), (0, 0, 0), (bit, bit, bit), (0, bit, bit)):
        r.permissives.bits = believed
        assert word(r, raw) & bit == counts
    other = (RESET | START) & ~bit
    assert getattr(r, seen)
    r.released = r.start_open = False
    r.permissives.bits = 0
    word(r, other)
    assert getattr(r, seen) and not (r.released and r.start_open)
    r._changed(REST)
    assert not r.released and not r.start_open


def test_the_word_keeps_precharged_and_the_inputs_and_nothing_else_of_before():
    r = ready()
    r.permissives.bits = KEY | UNPLUG | ESTOP
    r.released = r.start_open = True
    r.word = 0xFFFFFFF
    assert word(r) & (PRECHARGED | 0x7FF) == PRECHARGED | KEY | UNPLUG | ESTOP
    assert not r.word & (ASKED | TRIP | TRIP_NOW | LATCHED | ALARMED | DERATED | HELD | TESTED)
    r.word = 0
    assert not word(r) & PRECHARGED


# -- a change of mode -----------------------------------------------------------------------------------


@pytest.mark.parametrize("was", range(7))
@pytest.mark.parametrize("now", range(7))
def test_what_a_change_of_mode_does(was, now):
    r = ready(now)
    r.mode_ms, r.closing_ms, r.limit_u, r.link_ms = 7777, 50000, 5, 77
    r.word = DWELT | WAITED | LATCHED | GO
    r.journal.word[journal.LATCHED] = 1
    r.journal.left = 3
    r.journal.dirty = False
    r.sense.link_mv = 4321
    r._changed(was)
    assert r.mode_ms == 0 and r.elements.mode == now and r.journal.dirty
    cleared = was == LOCKOUT
    assert r.word == GO | (0 if cleared else LATCHED)
    assert (r.journal.word[journal.LATCHED], r.journal.left) == ((0, -1) if cleared else (1, 3))
    assert r.closing_ms == (40000 if now in (PRECHARGE, CHARGE) else 50000)
    assert r.limit_u == (1000000 if now in (DRIVE, CHARGE) else 5)
    assert r.journal.word[journal.OPS] == (1 if now == DRIVE else 0)
    kept = (r.link_rest_mv, r.link_before_mv, r.link_ms)
    assert kept == ((4321, 4321, 0) if now == REST else (0, 0, 77))
    assert (r.reporter.change_n, r.reporter.state_due) == (1, True)
    assert (r.reporter.change[0][0], r.reporter.change[1][0], r.reporter.change_why[0]) == (was, now, b"key")


# -- the limit ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", range(7))
def test_a_limit_only_where_power_is_asked_for_and_no_trip(mode):
    for bit in (0, TRIP, TRIP_NOW):
        r = relay(mode)
        r.limit_u, r.word = 900000, bit
        r._limit(0)
        assert r.limit_u == (900000 if mode in (DRIVE, CHARGE) and not bit else 0)


@pytest.mark.parametrize("start, derated, dt_ms, then", [
    (1000000, 1, 100, 900000), (450000, 1, 50, 400000), (450000, 1, 49, 401000), (450000, 1, 5000, 400000),
    (400000, 1, 10, 400000), (300000, 1, 100, 310000), (395000, 1, 1000, 400000), (400000, 0, 100, 410000),
    (1000000, 0, 10, 1000000), (950000, 0, 1000, 1000000), (0, 0, 1000, 100000), (0, 0, 7000, 100000),
    (1000000, 0, 0, 1000000), (999999, 0, 1, 1000000),
])  # fmt: skip
def test_the_limit_comes_quickly_and_goes_slowly(start, derated, dt_ms, then):
    """1000 thousandths a second down to 400, 100 up, and no step longer than a second."""
    r = relay(DRIVE)
    r.limit_u, r.word = start, DERATED if derated else 0
    r._limit(dt_ms)
    assert r.limit_u == then


# -- energy ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ma, dt_ms, left, mj", [
    (36000, 1000, 36000000 % 3600000, 36 * 144000 % 3600000), (0, 1000, 0, 0), (1000, 100, 100000, 14400),
    (1000, 1500, 1000000, 144000), (10, 100, 1000, 144), (9, 100, 900, 0),
])  # fmt: skip
def test_charge_and_energy_go_out_with_a_positive_current(ma, dt_ms, left, mj):
    r = relay(DRIVE)
    w = r.journal.word
    r.sense.string_mv = 144000
    for sign in (1, -1):
        r.sense.ma = ma * sign
        r._count_energy(dt_ms)
    ms = min(dt_ms, 1000)
    out, into = (journal.MAH_OUT, journal.WH_OUT), (journal.MAH_IN, journal.WH_IN)
    energy = 144000 // 100 * (ma // 10) * ms // 1000
    times = 1 if ma else 2  # no current at all counts as out, twice
    assert (r.ma_ms_out, r.mj_out) == (left * times, energy % 3600000 * times)
    assert (r.ma_ms_in, r.mj_in) == ((left, energy % 3600000) if ma else (0, 0))
    assert mj == energy % 3600000
    for at in (out, into):
        assert (w[at[0]], w[at[1]]) == (ma * ms // 3600000, energy // 3600000)


def test_nothing_is_counted_by_a_current_that_is_not_known():
    r = relay(DRIVE)
    r.sense.ma, r.sense.string_mv, r.sense.ma_known = 36000, 144000, False
    r._count_energy(1000)
    assert r.ma_ms_out == r.mj_out == 0


def test_what_is_less_than_one_is_carried():
    r = relay(DRIVE)
    r.sense.string_mv, r.sense.ma = 144000, 1000
    for _ in range(3600):
        r._count_energy(1000)
    w = r.journal.word
    assert (w[journal.MAH_OUT], w[journal.WH_OUT], r.ma_ms_out, r.mj_out) == (1000, 144, 0, 0)
    r.sense.ma = -1000
    for _ in range(3600):
        r._count_energy(1000)
    assert (w[journal.MAH_IN], w[journal.WH_IN], r.ma_ms_in, r.mj_in) == (1000, 144, 0, 0)


# -- configuration and memory ---------------------------------------------------------------------------


def test_each_setting_arrives_where_it_is_used():
    """Every one moved to a value that no other has."""
    moved = {
        "unplug_hold_ms": 3001, "min_dwell_ms": 501, "shed_ms": 51, "boot_ms": 502, "clear_ms": 2001, "break_ma": 20001,
        "link_dead_mv": 50001, "ops_window_ms": 60006, "ops_max": 7, "derate_permille": 401, "limit_up_permille_s": 101,
        "limit_down_permille_s": 1001, "pre_band_permille": 41, "pre_fast_ms": 151, "pre_check_ms": 221,
        "pre_check_low_permille": 351, "pre_check_high_permille": 901, "k72_drop_permille": 21, "stuck_button_ms": 30001,
    }  # fmt: skip
    r = relay(**moved)
    for setting, name, value in (
        ("unplug_hold_ms", "unplug_hold_ms", 3001), ("min_dwell_ms", "dwell_ms", 501), ("shed_ms", "shed_ms", 51),
        ("boot_ms", "boot_ms", 502), ("clear_ms", "clear_hold_ms", 2001), ("break_ma", "break_ma", 20001),
        ("link_dead_mv", "link_dead_mv", 50001), ("ops_window_ms", "window_ms", 60006), ("ops_max", "op_ms", 8572),
        ("derate_permille", "derate_u", 401000), ("limit_up_permille_s", "limit_up", 101),
        ("limit_down_permille_s", "limit_down", 1001), ("pre_band_permille", "pre_band", 959),
        ("pre_fast_ms", "pre_fast_ms", 151), ("pre_check_ms", "pre_check_ms", 221),
        ("pre_check_low_permille", "pre_low", 351), ("pre_check_high_permille", "pre_high", 901),
        ("k72_drop_permille", "drop", 979), ("stuck_button_ms", "stuck_button_ms", 30001),
        ("ops_window_ms", "closing_ms", 60006),
    ):  # fmt: skip
        assert getattr(r, name) == value, setting
    assert r.cfg == settings.digest(r.values)


@pytest.mark.parametrize("switch", ["e27_on", "e59_on", "e60_on", "e76_time_on", "e49_on", "e64_on", "e27x_on"])
def test_a_switch_that_is_off_is_told(switch):
    assert relay().sense.string[Q_OFF] == 0
    assert relay(**{switch: 0}).sense.string[Q_OFF] == 1


def test_memory_that_is_bad_is_an_element():
    rig = Rig()
    assert rig.relay.sense.string[Q_MEMORY] == 0 and rig.relay.settings_whole
    rig.run(3000)
    rig.boot()
    assert rig.relay.sense.string[Q_MEMORY] == 0 and rig.relay.journal.word[journal.BOOTS] == 2
    rig.board.nv[settings.IMAGE_BYTES + 20] ^= 1  # the journal
    rig.boot()
    assert rig.relay.sense.string[Q_MEMORY] == 1 and rig.relay.settings_whole
    rig = Rig()
    rig.board.nv[20] ^= 1  # the settings
    rig.boot()
    assert rig.relay.sense.string[Q_MEMORY] == 1 and not rig.relay.settings_whole
    assert list(rig.relay.values) == list(settings.defaults())


def test_the_first_trip_of_a_scan_is_latched_with_what_it_saw():
    r = relay(DRIVE)
    e = r.elements
    assert e.trip_row == -1
    r._latch(DRIVE)
    assert not r.journal.word[journal.LATCHED]
    e.trip_row, e.trip_k, e.trip_x = 0, 5, -77
    r._latch(DRIVE)
    p = r.journal.trip(0)
    assert list(r.journal.word[p : p + 4]) == [0, 5, -77, DRIVE] and r.journal.word[journal.LATCHED]
    assert e.trip_row == -1


@pytest.mark.parametrize("out, left, powered", [
    (0, -1, False), (0, 0, False), (0, 1, True), (modes.MAIN, -1, True), (modes.PRE, -1, True), (modes.CHARGER, -1, True),
    (modes.ENABLE, -1, True), (modes.FAN | modes.LAMP | modes.TRIPLAMP | modes.BUZZER | 0x300, -1, False),
])  # fmt: skip
def test_powered_is_any_power_output_or_moments_still_being_kept(out, left, powered):
    r = relay()
    r.board.out_bits, r.journal.left = out, left
    assert bool(r.powered()) == powered
    r.journal.dirty = True
    r.served = False
    r.board.nv_kept = False
    r.idle()
    kept = not out & modes.POWER
    assert (r.board.nv_kept, r.served, r.journal.dirty) == (kept, kept, not kept)
    r.board.nv_kept = False
    r.idle()
    assert not r.board.nv_kept
