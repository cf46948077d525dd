"""Run the state machine for as long as asked: python -m tests.properties.soak --minutes 10 [--seed 1]

Prints progress, then rates and what was really exercised; a rule that never was is named.  A violation writes the
shortest history that hypothesis found, which --replay plays again.
"""

import argparse
import re
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
for place in (HERE, ROOT / "tests" / "firmware", ROOT / "firmware", ROOT / "host"):
    if str(place) not in sys.path:
        sys.path.insert(0, str(place))

from course import replay  # noqa: E402
from hypothesis import HealthCheck, Phase, seed, settings  # noqa: E402
from hypothesis.stateful import run_state_machine_as_test  # noqa: E402
from machine import Machine, Watched  # noqa: E402
from oracle import RULES, Violation  # noqa: E402

BATCH = 20  # courses between two looks at the clock


def profile(courses, steps, shrink=True):
    """Settings of a run of so many courses."""
    phases = [Phase.generate, Phase.shrink] if shrink else [Phase.generate]
    return settings(
        max_examples=courses, stateful_step_count=steps, deadline=None, database=None, phases=phases,
        suppress_health_check=list(HealthCheck), print_blob=False, report_multiple_bugs=False,
    )  # fmt: skip


def batch(watched, number, courses=BATCH, steps=40, shrink=True):
    """Courses of one seed; raises Violation after shrinking."""

    class Seeded(Machine):
        pass

    Seeded.watched = watched
    seed(number)(Seeded)
    run_state_machine_as_test(Seeded, settings=profile(courses, steps, shrink))


def told(watched, took_s):
    """What a run was worth, as text."""
    lines = [
        "%d courses, %d steps, %d scans in %.0f s: %.0f steps/s, %.0f scans/s"
        % (watched.courses, watched.steps, watched.scans, took_s, watched.steps / took_s, watched.scans / took_s)
    ]
    for name, counts in (
        ("scans in mode", watched.modes), ("transitions", watched.transitions), ("operations", watched.operated),
    ):  # fmt: skip
        shown = ", ".join("%s %d" % (what, n) for what, n in counts.most_common())
        lines.append("%s: %s" % (name, re.sub("from=|to=|why=", "", shown)))
    lines.append("rules: " + ", ".join("%s %d" % (number, watched.met[number]) for number in RULES))
    never = [number for number in RULES if not watched.met[number]]
    lines.append("never exercised: " + (", ".join(never) if never else "none"))
    return "\n".join(lines)


def main():
    """Exit code 0: held; 1: a rule broke; 2: bad input."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-shrink", action="store_true", help="write violations as they came")
    parser.add_argument("--replay", type=Path, help="play a history that a violation wrote")
    parser.add_argument("--out", type=Path, default=Path("out"), help="where violations are written")
    args = parser.parse_args()
    if args.replay:
        try:
            replay(args.replay.read_text(encoding="utf-8"))
        except OSError as error:
            print("soak: %s: %s" % (args.replay, error.strerror), file=sys.stderr)
            return 2
        except Violation as broken:
            print(broken)
            return 1
        print("soak: %s: held" % args.replay)
        return 0
    watched = Watched()
    began = time.monotonic()
    number, broke = args.seed, 0
    while time.monotonic() - began < 60 * args.minutes:
        try:
            batch(watched, number, shrink=not args.no_shrink)
        except Violation:
            broken, history = watched.failed
            args.out.mkdir(parents=True, exist_ok=True)
            path = args.out / ("violation-%s-seed-%d.json" % (broken.number, number))
            path.write_text(history + "\n", encoding="utf-8")
            print("soak: %s\nsoak: written to %s" % (broken, path), flush=True)
            broke += 1
        number += 1
        took_s = time.monotonic() - began
        print("soak: %4.0f s, seed %d, %d scans" % (took_s, number, watched.scans), file=sys.stderr, flush=True)
    print(told(watched, time.monotonic() - began))
    print("soak: %s" % ("%d violations" % broke if broke else "held"))
    return 1 if broke else 0


if __name__ == "__main__":
    sys.exit(main())
