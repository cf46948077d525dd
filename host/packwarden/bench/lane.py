"""A lane: worker processes that run jobs of many scenarios, under PyPy where there is one.

    with Lane(2) as lane:
        for key, result in lane.run("packwarden.bench.something:name", jobs):

A job is a key and a payload; the function gets the payload, in a worker, and what it returns comes back with the key,
in the order of ending.  What goes wrong in one job comes back as its result, a LaneError, and the others go on.
Jobs are taken from the iterable only as workers fall free.  Workers live on from run to run, because PyPy needs some
hundred scenarios to become fast; they end with `close`, and at once when the parent is gone, whatever they do then.

Messages both ways are pickles, protocol 4, each behind its length.  The worker's half of this file runs on Python 3.9;
a worker finds packwarden and the firmware by path, so neither need be installed for it.  Packs and scenarios are files
in TOML, which 3.9 can't read: load them in the parent and send the records of packwarden.bench.plan.
"""

from __future__ import annotations

import functools
import importlib
import os
import pickle
import queue
import selectors
import shutil
import signal
import struct
import subprocess
import sys
import threading
from typing import IO, Any, Callable, Dict, Iterable, Iterator, List, Optional, Sequence, Tuple

from packwarden import paths

AGAIN = 3  # a job whose worker died is run again this often
PROTOCOL = 4
LENGTH = struct.Struct("<Q")
CLOSE_S = 2.0  # a worker that has not ended so long after its stdin closed is killed
ASK_S = 60.0  # for a Python to say what it is
# Measured over cells of 30 s: the nursery that PyPy makes by itself is too small for a run's rows and lines.
PYPY_NURSERY = "16M"

_START = "import sys; sys.path[:0] = sys.argv[1:]; from packwarden.bench import lane; lane.serve()"
_ASK = """
import platform, sys
sys.path[:0] = sys.argv[1:]
import packwarden.bench.inprocess, packwarden.bench.lane, packwarden.bench.runner
found = getattr(sys, "pypy_version_info", None)
print("pypy %d.%d.%d" % found[:3] if found else "cpython " + platform.python_version())
"""


class LaneError(Exception):
    """What came of a job instead of a result.  `kind`: the exception's class, or `died` for a worker's death."""

    def __init__(self, kind: str, text: str) -> None:
        self.kind, self.text = kind, text
        super().__init__("%s: %s" % (kind, text))

    def __reduce__(self) -> Any:
        return LaneError, (self.kind, self.text)


@functools.lru_cache(maxsize=None)
def name_of(python: str) -> str:
    """Its name, "pypy 7.3.11" or "cpython 3.11.7", as it says itself.  LaneError when it can't run the bench."""
    try:
        for _ in range(AGAIN):
            said = subprocess.run(
                [python, "-c", _ASK, *_path()], capture_output=True, text=True, timeout=ASK_S, check=False,
                stdin=subprocess.DEVNULL,
            )  # fmt: skip
            if said.returncode >= 0:
                break  # else somebody killed it before it could answer
    except (OSError, subprocess.TimeoutExpired) as error:
        raise LaneError("python", "%s can't be asked what it is: %s" % (python, error)) from None
    if said.returncode:
        last = said.stderr.strip().splitlines()[-1:] or ["exit %d" % said.returncode]
        raise LaneError("python", "%s can't run the bench: %s" % (python, last[0]))
    return said.stdout.strip()


def best_python() -> str:
    """The `pypy3` on PATH where it can run the bench, else the Python that runs now."""
    found = shutil.which("pypy3")
    if found is not None:
        try:
            name_of(found)
            return found
        except LaneError:
            pass
    return sys.executable


def _path(also: Sequence[str] = ()) -> List[str]:
    return [*also, str(paths.ROOT / "host"), str(paths.firmware_dir())]


# -- the parent's half ----------------------------------------------------------------------------------------


class _Job:
    """A job on its way: `died` counts the workers it was lost with."""

    def __init__(self, key: str, message: bytes) -> None:
        self.key, self.message = key, message
        self.died = 0


class _Worker:
    """One process, and the job it has."""

    def __init__(self, command: Sequence[str], env: Dict[str, str]) -> None:
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env)
        assert self.process.stdin is not None and self.process.stdout is not None
        self.stdin, self.stdout = self.process.stdin, self.process.stdout
        self.job: Optional[_Job] = None

    def give(self, job: _Job) -> None:
        """Hand over a job.  A worker that is gone is noticed when its answer is read."""
        self.job = job
        try:
            _put(self.stdin, job.message)
        except OSError:
            pass

    def end(self) -> str:
        """End it now, if it is not over, and say how it ended."""
        for pipe in (self.stdin, self.stdout):
            try:
                pipe.close()
            except OSError:
                pass  # what was left to write goes nowhere
        try:
            code = self.process.wait(CLOSE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            code = self.process.wait()
        return "exit %d" % code if code >= 0 else "signal %d (%s)" % (-code, _signal_name(-code))


class Lane:
    """At most `workers` processes of `python` (None: the best there is).  LaneError when it can't run the bench.

    `also`: folders in front of the workers' path, for functions that are not part of packwarden.
    """

    def __init__(self, workers: int, python: Optional[str] = None, *, also: Sequence[str] = ()) -> None:
        if workers < 1:
            raise ValueError("a lane has 1 worker at the least, not %d" % workers)
        self.python = python or best_python()
        self.name = name_of(self.python)
        self.most = workers
        self._env = dict(os.environ)
        if self.name.startswith("pypy"):
            self._env.setdefault("PYPY_GC_NURSERY", PYPY_NURSERY)
        self._command = [self.python, "-c", _START, *_path(also)]
        self._workers: List[_Worker] = []
        self._busy = False

    def __enter__(self) -> "Lane":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End every worker, whatever it does."""
        for worker in self._workers:
            try:
                worker.stdin.close()  # to all first, so that they end side by side
            except OSError:
                pass
        while self._workers:
            self._workers.pop().end()

    def run(self, function: str, jobs: Iterable[Tuple[str, Any]]) -> Iterator[Tuple[str, Any]]:
        """(key, result) of each job as it ends; the result is a LaneError where there is none.

        One run at a time.  A run that is left before its end ends the workers that still have a job.
        """
        if self._busy:
            raise RuntimeError("this lane has a run already: finish or close it first")
        self._busy = True
        source = iter(jobs)
        more = True
        again: List[_Job] = []
        watch = selectors.DefaultSelector()
        idle = list(self._workers)
        try:
            while True:
                while (idle or len(self._workers) < self.most) and (again or more):
                    if again:
                        job = again.pop()
                    else:
                        pair = next(source, None)
                        if pair is None:
                            more = False
                            break
                        try:
                            job = _Job(pair[0], pickle.dumps((function, pair[1]), PROTOCOL))
                        except Exception as error:  # pickle raises what it likes
                            yield pair[0], LaneError(type(error).__name__, "the payload can't be sent: %s" % error)
                            continue
                    worker = idle.pop() if idle else self._hire()
                    worker.give(job)
                    watch.register(worker.stdout, selectors.EVENT_READ, worker)
                if not watch.get_map():
                    break
                for ready, _ in watch.select():
                    worker = ready.data
                    watch.unregister(worker.stdout)
                    job = worker.job
                    answer = _get(worker.stdout)
                    if answer is not None:
                        worker.job = None
                        idle.append(worker)
                        yield job.key, _result(answer)
                        continue
                    how = self._lose(worker)
                    job.died += 1
                    if job.died <= AGAIN:
                        again.append(job)
                    else:
                        text = "its worker ended by itself %d times, at last by %s" % (job.died, how)
                        yield job.key, LaneError("died", text)
        finally:
            self._busy = False
            watch.close()
            for worker in [w for w in self._workers if w.job is not None]:
                self._lose(worker)

    def _hire(self) -> _Worker:
        worker = _Worker(self._command, self._env)
        self._workers.append(worker)
        return worker

    def _lose(self, worker: _Worker) -> str:
        self._workers.remove(worker)
        return worker.end()


def _result(answer: bytes) -> Any:
    try:
        return pickle.loads(answer)
    except Exception as error:
        return LaneError(type(error).__name__, "the result can't be read: %s" % error)


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return "unknown"


# -- both halves ----------------------------------------------------------------------------------------------


def _put(stream: IO[bytes], message: bytes) -> None:
    stream.write(LENGTH.pack(len(message)) + message)
    stream.flush()


def _get(stream: IO[bytes]) -> Optional[bytes]:
    """The next message, or None when the stream ends before it is whole."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        return None
    (length,) = LENGTH.unpack(head)
    body = stream.read(length)
    return body if len(body) == length else None


# -- the worker's half ----------------------------------------------------------------------------------------


def serve() -> None:
    """Run jobs from stdin until it closes.  What a job prints goes to stderr."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent says when to end
    taken, given = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.close(nothing)
    os.dup2(2, 1)
    waiting: "queue.Queue[bytes]" = queue.Queue()
    threading.Thread(target=_listen, args=(taken, waiting), daemon=True).start()
    known: Dict[str, Callable[[Any], Any]] = {}
    while True:
        answer = _answer(waiting.get(), known)
        try:
            _put(given, answer)
        except OSError:
            os._exit(0)  # no one is there to read it


def _listen(stream: IO[bytes], waiting: "queue.Queue[bytes]") -> None:
    """Jobs into the queue; the end of the process when there will be no more, even amid a job."""
    while True:
        message = _get(stream)
        if message is None:
            os._exit(0)
        waiting.put(message)


def _answer(message: bytes, known: Dict[str, Callable[[Any], Any]]) -> bytes:
    try:
        name, payload = pickle.loads(message)
        if name not in known:
            module, _, function = name.partition(":")
            known[name] = getattr(importlib.import_module(module), function)
        return pickle.dumps(known[name](payload), PROTOCOL)
    except BaseException as error:  # SystemExit too: a job never ends its worker by an exception
        return pickle.dumps(LaneError(type(error).__name__, str(error)), PROTOCOL)
