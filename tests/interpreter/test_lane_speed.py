"""How fast a lane is: printed by `make bench`, never judged by a clock.

Cells of a campaign: 30 s each of a drive, a charge, or rest, twelve modules, full plant, sensors, person, relay and
judging, 10 ms scans throughout, and in each one fault of the library.  Rates are simulated time over the processor
time of the workers, so that what else the machine does counts less; runs a second are by the clock.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from packwarden.bench import scenario
from packwarden.bench.faults import KINDS
from packwarden.bench.lane import Lane

JOBS = str(Path(__file__).parents[1] / "host")
FOR_S = 30
COURSES: tuple[tuple[str, dict[str, Any]], ...] = (
    ("drive", {"do": "drive", "speed_kmh": 45}),
    ("drive", {"do": "drive", "cycle": "udds"}),
    ("charge", {"do": "charge"}),
    ("rest", {"do": "park"}),
)
FIRST, STEADY = 500, 100  # cells of the first batch, start and warm-up in it; and of each that follows
FEW = 8  # of either under CPython, which has no warm-up


def cells() -> list[tuple[str, Any]]:
    """Every kind of fault in every course that it fits, in an order that mixes them."""
    out = []
    for n, kind in enumerate(KINDS.values()):
        for m, (mode, course) in enumerate(COURSES):
            if mode not in kind.modes:
                continue
            fault: dict[str, Any] = {"at_s": 12 + n % 7, "kind": kind.name}
            if kind.place != "none":
                fault[kind.place] = 1 + n % 2
            made = scenario.from_data("t.toml", {
                "scenario": {"name": "t", "about": "a cell", "pack": "orchard-truck", "seed": 7 * n + m},
                "start": {"charge_state": 0.3 + 0.1 * (n % 6)},
                "course": [{**course, "for_s": FOR_S}],
                "fault": [fault],
                "expect": [{"never": "reversal"}, {"never": "main_without_precharge"}],
            }, "t")  # fmt: skip
            out.append(("%s %d" % (kind.name, m), made))
    return [out[n * 89 % len(out)] for n in range(len(out))]


def rates(made: Lane, jobs: list[tuple[str, Any]]) -> tuple[float, float]:
    """Simulated time over processor time, and cells a second of wall time."""
    started = time.perf_counter()
    done = [result for _, result in made.run("lane_jobs:simulated", iter(jobs))]
    wall_s = time.perf_counter() - started
    return sum(s for s, _ in done) / sum(cpu for _, cpu in done), len(done) / wall_s


@pytest.mark.cost
def test_lane_speed():
    every = cells()
    assert len(every) > 200 and len({name for name, _ in every}) > 200
    pythons = [sys.executable] + [p for p in [shutil.which("pypy3")] if p]
    load = "%.1f" % os.getloadavg()[0] if hasattr(os, "getloadavg") else "?"
    print("\n%d cores, load %s before; %d different cells of %d s, 10 ms scans" % (
        os.cpu_count() or 1, load, len(every), FOR_S))  # fmt: skip
    print("%-16s %14s %14s %14s %14s" % ("one worker", "first batch x", "steady x", "us a scan", "cells/s"))
    for python in pythons:
        with Lane(1, python, also=[JOBS]) as made:
            fast = made.name.startswith("pypy")
            first, _ = rates(made, [every[n % len(every)] for n in range(FIRST if fast else FEW)])
            best = max(rates(made, every[at : at + (STEADY if fast else FEW)]) for at in (0, 50, 100))
            print("%-16s %14.0f %14.0f %14.1f %14.1f" % (made.name, first, best[0], 10000.0 / best[0], best[1]))
        with Lane(2, python, also=[JOBS]) as made:
            list(made.run("lane_jobs:simulated", [every[n % len(every)] for n in range(2 * FIRST if fast else 2)]))
            two = max(rates(made, every[at : at + (2 * STEADY if fast else 2 * FEW)]) for at in (0, 50))
            print("%-16s with two workers %.1f cells/s, with one %.1f: %.2f times" % (
                made.name, two[1], best[1], two[1] / best[1]))  # fmt: skip
    print("x: simulated over processor time; first batch: %d cells (CPython %d), warm-up included" % (FIRST, FEW))
