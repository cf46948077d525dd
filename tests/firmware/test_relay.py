"""The relay's word, changes of mode, limit, counters, memory, and the scan as a whole, each at its boundary.

A relay stands alone here, and each part of its scan is given its numbers directly.
"""

import pytest
from rig import Rig
from test_facts import BOOT, CHARGE, DRIVE, LOCKOUT, PRECHARGE, REST, relay

from warden import journal, modes, settings
from warden import relay as relay_module
from warden.elements import Q_ISO, Q_MEMORY, Q_NOT_OPEN, Q_OFF
from warden.modes import (
    ALARMED,
    ASKED,
    CLEARED,
    DERATED,
    DWELT,
    ESTOP,
    FILL,
    GO,
    HELD,
    KEY,
    LATCHED,
    LINK_DEAD,
    LOW_CURRENT,
    MAIN,
    MAY_CLOSE,
    PRECHARGED,
    RESET,
    START,
    TESTED,
    TRIP,
    TRIP_NOW,
    UNPLUG,
    WAITED,
)  # fmt: skip

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
        "pre_check_low_permille": 351, "pre_check_high_permille": 901, "k72_drop_permille": 21,
        "stuck_button_ms": 30001,
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
    (0, -1, False), (0, 0, False), (0, 1, True), (modes.MAIN, -1, True), (modes.PRE, -1, True),
    (modes.CHARGER, -1, True),
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


# -- the scan as a whole --------------------------------------------------------------------------------


def test_the_clocks_of_a_scan():
    """Wraps at 2**30; the time in a mode stops growing long before it could pass that."""
    rig = Rig()
    rig.run(100)
    r = rig.relay
    for mode_ms, then in ((5, 15), (99999989, 99999999), (99999990, 100000000), (99999991, 100000000)):
        r.mode_ms = mode_ms
        r.sequence.mode = REST
        r.word = 0
        r.clock = (1 << 30) - 4
        rig.scan()
        assert (r.mode_ms, r.clock) == (then, 6)


def test_each_module_and_box_is_looked_at_with_the_time_since_its_own_last_look():
    r = relay()
    seen = []
    r.elements.evaluate = lambda group, k, x, known, dt_ms: seen.append((group, k, dt_ms))
    rounds = []
    r.sense.round_done = lambda: rounds.append(len(seen))
    board = r.board
    for first, fresh_n, clock, wanted in (
        (0, 3, 10, [(0, 10), (1, 10), (2, 10)]), (2, 2, 15, [(2, 5), (3, 15)]),
        (10, 4, 30, [(10, 30), (11, 30), (0, 20), (1, 20)]), (12, 1, 31, [(0, 1)]), (20, 1, 33, [(0, 2)]),
        (5, 0, 40, []),
    ):  # fmt: skip
        board.first, board.fresh_n, r.clock = first, fresh_n, clock
        seen.clear()
        r._modules(board)
        assert seen == [(2, k, dt_ms) for k, dt_ms in wanted]
    assert rounds == [2]  # once, after module 12
    r.module_clock[11] = (1 << 30) - 5
    board.first, board.fresh_n, r.clock = 11, 1, 5
    seen.clear()
    r._modules(board)
    assert seen == [(2, 11, 10)]
    for clock, wanted in ((7, (1, 0, 7)), (9, (1, 1, 9)), (19, (1, 0, 12)), (20, (1, 1, 11))):
        r.clock = clock
        seen.clear()
        r._box(board)
        assert seen == [wanted]
    r.box_clock[0], r.clock = (1 << 30) - 5, 5
    seen.clear()
    r._box(board)
    assert seen == [(1, 0, 10)]


def test_a_scan_goes_through_every_part_once_in_order_with_its_numbers():
    rig = Rig()
    rig.drive(60000)
    r = rig.relay
    rig.inputs |= RESET
    seen = []

    def watched(owner, name):
        whole = getattr(owner, name)

        def part(*given):
            seen.append((name, given))
            return whole(*given)

        setattr(owner, name, part)

    for owner, names in (
        (r, ("_time", "_count_energy", "_contactors", "_flags", "_modules", "_box", "_latch", "_assemble", "_limit")),
        (r.permissives, ("update",)), (r.sense, ("scalars", "taps")), (r.journal, ("sample",)), (r.reporter, ("tell",)),
        (r.sequence, ("step", "drive_outputs")),
    ):  # fmt: skip
        for name in names:
            watched(owner, name)
    rig.scan()
    board, s, raw = rig.board, r.sense, rig.board.discretes
    assert raw & RESET and seen == [
        ("_time", (rig.now,)), ("update", (raw, 10)), ("scalars", (board, DRIVE, 10)), ("_count_energy", (10,)),
        ("_contactors", (raw, DRIVE, 10)), ("_flags", (raw, 10)), ("_modules", (board,)), ("_box", (board,)),
        ("taps", (DRIVE,)), ("_latch", (DRIVE,)), ("_assemble", (raw, 10)), ("step", (r.word,)),
        ("drive_outputs", (r.word,)), ("_limit", (10,)),
        ("sample", (10, 60000, s.string_mv, s.link_mv, r.reporter.low(), r.reporter.low_mv())), ("tell", (rig.now, 10)),
    ]  # fmt: skip


def test_a_scan_hands_on_what_it_found():
    rig = Rig()
    rig.drive(60000)
    r, board = rig.relay, rig.board
    r.sense.iso_outputs = modes.ISO_NEG
    rig.scan()
    assert board.out_bits == r.sequence.outputs | r.sense.iso_outputs and board.limit_permille == 1000
    r.limit_u = 456999
    r._limit = lambda dt_ms: None
    rig.scan()
    assert board.limit_permille == 456
    assert r.sense.last_scan_ma == 60000
    kept = r.journal.word[r.journal.prior(23) : r.journal.prior(23) + 3] if r.journal.prior(23) else None
    assert kept is not None and kept[0] == 60000


@pytest.mark.parametrize("busy, powered, forgiven", [(1, 0, True), (1, 1, False), (0, 0, False), (0, 1, False)])
def test_lateness_is_forgiven_only_for_an_answer_without_power(busy, powered, forgiven):
    r = relay()
    r.commands.serve = lambda: busy
    r.board.out_bits = MAIN if powered else 0
    r.serve()
    assert r.served == forgiven


def test_settings_are_stored_whole_and_used():
    r = relay()
    values = settings.defaults()
    values[settings.BASE["n_modules"]] = 11
    with pytest.raises(settings.SettingError):
        r.store(values)
    assert not r.board.nv_kept and r.sense.n == 12
    values[settings.BASE["box_modules"]] = 4
    r.journal.word[journal.OPS] = 77
    r.store(values)
    assert r.board.nv_kept and r.served and r.sense.n == 11 and r.values is values and not r.journal.dirty
    assert list(settings.unpack(r.board.nv)) == list(values)
    j = journal.Journal()
    assert j.read(r.board.nv, settings.IMAGE_BYTES) == journal.WHOLE and j.word[journal.OPS] == 77


def test_a_relay_begins_with_nothing_on_and_its_counters_at_nothing():
    r = Rig().relay
    for name in (
        "word", "clock", "mode_ms", "unplug_ms", "clear_ms", "limit_u", "late_n", "late_score", "worst_ms", "button_ms",
        "chatter_ms", "was_aux", "link_start_mv", "link_rest_mv", "link_before_mv", "link_ms", "box_next", "ma_ms_out",
        "ma_ms_in", "mj_out", "mj_in",
    ):  # fmt: skip
        assert getattr(r, name) == 0, name
    for name in ("served", "asked", "released", "start_open", "shape_seen", "link_moved", "memory_bad"):
        assert getattr(r, name) is False, name
    assert r.last_ms == -1 and r.closing_ms == 60000 and r.journal.dirty and r.journal.word[journal.BOOTS] == 1
    assert r.sequence.mode == BOOT and r.sequence.outputs == 0


def test_the_constants_of_time():
    assert (relay_module.TICKS, relay_module.BACKWARDS, relay_module.STEP_MS_MAX) == (0x3FFFFFFF, 0x20000000, 60000)
    assert relay_module.LATE_SLACK_MS == 2
    assert relay_module.MA_MS_PER_MAH == 3600000
