"""How fast and how large: measured and printed by `make bench`, never judged by a clock.

Scans are 10 ms, twelve modules, the full plant, an EPA city cycle from 120 s on (driving); one core.
"""

import platform
import time
from array import array
from pathlib import Path

import pytest

from packwarden.bench import scenario
from packwarden.bench.inprocess import InProcess
from packwarden.bench.interpreter import Interpreter
from packwarden.bench.runner import run
from packwarden.bench.target import Reply

HERE = Path(__file__).parent
COURSE = """
[scenario]
name = "speed"
about = "twelve modules in town"
pack = "orchard-truck"
[[course]]
do = "drive"
cycle = "udds"
for_s = 300
[[expect]]
never = "trip"
"""


class Nothing:
    """A target that does nothing: what is left is plant, sensors and the runner's own loop."""

    name = "nothing"
    can = frozenset()

    def start(self, image, now_ms):
        self.reply = Reply(9, 1000, b"")

    def scan(self, frame):
        return self.reply

    def close(self):
        pass


@pytest.fixture(scope="module")
def speed(tmp_path_factory):
    place = tmp_path_factory.mktemp("speed") / "speed.toml"
    place.write_text(COURSE)
    return scenario.load(place)


@pytest.mark.cost
def test_speed(speed):
    rows = []
    for name, target in (("in-process", InProcess), ("interpreter", Interpreter), ("no relay at all", Nothing)):
        best = min(_run(speed, target) for _ in range(3))
        rows.append((name, 300.0 / best, best / 30000 * 1e6))
    plant_us = rows[2][2]
    said = "best of 3, CPython " + platform.python_version()
    print("\n%-18s %14s %12s   %s" % ("target", "x real time", "us a scan", said))
    for name, ratio, us in rows:
        print("%-18s %14.0f %12.1f" % (name, ratio, us))
    print("of a scan in process, the plant, sensors and loop take %.0f us and the relay %.0f us: the relay is what"
          " limits it" % (plant_us, rows[0][2] - plant_us))  # fmt: skip


def _run(made, target):
    started = time.perf_counter()
    run(made, target())
    return time.perf_counter() - started


@pytest.mark.cost
def test_footprint(micropython, compiled):
    source = [int(v) for v in micropython(HERE / "footprint.py").split()]
    deployed = [int(v) for v in micropython(HERE / "footprint.py", path=compiled).split()]
    print("\nheap, unix port, 64-bit words and 32-byte blocks, 24 modules:")
    print("%-28s %10s %10s %10s" % ("", "loaded", "relay", "together"))
    print("%-28s %10d %10d %10d" % ("from source", source[0], source[1], sum(source[:2])))
    print("%-28s %10d %10d %10d" % ("compiled, as on a board", deployed[0], deployed[1], sum(deployed[:2])))
    smallest = next(k for k in range(90, 400, 5) if _runs(micropython, compiled, k))
    print("loads compiled in a heap of %d kB at the least; test_small_heap runs a whole story in 120 kB" % smallest)
    assert source[2] == deployed[2] == 24 and array("i").itemsize == 4


def _runs(micropython, compiled, k):
    try:
        micropython(HERE / "footprint.py", path=compiled, heap="%dk" % k)
    except AssertionError:
        return False
    return True
