"""Verdicts on made-up results: each clause holds where it should and, above all, fails where it should.

What the clauses mean is the project's own (docs/bench.md); there is no outside source for these checks.
"""

from __future__ import annotations

from array import array
from binascii import crc_hqx
from typing import Any

import pytest
from scenarios import make

from packwarden.bench import result as results
from packwarden.bench import verdict
from packwarden.bench.plan import Expect
from packwarden.bench.result import Change, Injected, RunResult, Switching, Verdict
from packwarden.bench.target import CLOCK_START_MS, TICKS
from warden import elements, modes, settings

MAIN, CHARGER, ENABLE = 1, 4, 8


def line(kind: str, t_s: float, seq: int = 1, **fields: Any) -> bytes:
    """A line as the relay would say it."""
    ticks = (CLOCK_START_MS + int(t_s * 1000)) & TICKS
    text = "%s %d t=%d %s" % (kind, seq, ticks, " ".join("%s=%s" % pair for pair in fields.items()))
    body = text.encode()
    return body + b"*%04x\n" % crc_hqx(body, 0xFFFF)


def drive_and_trip(t_s: float = 10.25, on_s: float = 10.27) -> RunResult:
    """Main closed at 4 s, a fault at 10 s, outputs off at t_s, the event told at on_s."""
    made = RunResult(make(), "made up", {"plant": 1})
    made.lines = (
        line("ident", 0.01, 0, fw="1", boots=1)
        + line("change", 4.0, **{"from": "precharge", "to": "drive", "why": "precharged"})
        + line("change", t_s, **{"from": "drive", "to": "lockout", "why": "trip"})
        + line("event", on_s, el="27", stage="floor", ix=4, on=1, act="10", x=7900)
        + line("event", on_s, el="60", stage="alarm", ix=4, on=1, act="1", x=700)
    )
    made.events = list(results.decode(made.lines, results.EVENT_KINDS, made.clock))
    made.changes = [
        Change(0.01, 0),
        Change(4.0, MAIN | ENABLE | results.MAIN_IS_CLOSED),
        Change(t_s, results.MAIN_IS_CLOSED),
        Change(t_s + 0.02, 0),
    ]
    made.switchings = [
        Switching(4.0, True, 0.0, 140.0, 150.0),
        Switching(t_s + 0.02, False, 31.0, 150.0, 150.0),
    ]
    made.faults = [Injected("module_empty", 3, 0.03, 10.0)]
    made.inputs = [None]
    made.simulated_s = 20.0
    made.counters = {"late": 0, "lost": 0}
    made.hazards = {"worst_module_v": 7.9}
    made.traces = {
        "t_s": array("d", [0.0, 10.1, 10.4, 20.0]),
        "low_v": array("d", [12.7, 7.9, -0.5, 12.0]),
        "high_v": array("d", [12.8, 12.8, 13.0, 13.0]),
        "link_v": array("d", [0.0, 150.0, 150.0, 30.0]),
    }
    return made


def judged(made: RunResult, clause: str, what: str = "", **more: Any) -> Verdict:
    """One expectation on a result."""
    return verdict._CLAUSES[clause](made, Expect(clause, what, **more))


def test_the_clock_is_read_across_the_wrap() -> None:
    """Ticks start 20 s before 2**30: an event at 25 s is past the wrap."""
    found = list(results.decode(line("reply", 25.0, req=1), ("reply",), [(0, 0.0)]))
    assert found[0].t_s == pytest.approx(25.0)
    assert found[0].fields["t"] == "5000"


def test_a_line_cut_or_changed_anywhere_does_not_decode() -> None:
    """CRC-16/IBM-3740 (check value 29B1, tests/published) over everything before the star."""
    whole = line("event", 1.0, el="27", stage="floor", ix=4, on=1, act="10", x=7900)[:-1]
    assert results.parse(whole) is not None
    for n in range(len(whole)):
        assert results.parse(whole[:n]) is None
        assert results.parse(whole[:n] + bytes([whole[n] ^ 1]) + whole[n + 1 :]) is None


def test_trip_counts_to_the_open_command_not_to_the_event() -> None:
    """Outputs off 250 ms after the fault, the event told and the contact open 270 ms after it."""
    found = judged(drive_and_trip(), "trip", "27/floor", ix=4, fault=0)
    assert found.held and found.took_ms == 250 and found.budget_ms == 500
    assert "really opened at 10.27 s, breaking 31 A" in found.measured


@pytest.mark.parametrize(
    "more",
    [
        {"what": "27/time", "fault": 0},
        {"what": "27/floor", "ix": 5, "fault": 0},
        {"what": "27/floor", "fault": 0, "within_ms": 249},
        {"what": "27/floor", "by_s": 10.2},
        {"what": "27/floor", "from_s": 10.3},
        {"what": "60"},
    ],
)
def test_trip_fails(more: dict[str, Any]) -> None:
    """Another stage, another module, too late, before its time, and an alarm that is no trip."""
    assert not judged(drive_and_trip(), "trip", **more).held


def test_a_trip_whose_outputs_come_back_is_none() -> None:
    """Outputs that are on again within five seconds were never off."""
    made = drive_and_trip()
    made.changes += [Change(12.0, MAIN)]
    assert not judged(made, "trip", "27/floor", fault=0).held
    assert not judged(made, "safe", fault=0, within_ms=1000).held
    made.changes[-1] = Change(16.0, MAIN)
    assert judged(made, "trip", "27/floor", fault=0).held


def test_a_fault_that_never_began_fails_everything_that_hangs_on_it() -> None:
    """A fault that waits for a mode that never comes must not pass, not even a never-clause."""
    made = drive_and_trip()
    made.faults[0].start_s = None
    for clause, what in (
        ("trip", "27"),
        ("alarm", "60"),
        ("safe", ""),
        ("never", "reversal"),
        ("happens", "trip"),
    ):
        assert not judged(made, clause, what, fault=0, within_ms=10**6).held
    assert [v.held for v in verdict.judge(made)] == [False]


def test_safe_has_its_time() -> None:
    """250 ms, no more and no less; and at once when nothing was on."""
    assert judged(drive_and_trip(), "safe", fault=0, within_ms=250).took_ms == 250
    assert not judged(drive_and_trip(), "safe", fault=0, within_ms=240).held
    made = drive_and_trip()
    made.faults[0].start_s = 1.0
    made.changes = [Change(0.01, 0)]
    assert judged(made, "safe", fault=0, within_ms=1).took_ms == 0


@pytest.mark.parametrize(
    "what, value, happens",
    [
        ("reversal", None, True),
        ("module_below_mv", -600.0, False),
        ("module_below_mv", 8000.0, True),
        ("module_above_mv", 12900.0, True),
        ("module_above_mv", 13100.0, False),
        ("trip", None, True),
        ("alarm", None, True),
        ("lockout", None, True),
        ("main_closed", None, True),
        ("charger_on", None, False),
        ("main_while_plugged", None, False),
        ("live_while_plugged", None, False),
        ("main_without_precharge", None, False),
        ("broke_above_a", 30.0, True),
        ("broke_above_a", 32.0, False),
        ("lost_lines", None, False),
    ],
)
def test_never_and_happens_are_each_others_opposite(what: str, value: float | None, happens: bool) -> None:
    """Of the same result one holds and the other fails."""
    made = drive_and_trip()
    assert judged(made, "happens", what, value=value).held == happens
    assert judged(made, "never", what, value=value).held != happens


def test_hazards_that_are_made_are_found() -> None:
    """Main on and the link live with a plug in; closing onto an empty link; lines lost; charger with main."""
    made = drive_and_trip()
    made.changes = [Change(c.t_s, c.bits | results.PLUGGED) for c in made.changes] + [Change(19.0, MAIN | CHARGER)]
    made.switchings[0] = Switching(4.0, True, 0.0, 10.0, 150.0)
    made.counters["lost"] = 3
    for what in (
        "main_while_plugged",
        "live_while_plugged",
        "main_without_precharge",
        "charger_while_main",
        "lost_lines",
    ):
        assert not judged(made, "never", what).held, what


def test_a_state_that_was_there_before_the_window_counts() -> None:
    """Main was closed long before 8 s: it still was at 8 s."""
    assert not judged(drive_and_trip(), "never", "main_commanded", from_s=8.0).held
    assert judged(drive_and_trip(), "never", "main_commanded", from_s=11.0).held
    assert judged(drive_and_trip(), "never", "main_commanded", until_s=3.0).held


def test_before_compares_with_the_plant() -> None:
    """The trip at 10.27 s came before the reversal at 10.4 s; not if it had come later."""
    assert judged(drive_and_trip(), "trip", "27/floor", before="reversal").held
    assert not judged(drive_and_trip(on_s=10.6), "trip", "27/floor", before="reversal").held


def test_mode_at_by_and_last() -> None:
    """From the change lines."""
    made = drive_and_trip()
    assert judged(made, "mode", "drive", at_s=9.0).held
    assert not judged(made, "mode", "drive", at_s=10.3).held
    assert judged(made, "mode", "lockout").held
    assert judged(made, "mode", "drive", by_s=5.0).held
    assert not judged(made, "mode", "drive", by_s=3.9).held
    assert not judged(made, "mode", "drive", by_s=9.0, from_s=5.0).held


def test_line_and_figure() -> None:
    """A line by its fields; a figure within bounds, and never when it was not measured."""
    made = drive_and_trip()
    assert judged(made, "line", "event el=27 ix=4").held
    assert not judged(made, "line", "event el=27 ix=5").held
    assert not judged(made, "line", "event el=27 ix=4", count=2).held
    assert judged(made, "figure", "worst_module_v", at_least=7.9, at_most=8.0).held
    assert not judged(made, "figure", "worst_module_v", at_least=8.0).held
    assert not judged(made, "figure", "hottest_c", at_least=-1000.0).held
    assert not judged(made, "figure", "trips", at_most=1000.0).held


def test_a_line_that_does_not_decode_is_a_failed_run() -> None:
    """One spoilt event line."""
    made = drive_and_trip()
    made.spoilt = 1
    assert [v.held for v in verdict.judge(made)] == [True, False]


def test_budgets_are_for_elements_that_exist_and_at_least_their_delay() -> None:
    """The budgets that DESIGN names, and none for a row that is not in the table."""
    rows = {(row[0], row[1]) for row in elements.TABLE}
    for number, stage, ms, _about in verdict.BUDGETS:
        assert any(number == n and stage in ("", s) for n, s in rows), number
        assert ms in settings.BASE if isinstance(ms, str) else ms > 0
    said = {
        ("76", "inst"): 30,
        ("69", "estop"): 30,
        ("69", "crash"): 50,
        ("69", "service"): 50,
        ("69", "plug"): 100,
        ("27", "floor"): 500,
        ("27", "time"): 5000,
        ("72", "open"): 1000,
        ("M1", "alarm"): 1000,
        ("M1", "trip"): 10000,
        ("60", "alarm"): 5000,
        ("49", "trip"): 5000,
    }
    for (number, stage), ms in said.items():
        assert verdict.budget_ms(number, stage, settings.defaults()) == ms
    assert verdict.budget_ms("74", "off", settings.defaults()) is None


def test_bits_are_the_firmwares() -> None:
    """verdict.py and result.py name output bits and trip actions themselves."""
    assert (verdict.MAIN, verdict.PRE, verdict.CHARGER, verdict.ENABLE) == (
        modes.MAIN, modes.PRE, modes.CHARGER, modes.ENABLE)  # fmt: skip
    assert results.POWER == modes.POWER
    assert verdict.TRIP_ACTIONS == modes.TRIPS
