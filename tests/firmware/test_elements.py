"""The table itself: every row can be read, and none can chatter."""

import pytest

from warden import elements, modes, settings


@pytest.mark.parametrize("row", elements.TABLE, ids=lambda row: "%s/%s" % row[:2])
def test_dropout_never_meets_pickup(row):
    """Whatever the settings: two numbers the right way round, or a pair that settings.ORDER keeps apart."""
    _number, _stage, _watches, _quantity, sign, pickup, dropout = row[:7]
    low, high = (dropout, pickup) if sign > 0 else (pickup, dropout)
    if isinstance(low, int) and isinstance(high, int):
        assert low < high
    elif isinstance(low, int):
        lowest = {r[0]: r[4] for r in settings.TABLE}[high]
        assert low < lowest
    else:
        assert any(pair[:2] == (low, high) and pair[2] > 0 for pair in settings.ORDER)


def test_rows_are_named_once_and_use_what_exists():
    seen = set()
    for row in elements.TABLE:
        assert row[:2] not in seen
        seen.add(row[:2])
        for name in (row[5], row[6], row[7], row[10]):
            assert isinstance(name, int) or name == "" or name in settings.BASE
        assert 0 < row[8] < 64 and 0 < row[9] < 128 and row[11]


def test_the_columns_are_the_table():
    """What runs is made from what is read."""
    for n, row in enumerate(elements.TABLE):
        assert (elements.NUMBER[n].decode(), elements.STAGE[n].decode()) == row[:2]
        assert (elements.WATCHES[n], elements.QUANTITY[n], elements.SIDE[n] - 1) == row[2:5]
        assert (elements.ACTION[n], elements.AWAKE_IN[n]) == row[8:10]


def test_every_trip_stays_awake_in_lockout_if_its_cause_can_outlast_it():
    """A lockout must see its cause live.  Those that can not outlast it are named with the reason."""
    ends_with_the_mode = {
        ("48", "slow"), ("48", "fast"), ("48", "shape"),  # precharge is over
        ("72", "close"), ("72", "chatter"),  # the contactor is no longer asked to be closed
        ("69", "plug"),  # the drive path is open: being plugged in is then allowed
        ("M7", "deadtrip"), ("M10", "trip"),  # no load, no swing; a scan that was late is over
    }  # fmt: skip
    for row in elements.TABLE:
        if row[8] & modes.TRIPS:
            assert bool(row[9] >> modes.LOCKOUT & 1) != (row[:2] in ends_with_the_mode), row[:2]


def test_no_switch_turns_off_what_guards_people_from_the_contactor():
    for row in elements.TABLE:
        if row[0] in ("48", "69", "72") or row[:2] == ("76", "inst") or row[0].startswith("M"):
            assert not row[10]
