"""The firmware on a board: in a real MicroPython, on pins and chips that answer as their datasheets say."""

import os
import signal
import subprocess
import time

import pytest


def test_boots_to_rest_and_reads_its_pack(car):
    truck = car()
    with truck.talk() as talk:
        talk.wait("to=rest")
        meas = talk.wait("meas ", of=12)
        fields = dict(f.split("=") for f in meas.split("*")[0].split(" ")[2:])
        assert abs(int(fields["u"]) / 1000 - truck.world.plant.string_v) < 1.0
        assert abs(int(fields["lomv"]) / 1000 - min(truck.world.plant.module_v)) < 0.1
        assert abs(int(fields["aux"]) / 1000 - truck.world.plant.aux_v) < 0.1
    assert truck.world.out_bits & 15 == 0


def test_trips_on_an_adc_change_and_the_lockout_outlives_power(car):
    truck = car()
    world = truck.world
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        assert world.levels["main"] == 1
        world.sensors.current_offset_a = 480.0  # what the current sensor's converter reads jumps
        talk.wait("to=lockout")
        talk.wait("el=76 stage=inst")
        assert world.levels["main"] == 0
        truck.until(lambda: world.flash_n > 0)
        time.sleep(1.5)  # the moments after the trip are kept, too
        world.sensors.current_offset_a = 0.0
        truck.board.power_cycle()
        talk.wait("to=lockout", 20)
        world.press("key", False)
        assert world.levels["main"] == 0
        talk.send("list 90 what=trips")
        assert "latched=1" in talk.wait("trip ")
    assert world.flash_while_on_n == 0


def test_an_emergency_stop_reaches_the_pin(car):
    """Wall time here is a desktop's: what it shows is that nothing else is waited for."""
    truck = car()
    world = truck.world
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        world.history.clear()
        began = time.monotonic()
        world.press("estop", False)
        truck.until(lambda: not world.out_bits & 15)
        assert ("main", 0) in [(name, level) for _t, name, level in world.history]
        assert max(t for t, _name, _level in world.history) - began < 0.5
        talk.wait("why=trip")


@pytest.mark.slow
def test_no_byte_from_the_host_stops_a_relay_that_drives(car):
    truck = car()
    world = truck.world
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        starts = list(truck.board.starts)
        every = bytes(range(256)) * 4
        for data in (b"\x03\x03", b"\x04", b"\x01", b"\x02", b"\x03" * 300, every, b"\r\x03\x03\x01\x04"):
            talk.line.write(data)
            time.sleep(0.15)
            talk.poll()
        talk.line.write(b"\n")  # ends what was torn
        assert "why=not_at_rest" in talk.ask("service")
        assert "ok" in talk.ask("who")
        assert world.levels["main"] == 1 and truck.board.starts == starts
    with pytest.raises(subprocess.TimeoutExpired):  # the tool waits for a prompt for as long as lines come
        truck.mpremote("exec", "print(1)", timeout=3)
    assert world.levels["main"] == 1 and truck.board.starts == starts


@pytest.mark.slow
def test_a_port_that_is_not_read_is_closed_or_opened_again_costs_nothing(car):
    truck = car()
    world, board = truck.world, truck.board
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        time.sleep(3.0)  # open, and not read: 12 kB more than the line holds
        begun, then = world.alive_n, time.monotonic()
        time.sleep(1.0)
        assert (world.alive_n - begun) / (time.monotonic() - then) > 50
        assert world.levels["main"] == 1
    time.sleep(0.5)  # closed
    assert world.levels["main"] == 1
    with truck.talk() as talk:
        lost = talk.wait("count ", of=2)
        assert int(lost.split("lost=")[1].split(" ")[0]) > 0  # and it says so
        assert "ok" in talk.ask("who")
    assert world.levels["main"] == 1 and len(board.starts) == 1


def test_service_leaves_the_relay_and_a_reset_brings_it_back(car):
    truck = car()
    with truck.talk() as talk:
        talk.wait("to=rest")
        assert "why=leaving" in talk.ask("service")
        talk.wait("service: every output off")
    time.sleep(3.0)  # longer than the watchdog, which nobody feeds now: it was not started
    starts = len(truck.board.starts)
    result = truck.mpremote("exec", "import machine; print(machine.Pin(2).value(), 6 * 7)")
    assert result.stdout.split() == ["0", "42"], result.stderr
    assert truck.board.starts[starts:] == [5]  # a soft reset, which is how that tool begins
    assert truck.mpremote("reset").returncode == 0
    with truck.talk() as talk:
        talk.wait("to=rest")


def test_a_hang_is_ended_by_the_watchdog(car):
    truck = car()
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        os.kill(truck.board.child.pid, signal.SIGSTOP)
        truck.until(lambda: len(truck.board.starts) == 2, 8)
        assert truck.world.out_bits & 15 == 0
        talk.wait("reset by watchdog")
        talk.wait("to=rest")
    assert truck.board.starts == [1, 3]


def test_a_scan_that_is_not_healthy_does_not_feed_the_watchdog(car):
    """The expander is gone: every input counts as open, so the relay trips, keeps the trip, and then is reset."""
    truck = car()
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        truck.world.deaf = True
        talk.wait("to=lockout", 5)
        truck.until(lambda: len(truck.board.starts) == 2, 8)
        truck.world.deaf = False
        talk.wait("to=lockout", 15)  # it was kept
    assert truck.world.flash_while_on_n == 0


def test_a_fault_of_the_board_makes_outputs_safe_first_and_resets_are_budgeted(car):
    truck = car()
    world = truck.world
    with truck.talk() as talk:
        talk.wait("to=rest")
        world.welded = 1  # the main driver stays on whatever the pin says
        talk.wait("BoardFault: driver on against its command: 1")
        talk.wait("starts in a row failed", 60)
        assert len(truck.board.starts) == 5
        time.sleep(1.0)
        assert len(truck.board.starts) == 5 and not world.out_bits & 15
    world.welded = 0
    told = truck.mpremote("fs", "cat", ":data/fault.txt")
    assert "driver on against its command" in told.stdout
    truck.board.power_cycle()
    with truck.talk() as talk:
        talk.wait("to=rest")


def test_an_input_that_is_stuck_closed_is_told_and_held_open(car):
    truck = car()
    truck.world.stuck = 2  # start
    truck.board.power_cycle()
    with truck.talk() as talk:
        talk.wait("inputs stuck closed: 2")
        talk.wait("to=rest")
        truck.world.press("key")
        with pytest.raises(AssertionError):
            talk.wait("to=precharge", 2)


def test_the_strap_holds_power_off_and_leaves_the_prompt(car):
    truck = car(strap=True)
    truck.until(lambda: b"strap fitted" in truck.board.said)
    assert truck.mpremote("exec", "print(2)").stdout.split() == ["2"]
    assert truck.world.out_bits == 0


def test_without_settings_it_is_a_lockout(car):
    truck = car(pack=None)
    with truck.talk() as talk:
        talk.wait("el=M11")
        talk.wait("mode=lockout")


def test_the_second_board_file_does_the_same(car):
    truck = car(board="esp32")
    with truck.talk() as talk:
        talk.wait("to=rest")
        truck.drive(talk)
        truck.world.press("estop", False)
        talk.wait("to=lockout")
        time.sleep(1.5)  # the moments after a trip are kept first
        assert "why=leaving" in talk.ask("service")
        talk.wait("service: every output off")
