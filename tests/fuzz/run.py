"""Runs the fuzz targets: `make fuzz SECONDS=60 TARGET=wire`, or by hand

    python tests/fuzz/run.py fuzz [--seconds N] [TARGET ...]     coverage-guided, needs atheris
    python tests/fuzz/run.py replay TARGET FILE ...              one input as a plain call, no atheris
    python tests/fuzz/run.py keep TARGET                         found inputs, minimised, into corpus/

What is found goes into out/fuzz/TARGET/: corpus/ grows from run to run, crash files lie beside it.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import random
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
OUT = ROOT / "out" / "fuzz"
CORPUS = HERE / "corpus"
TARGETS = ("wire", "memory", "lines", "scenario", "pack", "settings")
LENGTH_MAX = {"wire": 1500, "memory": 1200, "lines": 2000, "scenario": 6000, "pack": 6000, "settings": 3000}
MEMORY_MB = 1024
HANG_S = 20  # one input that takes longer is a finding
KEPT_MAX = 33000  # bytes of one target's kept corpus


def make_importable() -> None:
    """The same places as conftest.py."""
    for place in (HERE, ROOT / "tests" / "firmware", ROOT / "firmware", ROOT / "host"):
        sys.path.insert(0, str(place))


def one(target: str, arguments: list[str]) -> None:
    """This process becomes libFuzzer with one target; it does not come back."""
    import atheris

    make_importable()
    # The two inner loops over every byte have no branch to find, and would take half the time.
    with atheris.instrument_imports(include=["warden", "boards", "packwarden"], exclude=["warden.crc", "warden.image"]):
        module = importlib.import_module("fuzz_" + target)
    mutate = importlib.import_module("mutate").MUTATORS[target]

    def mutator(data: bytes, size_max: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < 0.25:
            return bytes(atheris.Mutate(data, size_max))
        return bytes(mutate(data, rng)[:size_max])

    atheris.Setup([sys.argv[0], *arguments], module.one_input, custom_mutator=mutator)
    atheris.Fuzz()


def fuzz(target: str, seconds: int) -> bool:
    """Fuzz one target for the time; say what came of it.  True when nothing was found."""
    place = OUT / target
    (place / "corpus").mkdir(parents=True, exist_ok=True)
    before = set(place.glob("crash-*")) | set(place.glob("timeout-*")) | set(place.glob("oom-*"))
    told = [
        sys.executable, str(Path(__file__).resolve()), "one", target, "-max_total_time=%d" % seconds,
        "-timeout=%d" % HANG_S, "-rss_limit_mb=%d" % MEMORY_MB, "-max_len=%d" % LENGTH_MAX[target], "-len_control=0",
        "-artifact_prefix=%s/" % place, "-print_final_stats=1", str(place / "corpus"), str(CORPUS / target),
    ]  # fmt: skip
    print("fuzz %s: %d s ..." % (target, seconds), flush=True)
    started = time.monotonic()
    done = subprocess.run(told, capture_output=True, cwd=ROOT)
    spent_s = time.monotonic() - started
    text = done.stderr.decode(errors="replace") + done.stdout.decode(errors="replace")
    (place / "log").write_text(text, encoding="utf-8")
    points = [int(n) for n in re.findall(r"cov: (\d+)", text)]
    first = re.search(r"INITED cov: (\d+)", text)
    runs = [int(a or b) for a, b in re.findall(r"^#(\d+)\s|number_of_executed_units: (\d+)", text, re.M)]
    sizes = re.findall(r"corp: (\d+)/(\w+)", text)
    if not runs:
        print(text[-2000:])
        return False
    print("fuzz %s: %d executions, %.0f a second; coverage %d, %d of it new; corpus %s inputs, %s" % (
        target, max(runs), max(runs) / spent_s, max(points, default=0),
        max(points, default=0) - int(first[1]) if first else 0, *(sizes[-1] if sizes else ("0", "0b"))))  # fmt: skip
    found = (set(place.glob("crash-*")) | set(place.glob("timeout-*")) | set(place.glob("oom-*"))) - before
    for path in sorted(found):
        print("fuzz %s: FOUND, replay with\n    %s tests/fuzz/run.py replay %s %s" % (
            target, Path(sys.executable).name, target, path.relative_to(ROOT)))  # fmt: skip
    if done.returncode and not found:
        print(text[-2000:])
    return done.returncode == 0


def replay(target: str, files: list[str]) -> None:
    """Each input as a plain call; what fails, fails with its traceback."""
    make_importable()
    call = importlib.import_module("fuzz_" + target).one_input
    for file in files:
        started = time.monotonic()
        call(Path(file).read_bytes())
        print("%s: held, %.2f s" % (file, time.monotonic() - started))


def keep(target: str) -> None:
    """The smallest inputs that reach what all found ones reach, smallest first, up to KEPT_MAX bytes."""
    made = OUT / target / "merged"
    shutil.rmtree(made, ignore_errors=True)
    made.mkdir(parents=True)
    told = [sys.executable, str(Path(__file__).resolve()), "one", target, "-merge=1",
            "-max_len=%d" % LENGTH_MAX[target],
            str(made), str(CORPUS / target), str(OUT / target / "corpus")]  # fmt: skip
    subprocess.run(told, capture_output=True, cwd=ROOT, check=False)
    total = sum(path.stat().st_size for path in (CORPUS / target).iterdir())
    added = 0
    for path in sorted(made.iterdir(), key=lambda p: p.stat().st_size):
        total += path.stat().st_size
        if total > KEPT_MAX:
            break
        if not (CORPUS / target / path.name[:12]).exists():
            (CORPUS / target / path.name[:12]).write_bytes(path.read_bytes())
            added += 1
    print("keep %s: %d of %d inputs added" % (target, added, len(list(made.iterdir()))))


def main() -> int:
    """The command line above; 0 nothing found, 1 something, 2 can't."""
    if sys.argv[1:2] == ["one"]:
        one(sys.argv[2], sys.argv[3:])
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("fuzz", "replay", "keep"))
    parser.add_argument("rest", nargs="*", metavar="TARGET", help="one or more of " + ", ".join(TARGETS))
    parser.add_argument("--seconds", type=int, default=60)
    given = parser.parse_intermixed_args()
    wrong = [t for t in (given.rest[:1] if given.what == "replay" else given.rest) if t not in TARGETS]
    if wrong or given.what != "fuzz" and not given.rest or given.seconds < 1:
        print("fuzz: %s: allowed one of %s" % (" ".join(wrong) or "no target", ", ".join(TARGETS)), file=sys.stderr)
        return 2
    if given.what == "replay":
        replay(given.rest[0], given.rest[1:])
        return 0
    if importlib.util.find_spec("atheris") is None:
        print("fuzz: no atheris here; it has wheels for Linux and CPython 3.11 to 3.14", file=sys.stderr)
        return 2
    if given.what == "keep":
        for target in given.rest:
            keep(target)
        return 0
    held = [fuzz(target, given.seconds) for target in given.rest or TARGETS]  # every one, whatever came of the first
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
