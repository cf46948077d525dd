"""A campaign: many cells over many workers, with a record that outlives whatever stops it.

`results.jsonl` in the campaign's folder grows while it runs: a header line that says what is being run, then one
line for each cell, appended whole and brought to the disk in batches.  A run that finds it goes on from there:
a torn last line is dropped, what is there is not run again, and a record of another campaign is refused.
`campaign.json` is written once, at the end: sorted, without times of day or names of workers, so that the same
campaign gives the same bytes whether or not it was interrupted, wherever it ran.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from pathlib import Path
from typing import Any, Callable, Dict, Iterable, Iterator, List, Mapping, Optional, Sequence, Tuple

try:
    import fcntl
except ImportError:  # pragma: no cover - where there is none, two runs at once are not kept apart
    fcntl = None  # type: ignore[assignment]

from packwarden import paths
from packwarden.bench import cells as cells_module
from packwarden.bench import hazards, outcome
from packwarden.bench.scenario import settings_of
from packwarden.errors import InputError
from packwarden.plant.spec import PackSpec
from warden import settings

FORMAT = 1
FUNCTION = "packwarden.bench.outcome:run_cell"
RECORD, FINAL = "results.jsonl", "campaign.json"
BATCH, BATCH_S = 50, 1.0  # results are brought to the disk when there are so many, or so long after the last

Tell = Callable[[str, float, float], None]
Job = Tuple[str, Any]


def header_of(
    profile: str, seed: int, packs: Mapping[str, PackSpec], cells: Sequence[cells_module.Cell]
) -> Dict[str, Any]:
    """What a campaign is: two records may only be mixed when all of this is the same."""
    keys = "\n".join(each["key"] for each in cells)
    values = {name: settings_of(spec) for name, spec in sorted(packs.items())}
    return {
        "campaign": FORMAT,
        "profile": profile,
        "seed": seed,
        "cells": len(cells),
        "plan": hashlib.sha256(keys.encode("ascii")).hexdigest()[:16],
        "firmware": hash_of("firmware/warden", "firmware/boards"),
        "bench": hash_of("host/packwarden/bench", "host/packwarden/plant"),
        "settings": {name: "%x" % settings.digest(values[name]) for name in values},
        "limits": {name: hazards.limits(packs[name], values[name]) for name in values},
        "packs": {
            name: hashlib.sha256(json.dumps(outcome.spec_as_data(spec), sort_keys=True).encode()).hexdigest()[:16]
            for name, spec in sorted(packs.items())
        },
    }


def hash_of(*folders: str) -> str:
    """A hash of the Python files in these folders of the checkout; of their data files, too."""
    total = hashlib.sha256()
    for folder in folders:
        for path in sorted((paths.ROOT / folder).rglob("*")):
            if path.suffix in (".py", ".toml"):
                total.update(path.relative_to(paths.ROOT).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()[:16]


class Record:
    """The file that grows.  `done`: key -> outcome of every cell in it."""

    def __init__(self, path: Path, header: Mapping[str, Any], fresh: bool = False) -> None:
        self.path = path
        self.done: Dict[str, Any] = {}
        self.dropped = 0  # bytes of a torn line at the end
        self._lines: List[bytes] = []  # every line of this run, on the disk or not
        self._last_s = time.monotonic()
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = os.open(str(path), os.O_WRONLY | os.O_CREAT, 0o666)
        try:
            self._lock()
            # Neither appended to nor cut before the header is known to be ours.
            whole = 0 if fresh else self._read(header)
        except InputError:
            os.close(self._file)
            raise
        self._kept = (whole, 0)  # length of the file, and lines, that are known to be on the disk
        if not whole:
            self._lines.append(_line(header))
        self.keep()

    def _lock(self) -> None:
        """Two runs at once would spoil each other's lines; a run that was killed holds nothing."""
        if fcntl is not None:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise InputError(self.path, "file", "in use", "a record that no other run writes to") from None

    def _read(self, header: Mapping[str, Any]) -> int:
        """Take in what is there; how many bytes of it are whole lines."""
        data = self.path.read_bytes()
        whole = data.rfind(b"\n") + 1
        self.dropped = len(data) - whole
        lines = data[:whole].split(b"\n")[:-1]
        if not lines:
            return 0
        try:
            found = json.loads(lines[0])
            if not isinstance(found, dict) or "campaign" not in found:
                raise ValueError
        except ValueError:
            raise InputError(
                self.path, "line 1", lines[0][:40].decode("ascii", "replace"), "the header of a campaign; --fresh "
                "puts a new record in its place"
            ) from None  # fmt: skip
        for name in header:
            if found.get(name) != header[name]:
                raise InputError(
                    self.path, name, found.get(name), "%s: the record is of another campaign; --out another folder, "
                    "or --fresh to begin anew" % header[name]
                )  # fmt: skip
        for n, line in enumerate(lines[1:], 2):
            try:
                row = json.loads(line)
                self.done[row["key"]] = row["outcome"]
            except (ValueError, KeyError, TypeError):
                raise InputError(
                    self.path, "line %d" % n, line[:40].decode("ascii", "replace"), "a result; --fresh begins anew"
                ) from None
        return whole

    def add(self, key: str, result: Any) -> None:
        """Take in a result; it is on the disk by the next `keep` at the latest."""
        self._lines.append(_line({"key": key, "outcome": result}))
        self.done[key] = result
        if len(self._lines) - self._kept[1] >= BATCH or time.monotonic() - self._last_s > BATCH_S:
            self.keep()

    def keep(self) -> None:
        """Bring everything to the disk.

        Ctrl-C may come at any point of this, and then `close` does it again from the start: what was written is
        known by one assignment at the end, and whatever lies beyond it is written over.
        """
        length, count = self._kept
        data = b"".join(self._lines[count:])
        os.ftruncate(self._file, length)
        os.lseek(self._file, length, os.SEEK_SET)
        left = data
        while left:
            left = left[os.write(self._file, left) :]
        os.fsync(self._file)
        self._kept = (length + len(data), count + data.count(b"\n"))
        self._last_s = time.monotonic()

    def close(self) -> None:
        """Keep what is left, and let go of the file."""
        self.keep()
        os.close(self._file)


def _line(data: Any) -> bytes:
    return json.dumps(data, sort_keys=True, separators=(",", ":")).encode("ascii") + b"\n"


def run(
    cells: Sequence[cells_module.Cell], packs: Mapping[str, PackSpec], record: Record,
    lane: Callable[[str, Iterable[Job]], Iterator[Job]], tell: Optional[Tell] = None,
) -> None:  # fmt: skip
    """Run what the record lacks.  lane: the `run` of whatever has the workers."""
    specs = {name: outcome.spec_as_data(spec) for name, spec in packs.items()}
    missing = [each for each in cells if each["key"] not in record.done]
    total = len(cells)
    if tell is not None:
        tell("campaign", total - len(missing), total)
    jobs = ((each["key"], {"cell": each, "spec": specs[each["pack"]]}) for each in missing)
    if not missing:
        return
    for key, result in lane(FUNCTION, jobs):
        if isinstance(result, Exception):  # a job that could not even be called, or that its workers died of
            result = {"verdict": "failed", "why": str(result)}
        record.add(key, result)
        if tell is not None:
            tell("campaign", len(record.done), total)


def final(header: Mapping[str, Any], cells: Sequence[cells_module.Cell], record: Record) -> bytes:
    """The finished campaign as bytes: header, and every cell with its outcome, in the order of the plan."""
    rows = [dict(each, outcome=record.done[each["key"]]) for each in cells]
    text = json.dumps(dict(header, results=rows), sort_keys=True, separators=(",", ":"))
    # One cell a line: a diff of two campaigns is readable.
    return text.replace('},{"faults":', '},\n{"faults":').encode("ascii") + b"\n"
