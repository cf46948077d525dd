"""Instructions that one scan costs in the interpreter, by part: counted by valgrind, so the same on a busy machine.

`make bench` measures and prints them beside scan_cost.json, which is tracked; a part that grew by more than a tenth
fails.  After a change that is worth its cost: `SCAN_COST=keep make bench` writes the file anew.
"""

import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
KEPT = HERE / "scan_cost.json"
PARTS = re.findall(r'^        "(\w+)": lambda', (HERE / "scan_cost.py").read_text(), re.M)
N = 500
ROOM = 0.10


def instructions(command, part, n):
    env = {
        "PATH": os.environ["PATH"],
        "PYTHONHASHSEED": "0",
        "MICROPYPATH": ":".join(str(HERE.parents[1] / p) for p in ("firmware", "tests/firmware")),
    }
    done = subprocess.run(
        ["setarch", "-R", "valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null", command,
         "-X", "heapsize=8m", str(HERE / "scan_cost.py"), part, str(n)],
        capture_output=True, text=True, env=env, timeout=600,
    )  # fmt: skip
    found = re.search(r"Collected : (\d+)", done.stderr)
    assert found, done.stderr[-2000:] + done.stdout[-500:]
    return int(found.group(1))


@pytest.mark.cost
def test_what_a_scan_costs():
    """N rounds of the part against N rounds of nothing, after the same start."""
    from packwarden.bench.interpreter import find_micropython

    if not shutil.which("valgrind"):
        pytest.skip("no valgrind: apt install valgrind counts the instructions")
    command = find_micropython()
    nothing = instructions(command, "nothing", N)
    measured = {part: (instructions(command, part, N) - nothing) // N for part in PARTS if part != "nothing"}
    kept = json.loads(KEPT.read_text()) if KEPT.exists() else {}
    print("\n%-12s %12s %12s  instructions a scan, unix port, 12 modules, drive" % ("part", "now", "kept"))
    for part, count in measured.items():
        print("%-12s %12d %12s" % (part, count, kept.get(part, "-")))
    if os.environ.get("SCAN_COST") == "keep":
        KEPT.write_text(json.dumps(measured, indent=1) + "\n")
        return
    assert set(kept) == set(measured)
    grown = [part for part, count in measured.items() if count > kept[part] * (1 + ROOM) + 200]
    assert not grown, "cost more than a tenth above scan_cost.json: %s" % ", ".join(grown)


def test_the_kept_costs_are_of_these_parts():
    """The tracked file has every part that scan_cost.py has, and the parts make up most of the whole."""
    kept = json.loads(KEPT.read_text())
    assert set(kept) | {"nothing"} == set(PARTS)
    assert 0.7 < sum(v for k, v in kept.items() if k != "whole") / kept["whole"] < 1.1
