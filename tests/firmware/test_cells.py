"""The cells of the element table: each thing its own, none of them shared, and counts that follow them."""

from array import array

import pytest

from warden import elements, modes, settings
from warden.elements import BOX, IDLE, MODULE, OPERATED, PICKED, STRING

NUMBERS = ["%s/%s" % (a.decode(), b.decode()) for a, b in zip(elements.NUMBER, elements.STAGE)]
FAR = 1 << 28


def fresh(mode=modes.DRIVE, **changes):
    values = settings.defaults()
    for name, value in changes.items():
        values[settings.index_of(name)] = value
    e = elements.Elements(values)
    e.enter(mode)
    return e


def beyond(row):
    """Quantities with this row's far beyond its pickup, and only it known."""
    x = array("i", [0] * 24)
    q = elements.QUANTITY[row]
    x[q] = FAR if elements.SIDE[row] == 2 else -FAR
    return x, 1 << q


def mode_of(row):
    return next(m for m in range(7) if elements.AWAKE_IN[row] >> m & 1)


@pytest.mark.parametrize("row", range(len(NUMBERS)), ids=NUMBERS)
def test_each_thing_has_a_cell_of_its_own(row):
    """Every thing that a row watches, one after the other: just its cell changes, and it lets go of just that."""
    group = elements.WATCHES[row]
    for k in range(elements.EACH[group]):
        e = fresh(mode_of(row))
        x, known = beyond(row)
        for _ in range(3):
            e.evaluate(group, k, x, known, 60000)
        cell = e.base[row] + k
        twins = [r for r in range(len(NUMBERS)) if elements.WATCHES[r] == group
                 and elements.QUANTITY[r] == elements.QUANTITY[row] and elements.SIDE[r] == elements.SIDE[row]
                 and elements.AWAKE_IN[r] >> e.mode & 1]  # fmt: skip
        assert e.state[cell] == OPERATED
        assert [c for c, s in enumerate(e.state) if s] == sorted(e.base[r] + k for r in twins)
        asleep = next((m for m in range(7) if not elements.AWAKE_IN[row] >> m & 1), None)
        if asleep is not None:
            e.enter(asleep)
            assert e.state[cell] == IDLE
            left = [r for r in twins if elements.AWAKE_IN[r] >> asleep & 1]
            assert [c for c, s in enumerate(e.state) if s] == sorted(e.base[r] + k for r in left)
            assert e.live == sum(1 for r in left if elements.ACTION[r] & modes.TRIPS)
            for bit in range(6):
                assert e.up[bit] == sum(elements.ACTION[r] >> bit & 1 for r in left)


def test_what_sleeps_is_told_to_have_let_go_with_nothing():
    e = fresh()
    row = NUMBERS.index("27/time")
    x, known = beyond(row)
    for _ in range(3):
        e.evaluate(MODULE, 5, x, known, 60000)
    e.event_head = e.event_n = 0
    e.enter(modes.REST)
    told = [[column[n] for column in e.event] for n in range(e.event_n)]
    assert told and all(k == 5 and on == 0 and value == 0 for _row, k, on, value in told)


def test_two_things_that_trip_are_two_that_live():
    """One that lets go leaves the other: a lockout does not end on half of its causes."""
    e = fresh()
    row = NUMBERS.index("27/floor")
    x, known = beyond(row)
    for k in (2, 9):
        e.evaluate(MODULE, k, x, known, 10)
    assert e.live == 2 and e.state[e.base[row] + 2] == e.state[e.base[row] + 9] == PICKED
    back = array("i", [12000] * 8)
    e.evaluate(MODULE, 2, back, known, 10)
    assert e.live == 1 and e.picked[4] == 1
    e.evaluate(MODULE, 9, back, known, 10)
    assert e.live == 0 and not any(e.picked)


def test_the_time_of_what_has_operated_stands_still():
    """It would run over some day, and the row would let go."""
    e = fresh()
    row = NUMBERS.index("49/trip")
    x, known = beyond(row)
    for _ in range(4):
        e.evaluate(BOX, 1, x, known, 3000)
    cell = e.base[row] + 1
    assert e.state[cell] == OPERATED
    was = e.timer_ms[cell]
    for seen in (known, 0):
        e.evaluate(BOX, 1, x, seen, 60000)
        assert e.timer_ms[cell] == was


def test_a_number_in_the_table_is_that_number_whatever_the_settings():
    """Literals are kept as negative places: one off, and a dropout of 0 is the last setting of all."""
    plain = fresh().rows
    odd = fresh(reset_code=4711).rows
    assert plain == odd
    for group in plain:
        for row in group:
            assert all(type(v) is int for v in row)


def test_at_power_up_nothing_is_seen_and_the_mode_is_boot():
    e = elements.Elements(settings.defaults())
    assert e.mode == modes.BOOT and e.trip_row == -1 and e.live == 0 and e.event_n == 0
    assert not any(e.state) and not any(e.timer_ms) and not any(e.up) and not any(e.picked)
    row = NUMBERS.index("M11/memory")
    x, known = beyond(row)
    e.evaluate(STRING, 0, x, known, 10)  # the one row that is awake in boot
    assert e.trip_row == row and e.trip_k == 0 and e.trip_x == FAR and e.up[5] == 1


def test_the_first_row_of_all_can_be_the_trip():
    """Its number is 0: taken for no trip, a second one would take its place in the journal."""
    e = fresh(modes.LOCKOUT)
    e.trip_row = 0
    row = NUMBERS.index("27/floor")
    x, known = beyond(row)
    for _ in range(2):
        e.evaluate(MODULE, 0, x, known, 60000)
    assert e.trip_row == 0


@pytest.mark.parametrize("name", sorted({settings.key_of(s) for s in elements.SWITCH if s >= 0}))
def test_each_switch_is_seen_to_be_off(name):
    values = settings.defaults()
    assert elements.switched_off(values) is False
    values[settings.index_of(name)] = 0
    assert elements.switched_off(values) is True
