"""Commands at their boundaries: length, form, number, what may be changed when, and the lists line by line."""

import pytest
from rig import ESTOP, KEY, Rig
from test_commands import ask, locked, rested

from warden import commands, elements, journal, records, settings
from warden.crc import crc16
from warden.modes import MAIN


def give(rig, data):
    """Bytes on the wire, taken at once; (status, why) of each reply."""
    rig.lines += rig.board.take_lines(rig.relay.outbox)
    rig.lines = b""
    rig.give(data)
    while rig.relay.commands.serve():
        pass
    rig.lines += rig.board.take_lines(rig.relay.outbox)
    return [(f["status"], f["why"]) for f in rig.told("reply")]


def signed(text):
    return b"%s*%04x\n" % (text, crc16(text))


@pytest.fixture(scope="module")
def rig():
    return rested()


def test_the_limits_are_those_of_the_protocol():
    assert (commands.LINE_MAX, commands.CHUNK, commands.WRONG_MAX) == (96, 64, 5)
    assert [name for name, _ in commands.TABLE] == "who get set apply forget list clear service".split()


@pytest.mark.parametrize("n, taken", [(95, True), (96, True), (97, False), (200, False)])
def test_a_line_of_96_bytes_is_taken_and_no_longer_one(rig, n, taken):
    text = b"get 1 name=" + b"x" * (n - 16)
    assert len(signed(text)) == n + 1
    refused = rig.relay.commands.refused
    assert give(rig, signed(text)) == ([("error", "name")] if taken else [])
    assert rig.relay.commands.refused == refused + (not taken)
    assert give(rig, signed(b"who 2")) == [("ok", "who")]  # the next line is heard again


@pytest.mark.parametrize("text, taken", [
    (b"who 1", True), (b"who 999999", True), (b"who 1000000", False), (b"who -1", False), (b"who x", False),
    (b"who", False), (b"who 1 a=b=c", True), (b"who 1 a", True), (b"\x1f 1", False), (b"\x7f 1", False),
    (b"~ 1", True), (b" 12", True), (b" 1", False), (b"who  1", False),
])  # fmt: skip
def test_only_whole_commands_are_answered(rig, text, taken):
    refused = rig.relay.commands.refused
    assert len(give(rig, signed(text))) == taken
    assert rig.relay.commands.refused == refused + (not taken)


@pytest.mark.parametrize("line", [
    b"*ffff\n", b"a*ffff\n", b"who 1\n", b"who 1*zzzz\n", b"who 1x0000\n", b"\n", b"who 1*0000\n",
])  # fmt: skip
def test_a_line_without_a_right_sum_is_counted(rig, line):
    refused = rig.relay.commands.refused
    assert give(rig, line) == [] and rig.relay.commands.refused == refused + 1


@pytest.mark.parametrize("text, number", [
    ("0", 0), ("-1", -1), ("999999999", 999999999), ("-999999999", -999999999), ("1000000000", None), ("", None),
    ("-", None), ("--1", None), ("1.5", None), ("0x1", None), ("+1", None), ("1-", None), ("000000001", 1),
])  # fmt: skip
def test_whole_numbers_of_at_most_nine_digits(text, number):
    assert commands._whole_number(text) == number


@pytest.mark.parametrize("value, taken", [(19, False), (20, True), (5000, True), (5001, False)])
def test_a_setting_is_staged_within_its_bounds(value, taken):
    rig = rested()
    before = list(rig.relay.values)
    reply = ask(rig, "set 7 name=v60_pickup_mv value=%d" % value)
    staged = list(before)
    staged[settings.BASE["v60_pickup_mv"]] = value
    if taken:
        assert (reply["status"], reply["why"], reply["value"]) == ("ok", "staged", str(value))
        assert reply["digest"] == "%x" % settings.digest(staged) and list(rig.relay.commands.staged) == staged
        second = ask(rig, "set 8 name=v60_dropout_mv value=11")  # the first stays staged
        staged[settings.BASE["v60_dropout_mv"]] = 11
        assert second["digest"] == "%x" % settings.digest(staged)
    else:
        assert (reply["status"], reply["why"], reply["value"], reply["digest"]) == ("error", "bounds", "0", "0")
        assert rig.relay.commands.staged is None
    assert list(rig.relay.values) == before


def test_what_a_reply_says():
    rig = rested()
    cfg = "%x" % rig.relay.cfg
    said = ask(rig, "who 5")
    assert said == {"req": "5", "status": "ok", "why": "who", "value": "0", "digest": cfg}
    assert ask(rig, "get 6 name=v60_pickup_mv") == {
        "req": "6", "status": "ok", "why": "get", "value": "600", "digest": cfg}  # fmt: skip
    assert ask(rig, "forget 7")["why"] == "forgotten"
    staged = ask(rig, "set 8 name=v60_pickup_mv value=500")
    wrong = ask(rig, "apply 9 digest=%x" % (int(staged["digest"], 16) ^ 1))
    assert (wrong["why"], wrong["digest"]) == ("digest", staged["digest"])
    done = ask(rig, "apply 10 digest=" + staged["digest"])
    assert (done["why"], done["digest"], "%x" % rig.relay.cfg) == ("applied", staged["digest"], staged["digest"])
    assert rig.relay.commands.staged is None
    assert ask(rig, "apply 11 digest=" + staged["digest"])["why"] == "nothing"


@pytest.mark.parametrize("mode, bad, out, may", [
    (0, 0, 0, 0), (1, 0, 0, 1), (1, 1, 0, 1), (1, 0, MAIN, 0), (2, 0, 0, 0), (3, 0, 0, 0), (4, 0, 0, 0), (5, 0, 0, 0),
    (6, 0, 0, 0), (6, 1, 0, 1), (6, 1, MAIN, 0), (0, 1, 0, 0),
])  # fmt: skip
def test_settings_change_only_at_rest_or_locked_out_by_memory(mode, bad, out, may):
    rig = Rig()
    r = rig.relay
    r.sequence.mode, r.memory_bad, r.board.out_bits = mode, bad, out
    assert bool(r.commands._may_change()) == bool(may)


def listed(rig, what, kind):
    """Fields of every line of `kind` that the list gives, texts as they stand."""
    rig.lines = b""
    rig.send("list 5 what=" + what)
    rig.run(200)
    while rig.relay.commands.listing >= 0:
        rig.run(50)
    rig.run(200)
    found = [line for line in rig.lines.decode().split("\n") if line.startswith(kind + " ")]
    return [line.rpartition("*")[0].split(" ", 2)[2] for line in found]


def test_the_list_of_fields_is_the_catalogue():
    from warden import table_fields

    wanted = []
    for kind, fields in records.CATALOGUE:
        for name, form, unit, about in fields:
            wanted.append('kind=%s name=%s type=%s unit="%s" about="%s"' % (kind, name, form, unit, about))
    assert listed(rested(), "fields", "field") == wanted and table_fields.ROWS


def test_the_list_of_settings_is_every_value():
    rig = rested()
    wanted = []
    for index in range(settings.COUNT):
        key, n = settings.key_of(index), settings.number_at(index)
        value = 0 if key == "reset_code" else rig.relay.values[index]
        wanted.append("name=%s value=%d low=%d high=%d" % (key, value, settings.LOW[n], settings.HIGH[n]))
    assert listed(rig, "settings", "setting") == wanted


def test_the_list_of_trips_is_the_last_eight_and_the_moments_of_a_live_one():
    rig = rested()
    j = rig.relay.journal
    assert listed(rig, "trips", "trip") == listed(rig, "trips", "prior") == []
    rows = (0, 14, 23)  # a module's, a box's, the string's
    for n in range(10):
        j.latch(rows[n % 3], n % 6, 100 - n, n % 7)
        j.clear()
    wanted = []
    for n in range(2, 10):
        row = elements.TABLE[rows[n % 3]]
        ix = n % 6 + 1 if row[2] else 0
        mode = "boot rest precharge drive shed charge lockout".split()[n % 7]
        wanted.append("n=%d el=%s stage=%s ix=%d x=%d mode=%s latched=0" % (n + 1, *row[:2], ix, 100 - n, mode))
    assert listed(rig, "trips", "trip") == wanted
    assert listed(rig, "trips", "prior") == []


@pytest.mark.parametrize("left, after", [(8, 0), (3, 5), (0, 8), (-1, 8)])
def test_moments_are_told_by_their_distance_from_the_trip(left, after):
    rig = rested()
    r, j = rig.relay, rig.relay.journal
    j.latch(0, 1, 2, 3)
    j.left = left
    for n in range(24):
        for m in range(5):
            j.word[j.prior(n) + m] = 10 * n + m
    out = []
    for at in range(1, 26):
        r.outbox.waiting = 0
        more = r.commands._list_trip(at)
        if more:
            out.append(bytes(r.outbox.slots[r.outbox.head][: r.outbox.lengths[r.outbox.head]]).decode())
    assert len(out) == 24 and not more
    for n, said in enumerate(out):
        words = said.partition("*")[0].split(" ", 2)[2]
        assert words == "at=%d i=%d u=%d link=%d lo=%d lomv=%d" % (
            (n - (24 - after)) * 100, 10 * n, 10 * n + 1, 10 * n + 2, 10 * n + 3, 10 * n + 4)  # fmt: skip
    r.outbox.waiting = 0
    assert r.commands._list_trip(0)
    assert b"latched=1" in bytes(r.outbox.slots[r.outbox.head])


@pytest.mark.parametrize("waiting, goes_on", [(3, True), (4, False), (8, False)])
def test_a_list_waits_while_half_of_the_slots_are_taken(waiting, goes_on):
    rig = rested()
    c = rig.relay.commands
    c.listing, c.list_at = 1, 7
    rig.relay.outbox.waiting = waiting
    assert c.serve() and c.list_at == (8 if goes_on else 7)


@pytest.mark.parametrize("lister", ["_list_field", "_list_setting", "_list_trip"])
def test_a_list_line_without_room_is_lost_and_counted(lister):
    rig = rested()
    r = rig.relay
    r.journal.latch(0, 0, 0, 0)
    r.outbox.waiting = 8
    lost = r.outbox.lost
    for at in (0, 1):
        assert getattr(r.commands, lister)(at)
    assert r.outbox.lost == lost + 2 and r.outbox.waiting == 8
    r.commands._reply(1, b"ok", b"who", 0, 0)
    assert r.outbox.lost == lost + 3


def test_five_wrong_codes_and_no_more_whatever_else_is_wrong():
    rig = locked()
    rig.inputs = (rig.inputs & ~KEY) | ESTOP
    rig.run(3000)
    for n in range(4):
        assert ask(rig, "clear %d code=%d" % (n, n))["why"] == "code"
    assert rig.relay.commands.wrong == 4
    reply = ask(rig, "clear 8 code=4711")
    assert (reply["status"], reply["why"], reply["value"], reply["digest"]) == ("ok", "asked", "0", "0")
    assert rig.relay.journal.word[journal.LATCHED] == 0 and rig.mode == "rest"
    assert ask(rig, "clear 9 code=1")["why"] == "code"
    assert ask(rig, "clear 10 code=4711")["why"] == "forbidden"
