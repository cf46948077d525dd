"""Commands: one reply each, nothing that can hurt, garbage counted and skipped."""

import random

from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st
from rig import ESTOP, KEY, Rig

from warden.modes import RESET


def ask(rig, text, ms=200):
    before = len(rig.told("reply"))
    rig.send(text)
    rig.run(ms)
    replies = rig.told("reply")[before:]
    assert len(replies) == 1, replies
    return replies[0]


def rested():
    rig = Rig(reset_code=4711)
    rig.until("rest")
    rig.run(3000)
    return rig


def test_a_setting_is_changed_in_two_steps():
    rig = rested()
    staged = ask(rig, "set 1 name=v60_pickup_mv value=500")
    assert staged["status"] == "ok"
    assert ask(rig, "get 2 name=v60_pickup_mv")["value"] == "600"
    assert ask(rig, "apply 3 digest=0")["why"] == "digest"
    done = ask(rig, "apply 4 digest=" + staged["digest"])
    assert done["status"] == "ok"
    assert ask(rig, "get 5 name=v60_pickup_mv")["value"] == "500"
    rig.boot()
    rig.until("rest")
    assert ask(rig, "get 6 name=v60_pickup_mv")["value"] == "500"


def test_together_not_allowed_is_refused_whole():
    rig = rested()
    staged = ask(rig, "set 1 name=v27_dropout_mv value=10000")
    refused = ask(rig, "apply 2 digest=" + staged["digest"])
    assert refused["status"] == "error" and refused["why"] == "order_v27_pickup_mv"
    assert ask(rig, "get 3 name=v27_dropout_mv")["value"] == "11200"
    assert ask(rig, "forget 4")["status"] == "ok"
    assert ask(rig, "apply 5 digest=" + staged["digest"])["why"] == "nothing"


def test_reading_is_allowed_while_driving_and_changing_is_not():
    rig = Rig()
    rig.drive(30000)
    assert ask(rig, "get 1 name=n_modules")["value"] == "12"
    assert ask(rig, "set 2 name=v60_pickup_mv value=500")["why"] == "not_at_rest"
    assert ask(rig, "apply 3 digest=1")["why"] == "not_at_rest"
    assert ask(rig, "who 4")["status"] == "ok"
    assert ask(rig, "list 5 what=fields", 3000)["status"] == "ok"
    assert rig.mode == "drive" and not rig.trips()


def test_a_board_without_heap_to_spare_lists_little_while_driving():
    rig = Rig()
    rig.board.frugal = True
    rig.drive(30000)
    assert ask(rig, "list 1 what=fields")["why"] == "not_at_rest"
    assert ask(rig, "list 2 what=settings")["why"] == "not_at_rest"
    assert ask(rig, "list 3 what=trips")["status"] == "ok"


def test_service_only_at_rest_and_only_where_there_is_a_port():
    rig = Rig()
    rig.drive(30000)
    left = []
    rig.board.leave = lambda: left.append(1) or True
    assert ask(rig, "service 1")["why"] == "not_at_rest" and not left
    rig = rested()
    assert ask(rig, "service 2")["why"] == "no_tool"
    rig.board.leave = lambda: left.append(1) or True
    assert ask(rig, "service 3")["why"] == "leaving" and left


def test_mistakes_are_answered():
    rig = rested()
    for text, why in (
        ("set 1 name=nothing value=3", "name"),
        ("set 2 name=v60_pickup_mv value=4.5", "bounds"),
        ("set 3 name=v60_pickup_mv value=999999", "bounds"),
        ("set 4 value=3 name=v60_pickup_mv", "fields"),
        ("open 5", "unknown"),
        ("close 6 name=main", "unknown"),
        ("list 7 what=secrets", "what"),
        ("get 8 name=nothing", "name"),
        ("who 9 who", "fields"),  # was taken for torn, though its CRC is right
        ("get 10 name=n_modules=1", "fields"),
    ):
        reply = ask(rig, text)
        assert (reply["status"], reply["why"], reply["req"]) == ("error", why, text.split()[1])


def test_a_code_is_never_read_back():
    rig = rested()
    assert ask(rig, "get 1 name=reset_code")["value"] == "0"
    rig.lines = b""
    rig.send("list 2 what=settings")
    rig.run(6000)
    assert b"4711" not in rig.lines and b"name=reset_code value=0" in rig.lines


def locked():
    rig = Rig(reset_code=4711)
    rig.drive(30000)
    rig.inputs &= ~ESTOP
    rig.open_time()
    rig.ma = 0
    rig.run(3000)
    return rig


def test_a_lockout_is_cleared_by_wire_only_with_the_code_the_key_off_and_the_cause_gone():
    rig = locked()
    assert ask(rig, "clear 1 code=4711")["why"] == "key_on"
    rig.inputs &= ~KEY
    rig.run(300)
    assert ask(rig, "clear 2 code=4711")["why"] == "cause_live"
    rig.inputs |= ESTOP
    rig.run(3000)
    assert ask(rig, "clear 3 code=4712")["why"] == "code"
    assert rig.mode == "lockout"
    assert ask(rig, "clear 4 code=4711")["status"] == "ok"
    assert rig.mode == "rest"
    assert ask(rig, "clear 5 code=4711")["why"] == "not_locked"


def test_a_clear_that_comes_too_soon_is_not_answered_ok():
    """It was answered ok within clear_ms of the cause, and cleared nothing."""
    rig = locked()
    rig.inputs = (rig.inputs & ~KEY) | ESTOP
    rig.run(600)
    assert ask(rig, "clear 1 code=4711")["why"] == "cause_live" and rig.mode == "lockout"
    rig.run(2500)
    assert ask(rig, "clear 2 code=4711")["status"] == "ok" and rig.mode == "rest"


def test_guessing_the_code_is_stopped():
    rig = locked()
    rig.inputs = (rig.inputs & ~KEY) | ESTOP
    rig.run(3000)
    for n in range(5):
        assert ask(rig, "clear %d code=%d" % (n, n))["why"] == "code"
    assert ask(rig, "clear 9 code=4711")["why"] == "forbidden"


def test_without_a_code_the_wire_can_not_clear():
    rig = Rig()
    rig.until("rest")
    assert ask(rig, "clear 1 code=0")["why"] == "forbidden"


def test_settings_can_not_be_changed_to_lift_a_lockout():
    rig = locked()
    rig.inputs &= ~(KEY | RESET)
    rig.run(1000)
    assert ask(rig, "set 1 name=e27_on value=0")["why"] == "not_at_rest"


def test_garbage_in_any_amount_is_counted_and_changes_nothing():
    rng = random.Random(5)
    rig = Rig()
    rig.drive(30000)
    for _ in range(300):
        rig.board.give(bytes(rng.randrange(256) for _ in range(200)))
        rig.scan()
    rig.run(1500)
    assert rig.mode == "drive" and not rig.trips()
    assert int(rig.told("count")[-1]["bad"]) > 30
    rig.board.give(b"\n")
    rig.run(500)
    assert ask(rig, "get 1 name=n_modules")["value"] == "12"


@profile(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_no_bytes_at_all_can_close_anything(data):
    rig = Rig()
    rig.until("rest")
    rig.board.give(data + b"\n")
    for _ in range(60):
        rig.scan()
        assert not rig.powered()


def test_a_cut_command_is_refused_at_every_cut():
    rig = rested()
    whole = b"get 1 name=n_modules*"
    from warden.crc import crc16

    whole += b"%04x\n" % crc16(whole[:-1])
    for cut in range(1, len(whole) - 1):
        rig.board.give(whole[:cut] + b"\n")
    rig.run(600)
    assert not rig.told("reply")
    assert rig.relay.commands.refused == len(whole) - 2
