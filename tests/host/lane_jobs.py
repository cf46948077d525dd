"""What the tests of the lane have done in its workers: standard library only, and Python 3.9 can run it."""

from __future__ import annotations

import hashlib
import os
import signal
import sys
import time
from typing import Any

from packwarden.bench.inprocess import InProcess
from packwarden.bench.runner import run


def told(scenario: Any) -> tuple[str, str, list[tuple[str, bool, str]], int]:
    """Digests of every line, and of every change and trace; the verdicts; how many lines there are."""
    result = run(scenario, InProcess())
    seen = hashlib.sha256(repr((result.changes, result.switchings, sorted(result.hazards.items()))).encode())
    for name in sorted(result.traces):
        seen.update(result.traces[name].tobytes())
    verdicts = [(v.text, v.held, v.measured) for v in result.verdicts]
    return hashlib.sha256(result.lines).hexdigest(), seen.hexdigest(), verdicts, result.lines.count(b"\n")


def simulated(scenario: Any) -> tuple[float, float]:
    """Simulated time, and the processor time that it took, s: what others on the machine take is not in it."""
    started = time.process_time()
    return run(scenario, InProcess()).simulated_s, time.process_time() - started


def double(x: Any) -> Any:
    return 2 * x


def whoami(_: Any) -> tuple[int, str, list[str]]:
    """This process, its Python, and what it has imported."""
    return os.getpid(), sys.implementation.name, sorted(name.partition(".")[0] for name in sys.modules)


def fail(text: str) -> None:
    raise ValueError(text)


def leave(_: Any) -> None:
    sys.exit(3)


def printed(text: str) -> str:
    print(text, flush=True)
    os.write(1, text.encode())
    return text + sys.stdin.read()


def unsendable(_: Any) -> Any:
    return lambda: None


def die(_: Any) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def die_once(place: str) -> str:
    """Die, unless the file is there already."""
    try:
        os.close(os.open(place, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return "second time"
    die(None)
    return ""


def linger(place: str) -> None:
    """Write down this process, and be busy for long."""
    with open(place, "w", encoding="ascii") as stream:
        stream.write(str(os.getpid()))
    until = time.monotonic() + 60.0
    while time.monotonic() < until:
        pass
