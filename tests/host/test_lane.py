"""The lane: the same results from any Python, and what becomes of jobs that fail, kill, or are left behind.

A process is looked for by its id, as the system sees it.  There is no outside source for any of this.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from lane_jobs import told
from scenarios import SHIPPED

from packwarden.bench import lane, scenario
from packwarden.bench.lane import AGAIN, Lane, LaneError

HERE = str(Path(__file__).parent)
SOME = ("open-lead-mid-string", "estop-at-full-load", "brown-out-in-drive", "serial-garbage", "cold-charge")
NO_PYPY = pytest.mark.skipif(shutil.which("pypy3") is None, reason="no pypy3: apt install pypy3")
PYPY = pytest.param("pypy3", marks=NO_PYPY)


def make(workers: int = 1, python: str | None = sys.executable) -> Lane:
    """A lane whose workers can do what lane_jobs has."""
    return Lane(workers, python, also=[HERE])


def alive(pid: int) -> bool:
    """Is there such a process, other than as a dead one not yet waited for?"""
    try:
        os.kill(pid, 0)
        return Path("/proc/%d/stat" % pid).read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except (OSError, IndexError):
        return False


def soon(what: Callable[[], bool]) -> bool:
    """Does it come true within half a minute?"""
    until = time.monotonic() + 30.0
    while not what() and time.monotonic() < until:
        time.sleep(0.02)
    return what()


@pytest.fixture
def one() -> Iterator[Lane]:
    """A lane of one worker under this Python."""
    with make() as made:
        yield made


@pytest.mark.parametrize("python", [sys.executable, PYPY])
def test_a_lane_says_what_a_run_here_says(python: str) -> None:
    """Every byte of the lines, and changes, traces and verdicts to the last bit."""
    jobs = [(path.stem, scenario.load(path)) for path in SHIPPED if path.stem in SOME]
    assert len(jobs) == len(SOME)
    with make(2, python) as made:
        got = dict(made.run("lane_jobs:told", jobs))
    assert got == {name: told(each) for name, each in jobs}
    assert all(lines > 100 for *_, lines in got.values())


@pytest.mark.parametrize("python", [sys.executable, PYPY])
def test_workers_stay_and_import_little(python: str) -> None:
    with make(2, python) as made:
        told_twice = [list(made.run("lane_jobs:whoami", [(str(n), None) for n in range(20)])) for _ in range(2)]
    pids = [{pid for _, (pid, _, _) in told_once} for told_once in told_twice]
    assert len(pids[0]) == 2 and pids[0] == pids[1]
    _, (_, name, modules) = told_twice[0][0]
    assert made.name.startswith(name + " ")
    assert "packwarden" in modules and not {"click", "rich", "numpy"} & set(modules)


def test_the_best_python(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """pypy3 where it can run the bench; this Python where there is none, or one that can't."""
    found = shutil.which("pypy3")
    assert lane.best_python() == (found or sys.executable)
    broken = tmp_path / "pypy3"
    broken.write_text("#!/bin/sh\necho 'no such luck' >&2\nexit 1\n")
    broken.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert shutil.which("pypy3") == str(broken)
    assert lane.best_python() == sys.executable
    with pytest.raises(LaneError, match="no such luck"):
        Lane(1, str(broken))
    with pytest.raises(LaneError, match="can't be asked"):
        Lane(1, str(tmp_path / "none"))


def test_an_exception_is_that_jobs_result(one: Lane) -> None:
    """And the worker goes on, even past sys.exit and things that can't be sent."""
    (first,) = one.run("lane_jobs:whoami", [("a", None)])
    got = dict(one.run("lane_jobs:fail", [("a", "because"), ("b", "of this")]))
    assert [(e.kind, e.text) for e in (got["a"], got["b"])] == [("ValueError", "because"), ("ValueError", "of this")]
    assert [e.kind for _, e in one.run("lane_jobs:leave", [("a", None)])] == ["SystemExit"]
    assert [type(e) for _, e in one.run("lane_jobs:unsendable", [("a", None)])] == [LaneError]
    assert [type(e) for _, e in one.run("lane_jobs:double", [("a", lambda: None)])] == [LaneError]
    assert list(one.run("lane_jobs:whoami", [("a", None)]))[0][1][0] == first[1][0]


@pytest.mark.parametrize(
    ("function", "kind"),
    [("lane_jobs:nothing", "AttributeError"), ("nowhere:double", "ModuleNotFoundError"), ("", "ValueError")],
)
def test_a_wrong_function_name(one: Lane, function: str, kind: str) -> None:
    assert [(key, e.kind) for key, e in one.run(function, [("a", 1)])] == [("a", kind)]
    assert list(one.run("lane_jobs:double", [("a", 1)])) == [("a", 2)]


def test_what_a_job_prints_spoils_nothing(one: Lane) -> None:
    assert list(one.run("lane_jobs:printed", [("a", "x" * 9), ("b", "y")])) == [("a", "x" * 9), ("b", "y")]


def test_a_large_payload_and_a_large_result(one: Lane) -> None:
    """More than any pipe holds."""
    (got,) = one.run("lane_jobs:double", [("a", b"x" * 3_000_000)])
    assert len(got[1]) == 6_000_000


def test_a_job_that_kills_its_workers(one: Lane) -> None:
    """It is run again, and given up in the end; the others are done by new workers."""
    got = dict(one.run("lane_jobs:die", [("a", None)]))
    assert got["a"].kind == "died" and "SIGKILL" in got["a"].text and " %d times" % (AGAIN + 1) in got["a"].text
    assert list(one.run("lane_jobs:double", [("a", 1)])) == [("a", 2)]


def test_a_worker_that_is_killed_is_replaced(one: Lane, tmp_path: Path) -> None:
    assert list(one.run("lane_jobs:die_once", [("a", str(tmp_path / "been"))])) == [("a", "second time")]
    (before,) = one.run("lane_jobs:whoami", [("a", None)])
    os.kill(before[1][0], signal.SIGKILL)
    (after,) = one.run("lane_jobs:whoami", [("a", None)])  # it was idle: the job is the first to notice
    assert after[1][0] != before[1][0]


def test_jobs_are_taken_as_workers_fall_free() -> None:
    taken = []

    def jobs() -> Iterator[tuple[str, Any]]:
        for n in range(1000):
            taken.append(n)
            yield str(n), n

    with make(2) as made:
        run = made.run("lane_jobs:double", jobs())
        assert taken == []
        for done in range(1, 20):
            key, result = next(run)
            assert result == 2 * int(key)
            assert len(taken) <= done + 2
        with pytest.raises(RuntimeError, match="a run already"):
            next(made.run("lane_jobs:double", [("a", 1)]))
        run.close()  # type: ignore[attr-defined]
        assert list(made.run("lane_jobs:double", [("a", 4)])) == [("a", 8)]  # no answer of the run that was left


def test_an_iterable_that_fails(one: Lane) -> None:
    def jobs() -> Iterator[tuple[str, Any]]:
        yield "a", 1
        raise OSError("the disc is gone")

    with pytest.raises(OSError, match="the disc is gone"):
        list(one.run("lane_jobs:double", jobs()))
    assert list(one.run("lane_jobs:double", [("a", 4)])) == [("a", 8)]


def test_nothing_is_left_running(tmp_path: Path) -> None:
    """Neither idle workers nor those in the middle of a job."""
    with make(2) as made:
        idle = {pid for _, (pid, _, _) in made.run("lane_jobs:whoami", [(str(n), None) for n in range(9)])}
        assert idle and all(map(alive, idle))
    assert not any(map(alive, idle))
    place = tmp_path / "pid"

    def jobs() -> Iterator[tuple[str, Any]]:
        yield "a", str(place)
        assert soon(lambda: place.exists() and place.read_text() != "")
        raise KeyboardInterrupt

    with make(2) as made, pytest.raises(KeyboardInterrupt):
        list(made.run("lane_jobs:linger", jobs()))
    assert not alive(int(place.read_text()))


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_workers_do_not_outlive_their_parent(tmp_path: Path, number: signal.Signals) -> None:
    """Not even one that is busy, when the parent is killed, or interrupted as by Ctrl-C."""
    place = tmp_path / "pid"
    program = """if True:
        import sys
        from packwarden.bench.lane import Lane
        with Lane(1, sys.executable, also=[%r]) as made:
            list(made.run("lane_jobs:linger", [("a", %r)]))
    """ % (HERE, str(place))
    env = dict(os.environ, PYTHONPATH=str(Path(lane.__file__).parents[2]))
    parent = subprocess.Popen([sys.executable, "-c", program], env=env, stderr=subprocess.DEVNULL)
    try:
        assert soon(lambda: place.exists() and place.read_text() != "")
        worker = int(place.read_text())
        assert alive(worker)
        parent.send_signal(number)
        assert parent.wait(30) != 0
        assert soon(lambda: not alive(worker))
    finally:
        parent.kill()
        parent.wait()


def test_no_workers_is_refused() -> None:
    with pytest.raises(ValueError, match="not 0"):
        Lane(0)
