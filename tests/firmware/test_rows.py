"""Each row of the element table at its boundaries: what it sees, when it acts, when it lets go, what it asks for.

The rows come from golden.py and not from the firmware, so a row that says something else shows here as behaviour.
"""

import golden
import pytest

from warden import elements, modes, settings

EACH = (1, 6, 24)  # things of each kind that a board can have
TRIPS = 48  # staged and open


def values(**changes):
    out = settings.defaults()
    for name, value in changes.items():
        out[settings.BASE[name]] = value
    return out


class Bench:
    """One row's cell, looked at through the elements' own doors."""

    def __init__(self, row, mode, k=0, changes=None):
        self.row, self.k = row, k
        self.e = elements.Elements(values(**(changes or {})))
        self.e.enter(mode)
        self.x = [0] * 24
        self.known = 1 << row.quantity

    def see(self, value, dt_ms=0, known=True):
        self.x[self.row.quantity] = value
        self.e.evaluate(self.row.group, self.k, self.x, self.known if known else 0, dt_ms)

    def told(self):
        """(row, k, on, value) of each event, oldest first; they are taken away."""
        e = self.e
        out = []
        for n in range(e.event_n):
            at = (e.event_head + n) % len(e.event[0])
            out.append(tuple(column[at] for column in e.event))
        e.event_head = (e.event_head + e.event_n) % len(e.event[0])
        e.event_n = 0
        return out

    def mine(self):
        """1 operated and 0 released of this row, oldest first, by what is told."""
        return [on for index, k, on, _ in self.told() if (index, k) == (self.row.index, self.k)]

    def state(self):
        at = sum(EACH[r.group] for r in golden.ROWS[: self.row.index])
        return self.e.state[at + self.k]


each_row = pytest.mark.parametrize("row", golden.ROWS, ids=repr)


def test_the_table_is_the_one_written_here():
    """Row for row, in order, with the settings' names: a row added, lost or moved is a deliberate act."""
    assert len(elements.TABLE) == len(golden.ROWS) == 61
    for row, has in zip(golden.ROWS, elements.TABLE):
        wanted = (
            row.number, row.stage, row.group, row.quantity, 1 if row.over else -1, row.pickup_name or row.pickup,
            row.dropout_name or row.dropout, row.delay_name or row.delay_ms, row.action, sum(1 << m for m in row.modes),
            row.switch.strip("-"),
        )  # fmt: skip
        assert has[:11] == wanted


def test_the_quantities_have_the_numbers_that_the_table_names():
    for group, prefix in (("string", "Q_"), ("box", "QB_"), ("module", "QM_")):
        for n, name in enumerate(golden.QUANTITIES[group]):
            assert getattr(elements, prefix + name.upper()) == n
    assert elements.QM_ABOUT == 0b11100000 and elements.QM_ALL == 0xFF
    assert (elements.STRING, elements.BOX, elements.MODULE, elements.EACH) == (0, 1, 2, EACH)
    assert elements.STRING_QUANTITIES == len(golden.QUANTITIES["string"])
    assert (elements.IDLE, elements.PICKED, elements.OPERATED, elements.EVENTS) == (0, 1, 2, 32)


@each_row
def test_pickup_is_met_exactly(row):
    for mode in row.modes:
        bench = Bench(row, mode)
        bench.see(row.pickup - row.step)
        assert bench.state() == elements.IDLE
        bench.see(row.pickup)
        assert bench.state() != elements.IDLE


@each_row
def test_operates_at_its_delay_and_not_a_millisecond_before(row):
    bench = Bench(row, row.modes[0])
    # The first look finds the fault and starts the time: what passed before it does not count.
    bench.see(row.pickup, 5000)
    if row.delay_ms:
        assert not bench.mine()
        bench.see(row.pickup, row.delay_ms - 1)
        assert not bench.mine() and bench.state() == elements.PICKED
        bench.see(row.pickup, 1)
    assert bench.mine() == [1] and bench.state() == elements.OPERATED
    bench.see(row.pickup, 60000)
    assert not bench.mine()  # told once


@each_row
def test_between_dropout_and_pickup_the_time_runs_on(row):
    between = row.dropout + row.step
    bench = Bench(row, row.modes[0])
    bench.see(row.pickup)
    if row.delay_ms:
        bench.see(between, row.delay_ms - 1)
        assert not bench.mine()
        bench.see(between, 1)
    assert bench.mine() == [1]
    bench.see(between, 60000)
    assert not bench.mine() and bench.state() == elements.OPERATED
    bench.see(row.dropout)
    assert bench.mine() == [0] and bench.state() == elements.IDLE


@each_row
def test_from_idle_nothing_starts_short_of_the_pickup(row):
    if row.pickup - row.step == row.dropout:
        return  # the two are neighbours: test_pickup_is_met_exactly has it
    bench = Bench(row, row.modes[0])
    for _ in range(3):
        bench.see(row.pickup - row.step, 60000)
    assert not bench.mine() and bench.state() == elements.IDLE


@each_row
def test_an_unknown_reading_starts_nothing_holds_nothing_off_and_clears_nothing(row):
    bench = Bench(row, row.modes[0])
    bench.see(row.pickup, 1000, known=False)
    assert bench.state() == elements.IDLE
    bench.see(row.pickup)
    if row.delay_ms:
        bench.see(row.dropout, row.delay_ms - 1, known=False)
        assert not bench.mine()
        bench.see(row.dropout, 1, known=False)
    assert bench.mine() == [1]
    bench.see(row.dropout, 60000, known=False)
    assert bench.state() == elements.OPERATED and not bench.mine()


@each_row
def test_a_release_before_the_delay(row):
    """Measurement rows run back at half speed, the others start again from nothing."""
    if row.delay_ms < 10:
        return
    bench = Bench(row, row.modes[0])
    bench.see(row.pickup)
    bench.see(row.pickup, row.delay_ms - 1)
    bench.see(row.dropout, 2)
    if row.number.startswith("M"):
        assert bench.state() == elements.PICKED
        bench.see(row.pickup, 1)  # one back, one on
        assert not bench.mine()
        bench.see(row.pickup, 1)
        assert bench.mine() == [1]
    else:
        assert bench.state() == elements.IDLE
        bench.see(row.pickup, row.delay_ms)
        bench.see(row.pickup, row.delay_ms - 1)
        assert not bench.mine()
        bench.see(row.pickup, 1)
        assert bench.mine() == [1]


@pytest.mark.parametrize("row", [r for r in golden.ROWS if r.number.startswith("M") and r.delay_ms], ids=repr)
def test_a_measurement_row_lets_go_once_its_time_has_run_out(row):
    bench = Bench(row, row.modes[0])
    bench.see(row.pickup)
    bench.see(row.pickup, 11)
    bench.see(row.dropout, 10)  # 11 is more than 10: back by five
    assert bench.state() == elements.PICKED
    bench.see(row.dropout, 6)  # six are not more than six
    assert bench.state() == elements.IDLE
    bench.see(row.pickup)
    bench.see(row.pickup, row.delay_ms - 1)
    assert not bench.mine()  # and nothing was kept


@each_row
def test_awake_where_it_says_and_asleep_elsewhere(row):
    for mode in range(7):
        bench = Bench(row, mode)
        for _ in range(2):
            bench.see(row.pickup, row.delay_ms)
        assert (bench.mine() == [1]) == (mode in row.modes)
        assert (bench.state() == elements.OPERATED) == (mode in row.modes)


@each_row
def test_going_to_sleep_forgets_and_staying_awake_does_not(row):
    for mode in range(7):
        bench = Bench(row, row.modes[0])
        for _ in range(2):
            bench.see(row.pickup, row.delay_ms)
        assert bench.mine() == [1]
        bench.e.enter(mode)
        assert bench.state() == (elements.OPERATED if mode in row.modes else elements.IDLE)
        assert bench.mine() == ([] if mode in row.modes else [0])
        assert bench.e.mode == mode


@each_row
def test_its_switch_and_no_other_turns_it_off(row):
    for switch in ("e27_on", "e59_on", "e60_on", "e76_time_on", "e49_on", "e64_on", "e27x_on"):
        bench = Bench(row, row.modes[0], changes={switch: 0})
        for _ in range(2):
            bench.see(row.pickup, row.delay_ms)
        assert (bench.mine() == []) == (row.switch == switch)
        assert elements.switched_off(values(**{switch: 0}))
    assert not elements.switched_off(values())


@each_row
def test_what_it_asks_for_is_counted_while_it_is_up(row):
    bench = Bench(row, row.modes[0])
    bench.see(row.pickup)
    e = bench.e
    # Rows that share the quantity count, too: those of golden.py that are awake and met.
    met = [
        r for r in golden.ROWS
        if r.group == row.group and r.quantity == row.quantity and row.modes[0] in r.modes
        and (row.pickup >= r.pickup if r.over else row.pickup <= r.pickup)
    ]  # fmt: skip
    for elapsed in (0, row.delay_ms):
        if elapsed:
            bench.see(row.pickup, elapsed)
        for n in range(6):
            up = sum(r.action >> n & 1 for r in met if r.delay_ms <= elapsed)
            picked = sum(r.action >> n & 1 for r in met if r.delay_ms > elapsed)
            assert (e.up[n], e.picked[n]) == (up, picked)
        assert e.live == sum(bool(r.action & TRIPS) for r in met)
    e.enter(row.modes[0])  # stays awake: nothing changes
    # With the quantity as it is in a healthy pack every row lets go; measurement rows as their time has run back.
    healthy = {"raw": 12000, "temp": 250}.get(row.quantity_name, -10000000 * row.step)
    for _ in range(3):
        bench.see(healthy, 60000)
    assert list(e.up) == list(e.picked) == [0] * 6 and e.live == 0


@each_row
def test_the_first_trip_is_remembered_with_what_it_saw(row):
    trips = bool(row.action & TRIPS)
    k = EACH[row.group] - 1
    bench = Bench(row, row.modes[0], k)
    for _ in range(2):
        bench.see(row.pickup, row.delay_ms)
    seen = [t for t in bench.told() if t[0] == row.index]
    assert seen == [(row.index, k, 1, row.pickup)]
    first = [r.index for r in golden.ROWS if trips and (r.group, r.quantity) == (row.group, row.quantity)]
    if not trips:
        assert bench.e.trip_row not in [row.index]
    elif len(first) == 1:
        assert (bench.e.trip_row, bench.e.trip_k, bench.e.trip_x) == (row.index, k, row.pickup)
        bench.see(row.dropout, 60000)
        bench.see(row.dropout, 60000)
        bench.see(row.pickup + row.step)
        bench.see(row.pickup + row.step, row.delay_ms)
        assert bench.e.trip_x == row.pickup  # the second does not take its place


@pytest.mark.parametrize("name", sorted({n for r in golden.ROWS for n in (r.pickup_name, r.dropout_name) if n}))
def test_each_limit_follows_its_own_setting(name):
    """Moved by one count, the row moves with it: two settings with the same default are told apart."""
    for row in golden.ROWS:
        if row.pickup_name == name:
            moved = row.pickup + row.step
            bench = Bench(row, row.modes[0], changes={name: moved})
            bench.see(row.pickup)
            assert bench.state() == elements.IDLE
            bench.see(moved)
            assert bench.state() != elements.IDLE
        if row.dropout_name == name:
            moved = row.dropout - row.step
            bench = Bench(row, row.modes[0], changes={name: moved})
            for _ in range(2):
                bench.see(row.pickup, row.delay_ms)
            bench.see(row.dropout)
            assert bench.state() == elements.OPERATED
            bench.see(moved)
            assert bench.state() == elements.IDLE


@pytest.mark.parametrize("name", sorted({r.delay_name for r in golden.ROWS if r.delay_name}))
def test_each_delay_follows_its_own_setting(name):
    for row in golden.ROWS:
        if row.delay_name:
            delay_ms = row.delay_ms + (7 if row.delay_name == name else 0)
            changed = [r.delay_ms for r in golden.ROWS if r.delay_name == name][0] + 7
            bench = Bench(row, row.modes[0], changes={name: changed})
            bench.see(row.pickup)
            bench.see(row.pickup, delay_ms - 1)
            assert not bench.mine()
            bench.see(row.pickup, 1)
            assert bench.mine() == [1]


@pytest.mark.parametrize("group", [0, 1, 2])
def test_each_thing_has_its_own_timer(group):
    """One thing at fault beside its healthy neighbours, wherever it sits: it alone operates."""
    row = [r for r in golden.ROWS if r.group == group and r.delay_ms > 100 and r.action & 48][0]
    healthy = row.dropout - row.step
    for bad in range(EACH[group]):
        bench = Bench(row, row.modes[0])
        for dt_ms in (0, row.delay_ms - 1, 1):
            for k in range(EACH[group]):
                bench.k = k
                bench.see(row.pickup if k == bad else healthy, dt_ms)
        assert [(index, k) for index, k, on, _ in bench.told() if on and index == row.index] == [(row.index, bad)]


def test_events_wait_in_order_and_the_ring_does_not_run_over():
    row = [r for r in golden.ROWS if repr(r) == "59/high"][0]
    bench = Bench(row, modes.LOCKOUT)
    for bench.k in range(24):
        for _ in range(2):
            bench.see(row.pickup, row.delay_ms)
    assert [t for t in bench.told() if t[0] == row.index] == [(row.index, k, 1, row.pickup) for k in range(24)]
    for turn in range(3):
        for bench.k in range(24):
            bench.see(row.dropout if turn % 2 == 0 else row.pickup)
            if turn % 2:
                bench.see(row.pickup, row.delay_ms)
    assert bench.e.event_n == elements.EVENTS
    kept = [(row.index, k, 0) for k in range(24)] + [(row.index, k, 1) for k in range(8)]
    assert [t[:3] for t in bench.told()] == kept
    assert bench.e.up[4] == 0  # what was not told has happened all the same


def test_only_the_table_is_made_when_asked_for():
    for module, name in ((elements, "TABLES"), (settings, "TABLES"), (modes, "TABLES")):
        with pytest.raises(AttributeError):
            getattr(module, name)
