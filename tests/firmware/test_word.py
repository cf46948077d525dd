"""The word that the tables read, fact by fact, each at its boundary.

A relay stands alone here, and each part of its scan is given its numbers directly.
"""

import pytest
from test_facts import BOOT, REST, relay

from warden import journal
from warden.elements import Q_ISO, Q_NOT_OPEN
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
        assert r.word & GO  # beside what else is so


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
    r.closing_ms = 60000
    word(r, dt_ms=10)
    assert r.closing_ms == 60000
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
    assert word(r) & ASKED and r.asked is False
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
    assert r.released is False and r.start_open is False


def test_the_word_keeps_precharged_and_the_inputs_and_nothing_else_of_before():
    r = ready()
    r.permissives.bits = KEY | UNPLUG | ESTOP
    r.released = r.start_open = True
    r.word = 0xFFFFFFF
    assert word(r) & (PRECHARGED | 0x7FF) == PRECHARGED | KEY | UNPLUG | ESTOP
    assert not r.word & (ASKED | TRIP | TRIP_NOW | LATCHED | ALARMED | DERATED | HELD | TESTED)
    r.word = 0
    assert not word(r) & PRECHARGED
