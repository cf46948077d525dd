"""Worker processes: `Lane` calls one function many times in parallel, and starts anew a worker that dies.

As a program (`python -m packwarden.bench.lane`) this file is one such worker: jobs come as lines of JSON on its
standard input, results go out on its standard output, and it ends when its input does.
"""

from __future__ import annotations

import importlib
import json
import os
import selectors
import shutil
import signal
import subprocess
import sys
from typing import Any, Dict, Iterable, Iterator, List, Optional, Tuple

from packwarden import paths

TRIES = 3  # a job whose worker died this often is given up


class LaneError(Exception):
    """What came of a job instead of a result, or of a Python that can't run.  `kind`: `died`, `python`."""

    def __init__(self, kind: str, text: str) -> None:
        self.kind, self.text = kind, text
        super().__init__("%s: %s" % (kind, text))


class Lane:
    """`run` yields (key, result) in whatever order they come.  python: the interpreter of the workers."""

    def __init__(self, workers: int, python: Optional[str] = None) -> None:
        self.workers = workers
        self.python = python or sys.executable
        if shutil.which(self.python) is None:
            raise LaneError("python", "%s is no program" % self.python)
        self._live: List[_Worker] = []

    def run(self, function: str, jobs: Iterable[Tuple[str, Any]]) -> Iterator[Tuple[str, Any]]:
        """Call `function` ("module:name") with each job's argument.  A job that kills its workers gives a LaneError."""
        waiting = iter(jobs)
        again: List[Tuple[str, Any]] = []
        died: Dict[str, int] = {}
        with selectors.DefaultSelector() as ready:

            def give(worker: "_Worker") -> None:
                job = again.pop() if again else next(waiting, None)
                if job is not None:
                    worker.give(job)

            def start() -> None:
                worker = _Worker(self.python, function)
                self._live.append(worker)
                ready.register(worker.stdout, selectors.EVENT_READ, worker)
                give(worker)

            for _ in range(self.workers):
                start()
            while any(worker.job for worker in self._live):
                for event, _mask in ready.select():
                    worker = event.data
                    job = worker.job
                    line = worker.take()
                    if line is not None:
                        give(worker)
                        yield job[0], json.loads(line)
                        continue
                    ready.unregister(worker.stdout)
                    self._live.remove(worker)
                    worker.close()
                    if job is not None:
                        died[job[0]] = died.get(job[0], 0) + 1
                        if died[job[0]] < TRIES:
                            again.append(job)
                        else:
                            yield job[0], LaneError("died", "%d workers died of it" % TRIES)
                    start()

    def close(self) -> None:
        """End the workers."""
        for worker in self._live:
            worker.close()
        self._live = []


class _Worker:
    """One worker process and the job it has."""

    def __init__(self, python: str, function: str) -> None:
        host = str(paths.ROOT / "host")
        env = dict(os.environ, PYTHONPATH=os.pathsep.join([host, os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep))
        self.process = subprocess.Popen(
            [python, "-m", "packwarden.bench.lane", function],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env,
        )  # fmt: skip
        assert self.process.stdin is not None and self.process.stdout is not None
        self.stdin, self.stdout = self.process.stdin, self.process.stdout
        self.job: Optional[Tuple[str, Any]] = None

    def give(self, job: Tuple[str, Any]) -> None:
        self.job = job
        try:
            self.stdin.write(json.dumps(job[1]).encode("ascii") + b"\n")
            self.stdin.flush()
        except OSError:
            pass  # it died: its output says so, too

    def take(self) -> Optional[bytes]:
        """Its result; None when it has died."""
        line = self.stdout.readline()
        if not line.endswith(b"\n"):
            return None
        self.job = None
        return line

    def close(self) -> None:
        try:
            self.stdin.close()
        except OSError:
            pass
        self.process.kill()
        self.process.wait()
        self.stdout.close()


def main(function: str) -> None:
    """A worker: one result for each job, until the input ends.  Ctrl-C is for whoever started it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    module, _, name = function.partition(":")
    call = getattr(importlib.import_module(module), name)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints must not spoil the results
    for line in sys.stdin.buffer:
        out.write(json.dumps(call(json.loads(line))).encode("ascii") + b"\n")
        out.flush()


if __name__ == "__main__":
    main(sys.argv[1])
