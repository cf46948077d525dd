"""The loop: what the target is shown and when, and that a run is the same run each time.

How a run goes is the project's own (docs/bench.md); there is no outside source for these checks.
"""

from __future__ import annotations

import time
from typing import Any

import pytest
from scenarios import make, ran, told

from packwarden.bench.course import INTERLOCK, KEY, PEDAL, START, UNPLUG
from packwarden.bench.inprocess import InProcess
from packwarden.bench.runner import run
from packwarden.bench.target import CLOCK_START_MS, EVERYTHING, TICKS, Frame, Reply, TargetError
from warden import modes


class Recorder:
    """A target that closes nothing unless told to, and keeps what it was shown."""

    name = "recorder"
    can = EVERYTHING

    def __init__(self, outputs: Any = lambda now_ms: 0) -> None:
        self.frames: list[tuple[int, int, int, int, int, int, bool, bytes]] = []
        self.outputs = outputs
        self.calls: list[str] = []
        self.current: list[int] = []

    def start(self, image: bytes, now_ms: int) -> None:
        """Remembers that it was started."""
        self.calls.append("start %d" % len(image))

    def scan(self, frame: Frame) -> Reply:
        """Time since the start of the run, interval, inputs, modules sampled, absent heads, drain, bytes."""
        now_ms = (frame.now_ms - CLOCK_START_MS) & TICKS
        sampled = (frame.first, frame.fresh_n, frame.absent)
        self.frames.append((now_ms, frame.scan_ms, frame.discretes, *sampled, frame.drain, frame.rx))
        self.current.append(frame.counts[50])
        return Reply(self.outputs(now_ms), 1000)

    def power_cycle(self) -> None:
        """Remembers it."""
        self.calls.append("power")

    def spoil(self, region: str, bit: int) -> None:
        """Remembers it."""
        self.calls.append("spoil %s %d" % (region, bit))

    def close(self) -> None:
        """Remembers it."""
        self.calls.append("close")


def shown(outputs: Any = lambda now_ms: 0, **changes: Any) -> Recorder:
    """What a recorder was shown in a scenario."""
    target = Recorder(outputs)
    run(make(**changes), target)
    return target


def test_every_scan_comes_and_every_module_within_100_ms() -> None:
    """12 modules, 10 ms: two a scan, round the string, so six scans a round."""
    frames = shown().frames
    assert [f[0] for f in frames] == list(range(10, 20001, 10))
    seen: dict[int, int] = {}
    for now_ms, _scan, _in, first, n, *_ in frames:
        assert n == 2
        for k in range(first, first + n):
            assert now_ms - seen.get(k % 12, now_ms) <= 100
            seen[k % 12] = now_ms
    assert len(seen) == 12


def test_a_fault_is_seen_in_the_first_scan_after_its_time_and_not_before() -> None:
    """At 5 s for 1 s: scans at 5.01 to 6.00 s see it."""
    frames = shown(fault=[{"kind": "interlock_open", "at_s": 5, "for_s": 1}]).frames
    assert [f[0] for f in frames if not f[2] & INTERLOCK] == list(range(5010, 6001, 10))


def test_a_hand_on_a_switch_and_its_letting_go() -> None:
    """The key is the person's again after for_s; a hand that puts a plug in opens the loop."""
    frames = shown(
        input=[{"name": "key", "value": 0, "at_s": 5, "for_s": 2}, {"name": "unplug", "value": 0, "at_s": 9}]
    ).frames
    assert [f[0] for f in frames if not f[2] & KEY] == list(range(5010, 7001, 10))
    assert [f[0] for f in frames if not f[2] & UNPLUG] == list(range(9010, 20001, 10))


def test_the_person_holds_start_lets_go_and_tries_no_more_than_three_times() -> None:
    """With a relay that does nothing: held 8 s from 1 s, then pauses, three times."""
    target = shown(course=[{"do": "drive", "speed_kmh": 30, "for_s": 60}])
    held = [f[0] for f in target.frames if f[2] & START]
    runs = 1 + sum(b - a > 10 for a, b in zip(held, held[1:]))
    assert runs == 3 and held[0] == 1010
    assert len(held) * 10 <= 3 * 8200


def test_the_person_drives_when_enabled_and_notices_when_not() -> None:
    """Main and enable on from 4 s to 10 s: the pedal goes down, and comes up about a second after 10 s."""
    on = modes.MAIN | modes.ENABLE
    target = shown(lambda now_ms: on if 4000 <= now_ms < 10000 else 0)
    pressed = [f[0] for f in target.frames if not f[2] & PEDAL]
    assert 4000 < pressed[0] < 4400 and 10000 < pressed[-1] < 11400
    driven = [c for f, c in zip(target.frames, target.current) if 6000 < f[0] < 9000]
    assert min(driven) > 32768 + 500, "less than 8 A while pulling away"
    assert abs(target.current[-1] - 32768) < 100


def test_coarse_only_in_the_quiet() -> None:
    """Charge in 1 s scans: fine for 20 s from its start, round the fault at 100 s, and in the other phase."""
    target = shown(
        course=[{"do": "park", "for_s": 5}, {"do": "charge", "for_s": 295, "scan_ms": 1000}],
        fault=[{"kind": "probe_open", "box": 1, "at_s": 100}],
    )
    for now_ms, scan_ms, _in, _first, n, *_ in target.frames:
        if now_ms <= 25000 or 99900 < now_ms <= 120000:
            assert (scan_ms, n) == (10, 2), now_ms
    coarse = [f for f in target.frames if f[1] == 1000]
    assert len(coarse) > 200 and all(f[4] == 12 for f in coarse)
    times = [f[0] for f in target.frames]
    assert all(b - a == f[1] for a, b, f in zip(times, times[1:], target.frames[1:]))


def test_late_slow_and_stopped() -> None:
    """One scan 40 ms late; then scans 30 ms apart; the relay is told 10 ms all the same."""
    frames = shown(
        fault=[
            {"kind": "scan_late", "size": 40, "at_s": 2},
            {"kind": "scans_slow", "size": 30, "at_s": 4, "for_s": 1},
        ]
    ).frames
    times = [f[0] for f in frames]
    gaps = {(a, b - a) for a, b in zip(times, times[1:]) if b - a != 10}
    assert (2000, 50) in gaps
    assert {gap for at, gap in gaps if 4000 < at < 5000} == {30}
    assert {f[1] for f in frames} == {10}


def test_a_clock_that_stops_is_behind_for_good_and_lines_are_still_dated_right() -> None:
    """0.5 s at 2 s: 50 scans show the same ticks.  An emergency stop at 12 s is still dated 12 s."""
    target = shown(fault=[{"kind": "clock_stops", "size": 500, "at_s": 2}])
    times = [f[0] for f in target.frames]
    assert times.count(2000) == 51 and times[-1] == 19500
    result = ran(fault=[{"kind": "clock_stops", "size": 500, "at_s": 2}, {"kind": "estop", "at_s": 12}])
    stop = [e for e in result.events if e.kind == "event" and e.fields["stage"] == "estop"]
    assert stop[0].t_s == pytest.approx(12.02, abs=0.03)


def test_power_lost_outputs_off_and_memory_spoilt_on_the_way_up() -> None:
    """No scans for 0.5 s; main opens in the plant; the flipped bit is there when the relay starts again."""
    target = Recorder(lambda now_ms: modes.MAIN)
    result = run(
        make(power_cycle=[{"at_s": 5, "off_s": 0.5}], fault=[{"kind": "settings_bit", "size": 77, "at_s": 2}]),
        target,
    )
    assert target.calls == ["start %d" % len(target_image()), "spoil settings 77", "power", "close"]
    times = [f[0] for f in target.frames]
    assert not [t for t in times if 5000 < t < 5500]
    assert not result.bits_at(5.2) & modes.POWER and result.bits_at(5.6) & modes.MAIN
    assert [s.closed for s in result.switchings] == [True, False, True]


def target_image() -> bytes:
    """A settings image, for its length."""
    from warden import settings

    return bytes(settings.IMAGE_BYTES)


def test_a_starved_supply_stops_the_relay() -> None:
    """Aux below 5.5 V: no scans until it is back above 6.5 V."""
    target = shown(fault=[{"kind": "aux_sag", "size": 9, "at_s": 5, "for_s": 2}])
    times = [f[0] for f in target.frames]
    assert not [t for t in times if 5200 < t < 7000] and times[-1] == 20000
    assert "power" in target.calls


def test_what_a_target_can_not_do_is_refused_before_it_starts() -> None:
    """A fault is never ignored."""

    class Real(Recorder):
        can = frozenset({"power", "serial"})

    for more in ({"fault": [{"kind": "scan_late"}]}, {"fault": [{"kind": "settings_bit"}]}):
        target = Real()
        with pytest.raises(TargetError, match="can't do fault"):
            run(make(**more), target)
        assert target.calls == []


def test_a_target_that_fails_is_closed() -> None:
    """Whatever happens, nothing is left running."""

    class Broken(Recorder):
        def scan(self, frame: Frame) -> Reply:
            raise TargetError("gone")

    target = Broken()
    with pytest.raises(TargetError, match="gone"):
        run(make(), target)
    assert target.calls[-1] == "close"


def test_serial_bytes_and_an_unread_line() -> None:
    """A command once, with a request number and CRC; a flood within what the line can carry; drain off."""
    target = shown(
        send=[{"command": "get name=n_modules", "at_s": 1}],
        fault=[
            {"kind": "line_garbage", "at_s": 3, "for_s": 1},
            {"kind": "line_unread", "at_s": 6, "for_s": 1},
        ],
    )
    sent = [f[7] for f in target.frames if f[7] and f[0] < 3000]
    assert len(sent) == 1 and sent[0].startswith(b"get 1 name=n_modules*") and sent[0].endswith(b"\n")
    flood = [len(f[7]) for f in target.frames if 3000 < f[0] <= 4000]
    assert min(flood) >= 100 and max(flood) <= 116
    assert [f[0] for f in target.frames if not f[6]] == list(range(6010, 7001, 10))


def test_a_fault_that_waits_for_a_mode() -> None:
    """It begins when the relay enters drive; one that waits for a mode that never comes fails the run."""
    result = ran(fault=[{"kind": "estop", "when_mode": "drive", "at_s": 2}], expect=[{"trip": "69/estop", "fault": 1}])
    entered = next(e.t_s for e in result.events if e.kind == "change" and e.fields["to"] == "drive")
    assert result.faults[0].start_s == pytest.approx(entered + 2.0, abs=0.02)
    assert result.held and result.verdicts[1].took_ms == 20
    assert not ran(fault=[{"kind": "estop", "when_mode": "charge"}]).held


def test_the_same_seed_is_the_same_run_byte_for_byte() -> None:
    """And another seed is another."""
    head = {"name": "t", "about": "x", "pack": "orchard-truck"}
    one, two = ran(scenario={**head, "seed": 5}), ran(scenario={**head, "seed": 5})
    assert one.lines == two.lines and one.traces == two.traces
    assert ran(scenario={**head, "seed": 6}).lines != one.lines


def test_traces_share_one_time_axis() -> None:
    """Ten rows a second, all columns as long, time rising, a row at the moment of an event."""
    result = ran(fault=[{"kind": "estop", "at_s": 15.03}])
    t_s = result.traces["t_s"]
    assert {len(column) for column in result.traces.values()} == {len(t_s)}
    assert all(a < b for a, b in zip(t_s, t_s[1:])) and len(t_s) >= 200
    assert 15.03 in [round(t, 3) for t in t_s]
    assert {"module_v.11", "soc.0", "temp_c.1", "i_a", "mode", "limit", "speed_kmh", "out_bits"} <= set(result.traces)
    assert told(result)[-1] == "69/estop" and max(result.traces["speed_kmh"]) > 20


def test_progress_is_told_and_the_times_are_the_runs() -> None:
    """Done never passes all."""
    seen: list[tuple[float, float]] = []
    run(
        make(course=[{"do": "drive", "speed_kmh": 30, "for_s": 200}]),
        InProcess(),
        lambda a, b: seen.append((a, b)),
    )
    assert seen and all(0 <= done <= whole == 200.0 for done, whole in seen)


@pytest.mark.cost
def test_the_loop_costs_little() -> None:
    """Without plant and relay to speak of: at most 20 us a scan (aim: 10)."""
    target = Recorder()
    off = Reply(0, 0)
    target.scan = lambda frame: off  # type: ignore[method-assign]
    made = make(course=[{"do": "park", "for_s": 100}])
    from packwarden.bench.runner import Run

    turn = Run(made, target, None)
    turn.world.plant.step = lambda dt_s, commands: None  # type: ignore[method-assign]
    turn.world.sensors.sample = lambda counts, first, n: None  # type: ignore[method-assign]
    started = time.perf_counter()
    result = turn.go()
    each_us = (time.perf_counter() - started) / result.scans * 1e6
    print("loop: %.1f us a scan" % each_us)
    assert each_us < 20
