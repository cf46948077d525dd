"""What is told, and when: every field of every line, the intervals, and what waits when there is no room."""

import pytest
from rig import Rig

from warden import elements, journal, modes, reporter


def quiet():
    """A relay that has said everything it begins with; its lines as dicts by `lines(rig)`."""
    rig = Rig()
    rig.run(3000)
    lines(rig)
    return rig


def lines(rig):
    """(kind, fields) of each line waiting or taken, which are then forgotten."""
    rig.lines += rig.board.take_lines(rig.relay.outbox)
    out = []
    for said in rig.lines.decode().split("\n")[:-1]:
        words = said.partition("*")[0].split(" ")
        out.append((words[0], dict(w.split("=") for w in words[2:])))
    rig.lines = b""
    return out


def told(rig, dt_ms, now_ms=5000):
    rig.relay.reporter.tell(now_ms, dt_ms)
    return [kind for kind, _ in lines(rig)]


def still(rig):
    """Nothing due, and every interval just begun."""
    t = rig.relay.reporter
    t.meas_ms = t.mods_ms = t.state_ms = t.count_ms = 0
    t.ident_due = t.state_due = False
    t.change_n = 0
    rig.relay.elements.event_n = 0
    return t


def test_each_line_has_its_interval():
    for name, interval, kind in (
        ("meas_ms", 100, "meas"), ("mods_ms", 100, "mods"), ("state_ms", 1000, "state"), ("count_ms", 1000, "count"),
    ):  # fmt: skip
        rig = quiet()
        t = still(rig)
        setattr(t, name, interval - 11)
        assert told(rig, 10) == []
        assert told(rig, 1) == [kind] and getattr(t, name) == 0
        setattr(t, name, interval + 5)
        told(rig, 0)
        assert getattr(t, name) == 5  # what is over counts for the next
        setattr(t, name, 2 * interval - 1)
        assert told(rig, 0) == [kind] and getattr(t, name) == interval - 1
        setattr(t, name, 2 * interval)
        told(rig, 0)
        assert getattr(t, name) == 0  # missed ones are not made up
    rig = Rig(meas_ms=300, state_ms=700)
    t = rig.relay.reporter
    assert (t.meas_every_ms, t.state_every_ms) == (300, 700)
    assert (t.meas_ms, t.mods_ms, t.state_ms, t.count_ms) == (0, 150, 0, 350)
    assert t.ident_due and t.state_due and reporter.CHANGES == 8


def test_a_scan_tells_one_line_and_a_long_one_more_the_urgent_first():
    def full():
        rig = quiet()
        t = still(rig)
        t.meas_ms = t.mods_ms = 100
        t.state_ms = t.count_ms = 1000
        t.ident_due = t.state_due = True
        rig.relay.sequence.why = "key"
        t.changed(1)
        rig.relay.elements._tell(0, 0, 1, 1)
        return rig

    order = ["ident", "change", "event", "meas", "mods", "state", "count"]
    for dt_ms, n in ((0, 1), (49, 1), (50, 2), (99, 2), (100, 3), (150, 4), (200, 5), (250, 6), (300, 7)):
        rig = full()
        assert told(rig, dt_ms) == order[:n]
    rig = full()
    assert [told(rig, 0)[0] for _ in range(7)] == order and told(rig, 0) == []


def test_changes_wait_in_order_and_the_ninth_is_counted_lost():
    rig = quiet()
    t = still(rig)
    for n in range(9):
        rig.relay.sequence.mode, rig.relay.sequence.why = (n + 1) % 7, ("key", "trip", "plug")[n % 3]
        t.changed(n % 7)
    assert rig.relay.outbox.lost == 1 and t.change_n == 8 and t.state_due
    t.state_due = False
    said = []
    for _ in range(8):
        t.tell(77, 0)
        said += lines(rig)
    for n, (kind, fields) in enumerate(said):
        assert kind == "change" and fields["why"] == ("key", "trip", "plug")[n % 3]
        assert (fields["t"], fields["from"], fields["to"]) == ("77", modes.MODES[n % 7], modes.MODES[(n + 1) % 7])
    assert len(said) == 8


def test_events_say_which_row_where_and_what_it_saw():
    rig = quiet()
    still(rig)
    e = rig.relay.elements
    for index, row in enumerate(elements.TABLE):
        e.event_head = 31 if index % 2 else 0
        k = 0 if row[2] == 0 else 5 if row[2] == 1 else 23
        e._tell(index, k, 1000 + index, index % 2)
        rig.relay.reporter.tell(9, 0)
        ((kind, fields),) = lines(rig)
        assert kind == "event" and e.event_n == 0 and e.event_head == (0 if index % 2 else 1)
        assert fields == {
            "t": "9", "el": row[0], "stage": row[1], "ix": str(k + 1 if row[2] else 0), "on": str(index % 2),
            "act": "%x" % row[8], "x": str(1000 + index),
        }  # fmt: skip


def test_every_field_of_the_lines_that_come_by_themselves():
    rig = Rig()
    rig.drive(60000)
    rig.mv = [12600 + 10 * k for k in range(12)]
    rig.run(1500)
    lines(rig)
    r = rig.relay
    t = still(rig)
    s, w = r.sense, r.journal.word
    for at, value in ((journal.MAH_OUT, 11), (journal.MAH_IN, 12), (journal.WH_OUT, 13), (journal.WH_IN, 14),
                      (journal.OPS, 15), (journal.TRIP_N, 16), (journal.BOOTS, 17)):  # fmt: skip
        w[at] = value
    r.late_n, r.worst_ms, r.outbox.lost, r.commands.refused = 21, 22, 23, 24
    r.word, r.board.limit_permille, s.bad = 0xABCDE, 456, 0b100
    s.string[elements.Q_ISO] = 789
    for n in range(6):
        r.elements.up[n] = n + 1
    s.box_dc[0], s.box_dc[1] = 251, -33
    t.ident(1)
    t._meas(2)
    t._mods(3)
    t._state(4)
    t._count(5)
    said = lines(rig)
    assert said[0] == ("ident", {
        "t": "1", "fw": "0.1.0", "proto": "1", "n": "12", "boxes": "5,7", "scan": "10", "strap": "1",
        "cfg": "%x" % r.cfg, "boots": "17",
    })  # fmt: skip
    assert said[1] == ("meas", {
        "t": "2", "i": "60000", "u": str(s.string_mv), "link": str(s.link_mv), "aux": str(s.aux_mv), "lo": "1",
        "lomv": str(s.mv[0]), "hi": "12", "himv": str(s.mv[11]), "lim": "456", "iso": "789",
    })  # fmt: skip
    shown = ",".join(str(s.raw_mv[k] if k == 2 else s.mv[k]) for k in range(12))
    assert said[2] == ("mods", {"t": "3", "med": str(s.median_mv), "bad": "4", "mv": shown})
    assert said[3] == ("state", {
        "t": "4", "mode": "drive", "out": "%x" % r.board.out_bits, "in": "abcde", "up": "1,2,3,4,5,6", "dc": "251,-33",
    })  # fmt: skip
    assert said[4] == ("count", {
        "t": "5", "mahout": "11", "mahin": "12", "whout": "13", "whin": "14", "late": "21", "worst": "22", "lost": "23",
        "bad": "24", "ops": "15", "trips": "16",
    })  # fmt: skip
    assert r.worst_ms == 0


def test_before_the_first_round_there_is_no_lowest_and_no_highest():
    rig = Rig()
    rig.relay.reporter._meas(1)
    ((_, fields),) = lines(rig)
    assert (fields["lo"], fields["hi"], fields["lomv"], fields["himv"]) == ("0", "0", "0", "0")
    s = rig.relay.sense
    s.median_mv, s.believed_n = 12000, 0
    s.order[0], s.mv[3] = 3, 11
    rig.relay.reporter._meas(1)
    ((_, fields),) = lines(rig)
    assert (fields["lo"], fields["lomv"], fields["hi"]) == ("4", "11", "1")


@pytest.mark.parametrize("line", ["ident", "_meas", "_mods", "_state", "_count", "_change", "_event"])
def test_a_line_without_room_is_lost_and_nothing_else_happens(line):
    rig = quiet()
    r = rig.relay
    t = still(rig)
    r.outbox.waiting = 8
    r.worst_ms = 33
    r.sequence.why = "key"
    t.changed(1)
    r.elements._tell(3, 0, 1, 1)
    lost, seq = r.outbox.lost, r.outbox.seq
    getattr(t, line)(5)
    assert (r.outbox.lost, r.outbox.seq, r.outbox.waiting) == (lost + 1, seq + 1, 8)
    assert r.worst_ms == 33 and t.change_n == (0 if line == "_change" else 1)
    assert r.elements.event_n == (0 if line == "_event" else 1)
