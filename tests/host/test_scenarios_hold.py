"""Every shipped scenario holds in process, says the same in a real interpreter, and fails without its faults.

What the scenarios expect is the project's own reading of docs/protection.md; there is no outside source.
"""

from __future__ import annotations

import dataclasses
import functools
from pathlib import Path

import pytest
from scenarios import SHIPPED

from packwarden.bench import scenario
from packwarden.bench.inprocess import InProcess
from packwarden.bench.interpreter import Interpreter, find_micropython
from packwarden.bench.result import RunResult
from packwarden.bench.runner import run
from packwarden.bench.target import TargetError

LONG_S = 400.0  # simulated


def marked(path: Path) -> object:
    """Long ones are slow."""
    slow = scenario.load(path).end_s > LONG_S
    return pytest.param(path, id=path.stem, marks=[pytest.mark.slow] if slow else [])


@functools.lru_cache(maxsize=1)  # the tests of one scenario follow each other
def in_process(path: Path) -> RunResult:
    """The scenario, run once for all its tests."""
    return run(scenario.load(path), InProcess())


@pytest.fixture(params=[marked(p) for p in SHIPPED], scope="module")
def path(request: pytest.FixtureRequest) -> Path:
    """Each shipped scenario in turn."""
    found: Path = request.param
    return found


def test_it_holds(path: Path) -> None:
    """Every verdict."""
    assert [v for v in in_process(path).verdicts if not v.held] == []


def test_a_real_interpreter_says_the_same(path: Path) -> None:
    """The same files in a MicroPython process: every line, byte for byte, and every change of an output."""
    try:
        find_micropython()
    except TargetError as error:
        pytest.skip(str(error))
    theirs = run(scenario.load(path), Interpreter())
    ours = in_process(path)
    assert len(ours.lines) > 1000
    assert theirs.lines == ours.lines
    assert theirs.changes == ours.changes


def test_it_fails_without_what_it_is_about(path: Path) -> None:
    """Take faults, hands, sends and power cuts away: something no longer holds, or can't even be asked."""
    made = scenario.load(path)
    if not (made.faults or made.inputs or made.sends or made.power_cycles):
        pytest.skip("its course alone is what it is about")
    if any(e.fault is not None or e.input is not None for e in made.expects):
        return  # what names a fault or a hand fails when that never comes (test_verdict)
    bare = dataclasses.replace(made, faults=(), inputs=(), sends=(), power_cycles=())
    assert not run(bare, InProcess()).held
