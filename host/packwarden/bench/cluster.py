"""A campaign on a Dask cluster that is there already: the same interface as a Lane.

Its workers must be able to import packwarden from the same checkout.  Needs `dask.distributed` (extra `cluster`).
"""

from __future__ import annotations

import importlib
from typing import Any, Dict, Iterable, Iterator, Tuple

from packwarden.errors import InputError

AHEAD = 4  # jobs given out for each thread of the cluster
CONNECT_S = 5.0


def call(function: str, argument: Any) -> Any:
    """What runs on a worker: a function by its name."""
    module, _, name = function.partition(":")
    return getattr(importlib.import_module(module), name)(argument)


class Cluster:
    """`address`: of the scheduler, such as tcp://127.0.0.1:8786.  InputError when there is none."""

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError:
            raise InputError("campaign", "--scheduler", address, "used with packwarden[cluster] installed") from None
        try:
            self.distributed: Any = distributed  # its functions have no types
            self.client = self.distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            allowed = "the address of a running scheduler (%s)" % (str(error).splitlines() or [""])[0]
            raise InputError("campaign", "--scheduler", address, allowed) from None

    def run(self, function: str, jobs: Iterable[Tuple[str, Any]]) -> Iterator[Tuple[str, Any]]:
        """(key, result) as they come; a worker that dies has its cells run again elsewhere by the scheduler."""
        waiting = iter(jobs)
        keys: Dict[Any, str] = {}
        done = self.distributed.as_completed(loop=self.client.loop, raise_errors=False)

        def give() -> None:
            job = next(waiting, None)
            if job is not None:
                future = self.client.submit(call, function, job[1], pure=False)
                keys[future.key] = job[0]
                done.add(future)

        most = AHEAD * max(1, sum(self.client.nthreads().values()))
        for _ in range(most):
            give()
        for future in done:
            key = keys.pop(future.key)
            if future.status == "finished":
                result = future.result()
            else:
                error = future.exception()
                kind = "died" if isinstance(error, self.distributed.KilledWorker) else type(error).__name__
                result = {"verdict": "failed", "why": "%s: %s" % (kind, error)}
            future.release()
            give()
            yield key, result

    def close(self) -> None:
        """Leave the cluster as it was."""
        self.client.close()
