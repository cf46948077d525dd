"""Every shipped scenario holds in process, and fails without its faults.

What the scenarios expect is the project's own reading of docs/protection.md; there is no outside source.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from scenarios import SHIPPED

from packwarden.bench import scenario
from packwarden.bench.inprocess import InProcess
from packwarden.bench.runner import run

LONG_S = 400.0  # simulated


def marked(path: Path) -> object:
    """Long ones are slow."""
    slow = scenario.load(path).end_s > LONG_S
    return pytest.param(path, id=path.stem, marks=[pytest.mark.slow] if slow else [])


@pytest.mark.parametrize("path", [marked(p) for p in SHIPPED])
def test_it_holds(path: Path) -> None:
    """Every verdict."""
    result = run(scenario.load(path), InProcess())
    assert [v for v in result.verdicts if not v.held] == []


@pytest.mark.parametrize("path", [marked(p) for p in SHIPPED])
def test_it_fails_without_what_it_is_about(path: Path) -> None:
    """Take faults, hands, sends and power cuts away: something no longer holds, or can't even be asked."""
    made = scenario.load(path)
    if not (made.faults or made.inputs or made.sends or made.power_cycles):
        pytest.skip("its course alone is what it is about")
    if any(e.fault is not None or e.input is not None for e in made.expects):
        return  # what names a fault or a hand fails when that never comes (test_verdict)
    bare = dataclasses.replace(made, faults=(), inputs=(), sends=(), power_cycles=())
    assert not run(bare, InProcess()).held
