"""Small scenarios for tests, as data and as files."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from packwarden.bench import scenario
from packwarden.bench.inprocess import InProcess
from packwarden.bench.plan import Scenario
from packwarden.bench.result import RunResult
from packwarden.bench.runner import run

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted((ROOT / "host" / "packwarden" / "scenarios").glob("*.toml"))

DRIVE: dict[str, Any] = {
    "scenario": {"name": "t", "about": "a test", "pack": "orchard-truck"},
    "course": [{"do": "drive", "speed_kmh": 30, "for_s": 20}],
}


def data(**changes: Any) -> dict[str, Any]:
    """The data of a small drive, with whole sections in place of its own."""
    return {**copy.deepcopy(DRIVE), **changes}


def make(**changes: Any) -> Scenario:
    """The scenario that such data says."""
    return scenario.from_data("t.toml", data(**changes), "t")


def ran(**changes: Any) -> RunResult:
    """What comes of running it in process."""
    return run(make(**changes), InProcess())


def told(result: RunResult) -> list[str]:
    """Element and stage of every operation, in order."""
    events = [line.fields for line in result.events if line.kind == "event"]
    return ["%s/%s" % (f["el"], f["stage"]) for f in events if f["on"] == "1"]
