"""Scenarios found, run on one target or two and compared, and files that are written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Callable, Optional, Sequence

from packwarden.bench import scenario, schema, tables
from packwarden.bench.plan import Scenario
from packwarden.bench.result import RunResult
from packwarden.bench.runner import Run
from packwarden.bench.target import Target, TargetError
from packwarden.deploy.target import BoardTarget
from packwarden.errors import InputError
from packwarden.plant.plant import PlantError

SCENARIOS = Path(__file__).parent / "scenarios"
SHOWN = 160  # characters of a line that differs

Tell = Callable[[str, float, float], None]


def shipped() -> list[Path]:
    """The scenarios that come with packwarden, by name."""
    return sorted(SCENARIOS.glob("*.toml"), key=lambda path: path.stem)


def find(name: str) -> Path:
    """The file of a shipped scenario by its name, or a file by its path.  InputError when it is neither."""
    for path in shipped():
        if path.stem == name:
            return path
    path = Path(name)
    try:
        if path.is_file():
            return path
    except (OSError, ValueError):  # a name that no file can have
        pass
    known = schema.near(name, [p.stem for p in shipped()])
    raise InputError(name, "scenario", name, known + ", or a file; `packwarden scenarios` lists them")


def load(names: Sequence[str], seed: Optional[int]) -> list[Scenario]:
    """Every scenario named, all read before any runs.  `seed` in place of their own.  InputError."""
    out = [scenario.load(find(name)) for name in names]
    seen: set[str] = set()
    for each in out:
        if each.name in seen:
            raise InputError(each.name, "scenario.name", each.name, "each name once: files are named after it")
        seen.add(each.name)
    return [each if seed is None else replace(each, seed=seed) for each in out]


@dataclass
class Outcome:
    """What came of one scenario: a result for each target, or why there is none."""

    scenario: Scenario
    results: list[RunResult] = field(default_factory=list)
    pythons: list[str] = field(default_factory=list)
    failed: str = ""
    same: Optional[bool] = None
    compared: str = ""

    @property
    def held(self) -> bool:
        """It ran, everything expected held, and the targets agree."""
        return not self.failed and self.same is not False and all(r.held for r in self.results)


def run(each: Scenario, targets: Sequence[str], tell: Tell, board: Optional[BoardTarget] = None) -> Outcome:
    """Run a scenario on each target, `board` being the one called so.  A run that fails is told in the outcome.

    TargetError when this machine has no such target, or the target can't do what the scenario asks of it.
    """
    out = Outcome(each)
    for name in targets:
        target: Target = board if board is not None and name == board.name else tables.make_target(name)
        what = each.name if len(targets) == 1 else "%s, %s" % (each.name, name)
        python = target.python if isinstance(target, BoardTarget) else tables.python_of(target)
        run = Run(each, target, lambda done, total, what=what: tell(what, done, total))  # type: ignore[misc]
        tell(what, 0.0, each.end_s)
        try:
            result = run.go()
            if isinstance(target, BoardTarget):
                result.replies = target.replies()
            out.results.append(result)
            out.pythons.append(python)
        except (PlantError, TargetError) as error:
            out.failed = "%s: %s" % (name, error)
            return out
        finally:
            target.close()
    if len(out.results) > 1:
        out.same, out.compared = compare(out.results[0], out.results[1])
    return out


def compare(a: RunResult, b: RunResult) -> tuple[bool, str]:
    """Whether two targets said the same bytes and set the same outputs at the same times; and that in words."""
    names = "%s and %s" % (a.target, b.target)
    if a.lines != b.lines:
        ours, theirs = a.lines.split(b"\n"), b.lines.split(b"\n")
        at = next((n for n, pair in enumerate(zip(ours, theirs)) if pair[0] != pair[1]), min(len(ours), len(theirs)))
        said = [b"nothing" if at >= len(lines) else lines[at][:SHOWN] for lines in (ours, theirs)]
        return False, "%s differ from line %d on: %s said `%s`, %s said `%s`" % (
            names, at + 1, a.target, said[0].decode("ascii", "replace"), b.target, said[1].decode("ascii", "replace"),
        )  # fmt: skip
    for mine, other in zip([*a.changes, None], [*b.changes, None]):
        if mine != other:
            at_s = min(c.t_s for c in (mine, other) if c is not None)
            return False, "%s say the same, but their outputs differ from %.2f s on" % (names, at_s)
    count = a.lines.count(b"\n")
    return True, "%s say the same, byte for byte: %d lines, %d changes of outputs" % (names, count, len(a.changes))


def writable(folder: Path) -> None:
    """Before a long run: InputError when `folder` is none, or files can't be put there."""
    at = folder.absolute()
    while not at.exists() and at != at.parent:
        at = at.parent
    if not at.is_dir() or not os.access(at, os.W_OK):
        raise InputError(folder, "folder", folder, "a folder that can be written to")


def write(path: Path, data: str | bytes) -> None:
    """Write a file under another name and put it in place at the end: an interrupted write leaves nothing.

    InputError when the place can't be written to.
    """
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".%s." % path.name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data.encode() if isinstance(data, str) else data)
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, path)
        temporary = None
    except OSError as error:
        raise InputError(path, "file", error.strerror or error, "a place that can be written to") from None
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
