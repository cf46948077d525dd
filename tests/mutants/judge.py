"""Tries one share of the changes against the tests and writes a line for each: killed, by which test, or survived.

Two ways, each in a forked child, so that nothing carries over:

- a change in a function that runs only when called: its code is put into the imported module, and the tests that reach
  the changed line (known by coverage contexts) run, those that killed its neighbours and those about few lines first;
- a change in what runs at import: the child imports the changed file afresh and runs the quick tests from the start.

`python judge.py OUT` first, for the tests by line; then `share` in several processes.
"""

from __future__ import annotations

import importlib.abc
import importlib.util
import json
import os
import resource
import select
import signal
import sys
import time
from collections import Counter
from pathlib import Path
from types import CodeType

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
import changes
from changes import ROOT, WARDEN, Change

FIRMWARE = "tests/firmware/test_%s.py"
UNITS = [
    FIRMWARE % name
    for name in (
        "rows", "words", "channels", "modules", "facts", "relay", "journal", "records", "settings", "elements",
        "reporter", "wire", "commands", "sequence",
    )
]  # fmt: skip
# Whole stories on the rig, long for what each shows: with THOROUGH, for what survives the others.
STORIES = [*[FIRMWARE % name for name in ("sense", "budgets", "review", "time")], "tests/properties"]
BUDGET_S = 4.0  # of tests for one change; with THOROUGH a survivor of that is tried against all
ALL_S = 60.0
THOROUGH = bool(os.environ.get("THOROUGH"))
TIME_OUT_S = 30.0
MEMORY = 2 << 30
COMMON = ["-x", "-p", "no:cacheprovider", "-p", "no:terminal", "--capture=no"]
# A change of what runs at import is first tried against these, called directly: they need no fixture.
TABLES = {
    "test_words": (
        "test_the_transitions_are_the_ones_written_here",
        "test_the_output_rows_are_the_ones_written_here",
        "test_the_permissives_are_the_ones_written_here",
        "test_every_setting_is_the_one_written_here",
        "test_what_runs_begins_with_those_defaults_and_bounds",
        "test_the_words_have_the_bits_that_the_wire_and_the_board_know",
    ),
    "test_rows": (
        "test_the_table_is_the_one_written_here",
        "test_the_quantities_have_the_numbers_that_the_table_names",
    ),
    "test_elements": ("test_the_columns_are_the_table",),
    "test_channels": (
        "test_the_constants_of_the_wiring",
        "test_a_probe_reads_the_points_of_its_table_and_straight_lines_between",
    ),
    "test_relay": ("test_the_constants_of_time",),
    "test_journal": ("test_the_layout_is_the_one_on_boards",),
    "test_records": (
        "test_the_crc_has_its_check_value_and_every_table_entry",
        "test_every_kind_has_its_number_and_its_fields_in_order",
    ),
    "test_wire": ("test_the_limits_are_those_of_the_protocol",),
}


# -- which tests reach which line -----------------------------------------------------------------------


class Mapper:
    """Plugin: coverage with a context for each test, and how long each took."""

    def __init__(self) -> None:
        import coverage

        self.cov = coverage.Coverage(data_file=None, include=[str(WARDEN / "*")], config_file=False)
        self.cov.start()
        self.took: dict[str, float] = {}

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item):  # type: ignore[no-untyped-def]
        self.cov.switch_context(item.nodeid)
        began = time.process_time()
        yield
        self.took[item.nodeid] = time.process_time() - began

    def lines(self) -> dict[str, dict[int, list[str]]]:
        self.cov.stop()
        data = self.cov.get_data()
        return {Path(f).stem: data.contexts_by_lineno(f) for f in data.measured_files()}


def make_map(out: Path) -> int:
    mapper = Mapper()
    if code := pytest.main(["-q", "-x", "-p", "no:cacheprovider", "--no-header", *UNITS], plugins=[mapper]):
        return int(code)
    names = list(mapper.took)
    number = {name: n for n, name in enumerate(names)}
    lines = {
        module: {line: [number.get(c, -1) for c in contexts] for line, contexts in found.items()}
        for module, found in mapper.lines().items()
    }
    out.write_text(json.dumps({"tests": names, "took": list(mapper.took.values()), "lines": lines}))
    return 0


# -- one change in a child ------------------------------------------------------------------------------


def in_child(work) -> tuple[str, str]:  # type: ignore[no-untyped-def]
    """Run `work()` in a child; ("killed", test), ("survived", "") or ("timeout", "")."""
    inward, outward = os.pipe()
    pid = os.fork()
    if not pid:
        by = "died"
        try:
            os.close(inward)
            null = os.open(os.devnull, os.O_RDWR)
            for n in (0, 1, 2):
                os.dup2(null, n)
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
            by = work()
        except BaseException as error:  # whatever a changed file does, this child ends here
            by = type(error).__name__
        finally:
            os.write(outward, by.encode())
            os._exit(0)
    os.close(outward)
    ready, _, _ = select.select([inward], [], [], work.time_out_s)
    by = os.read(inward, 4096).decode() if ready else ""
    if not ready:
        os.kill(pid, signal.SIGKILL)
    os.close(inward)
    os.waitpid(pid, 0)
    if not ready:
        return "timeout", ""
    return ("survived", "") if by == "-" else ("killed", by or "died")


class Afresh(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds the one changed module, and passes for it."""

    def __init__(self, change: Change):
        self.change = change

    def find_spec(self, name, path=None, target=None):  # type: ignore[no-untyped-def]
        if name != "warden." + self.change.module:
            return None
        return importlib.util.spec_from_loader(name, self, origin=str(WARDEN / (self.change.module + ".py")))

    def exec_module(self, module) -> None:  # type: ignore[no-untyped-def]
        where = str(WARDEN / (self.change.module + ".py"))
        exec(compile(self.change.source, where, "exec"), module.__dict__)


class Failed:
    """Plugin: the first test, or file, that failed."""

    by = "-"

    def pytest_runtest_logreport(self, report) -> None:  # type: ignore[no-untyped-def]
        if report.failed and self.by == "-":
            self.by = report.nodeid

    def pytest_collectreport(self, report) -> None:  # type: ignore[no-untyped-def]
        if report.failed and self.by == "-":
            self.by = report.nodeid


class FromTheStart:
    """The work for a change of what runs at import."""

    def __init__(self, change: Change, quick: list[str]):
        self.change, self.quick = change, quick
        self.time_out_s = TIME_OUT_S + ALL_S

    def __call__(self) -> str:
        sys.meta_path.insert(0, Afresh(self.change))
        by = self._tables()
        if by != "-":
            return by
        for chosen in (self.quick, UNITS, STORIES) if THOROUGH else (self.quick,):
            failed = Failed()
            code = pytest.main([*COMMON, *chosen], plugins=[failed])
            if code or failed.by != "-":
                return failed.by if failed.by != "-" else "exit %d" % code
        return "-"

    def _tables(self) -> str:
        """The tables' own tests, without what pytest takes to find them."""
        for place in ("firmware", "host", "tests/firmware"):
            sys.path.insert(0, str(ROOT / place))
        try:
            importlib.import_module("warden." + self.change.module)
            for name, tests in TABLES.items():
                held = importlib.import_module(name)
                for test in tests:
                    try:
                        getattr(held, test)()
                    except Exception:
                        return "tests/firmware/%s.py::%s" % (name, test)
        except Exception as error:
            return "import: " + type(error).__name__
        for name in TABLES:  # pytest finds them anew
            sys.modules.pop(name, None)
        return "-"


class InPlace:
    """The work for a change inside a function: the items are collected, the module is imported."""

    def __init__(self, change: Change, items: list, seconds: float):  # type: ignore[type-arg]
        self.change, self.items = change, items
        self.time_out_s = TIME_OUT_S + 3 * seconds

    def __call__(self) -> str:
        from _pytest.runner import runtestprotocol

        put(self.change)
        for item, following in zip(self.items, [*self.items[1:], None]):
            for report in runtestprotocol(item, log=False, nextitem=following):
                if report.failed:
                    return item.nodeid  # type: ignore[no-any-return]
        return "-"


def put(change: Change) -> None:
    """Give the imported function the changed code."""
    code = compile(change.source, str(WARDEN / (change.module + ".py")), "exec")
    held: object = sys.modules["warden." + change.module]
    for name in change.function.split("."):
        code = next(c for c in code.co_consts if isinstance(c, CodeType) and c.co_name == name)
        held = getattr(held, name)
    held.__code__ = code  # type: ignore[attr-defined]


# -- a share of them ------------------------------------------------------------------------------------


class Judge:
    """The map, the changes of this share, and where the verdicts go."""

    def __init__(self, share: int, of: int, out: Path, chosen: list[Change]):
        self.out = out / ("verdicts-%d.jsonl" % share)
        known = json.loads((out / "map.json").read_text())
        self.tests: list[str] = known["tests"]
        self.took: list[float] = known["took"]
        self.lines = {m: {int(n): set(t) for n, t in found.items()} for m, found in known["lines"].items()}
        # How many lines each test runs: one that runs few is about them, one that runs many passes through.
        self.breadth: Counter[int] = Counter()
        for found in self.lines.values():
            for reach in found.values():
                self.breadth.update(reach)
        plan = json.loads((out / "plan.json").read_text())
        self.before: dict[str, str] = plan["killers"]  # key -> test that killed it in an earlier run
        self.recent: dict[str, list[str]] = {}
        self.index = {name: n for n, name in enumerate(self.tests)}
        self.at_import: list[Change] = []
        self.in_functions: list[Change] = []
        for change in chosen[share::of]:
            (self.at_import if self.runs_at_import(change) else self.in_functions).append(change)
        slow = {name.split("::")[0] for name, s in zip(self.tests, self.took) if s > 0.3}
        self.quick_files = sorted({name.split("::")[0] for name in self.tests} - slow)

    def runs_at_import(self, change: Change) -> bool:
        last = change.line + change.was.count("\n")
        found = self.lines.get(change.module, {})
        return not change.function or any(-1 in found.get(n, ()) for n in range(change.line, last + 1))

    def reaching(self, change: Change) -> list[int]:
        """Tests that run the changed line: killers of this and of its neighbours first, then those about few lines."""
        found = self.lines.get(change.module, {})
        last = change.line + change.was.count("\n")
        reach: set[int] = set()
        for n in range(change.line, last + 1):
            reach |= found.get(n, set())
        n = change.line
        while not reach and n > 1:  # a later line of a long statement
            n -= 1
            reach = found.get(n, set())
        first = [self.before.get(change.key, ""), *reversed(self.recent.get(change.function, []))]
        order = {self.index[name]: n for n, name in enumerate(first) if name in self.index}
        return sorted(reach - {-1}, key=lambda t: (order.get(t, len(first)), self.breadth[t], self.took[t]))

    def say(self, change: Change, verdict: tuple[str, str], began: float) -> None:
        if verdict[0] == "killed":
            recent = self.recent.setdefault(change.function, [])
            if verdict[1] in recent:
                recent.remove(verdict[1])
            recent.append(verdict[1])
            del recent[:-6]
        line = {"key": change.key, "verdict": verdict[0], "by": verdict[1], "s": round(time.perf_counter() - began, 2)}
        with self.out.open("a") as f:
            f.write(json.dumps(line) + "\n")

    def canary(self, items: dict[str, pytest.Item] | None) -> None:
        """A file that is not changed must survive, or every verdict would be worth nothing."""
        source = changes.source_of("permissives")
        line = source.split("\n").index("    def update(self, raw, dt_ms):") + 3
        same = Change("permissives", "Permissives.update", line, "", "", source)
        if items is None:
            verdict = in_child(FromTheStart(same, self.quick_files))
        else:
            verdict = in_child(InPlace(same, [items[self.tests[t]] for t in self.reaching(same)[:300]], 10.0))
        if verdict[0] != "survived":
            raise RuntimeError("the unchanged firmware is %s by %s" % verdict)

    def judge_at_import(self) -> None:
        for change in self.at_import:
            began = time.perf_counter()
            self.say(change, in_child(FromTheStart(change, self.quick_files)), began)

    def judge_in_functions(self, items: dict[str, pytest.Item]) -> None:
        for change in self.in_functions:
            began = time.perf_counter()
            reach = self.reaching(change)
            verdict = ("survived", "")
            for bound_s in (BUDGET_S, ALL_S) if THOROUGH else (BUDGET_S,):
                chosen, seconds = [], 0.0
                while reach and seconds < bound_s:
                    seconds += self.took[reach[0]]
                    chosen.append(items[self.tests[reach.pop(0)]])
                if chosen and verdict[0] == "survived":
                    verdict = in_child(InPlace(change, chosen, seconds))
            stories = [item for name, item in items.items() if name not in self.index]
            if stories and verdict[0] == "survived":
                verdict = in_child(InPlace(change, stories, ALL_S))
            self.say(change, verdict, began)


class Looper:
    """Plugin: in the place of running the tests, judges with them."""

    def __init__(self, judge: Judge):
        self.judge = judge

    def pytest_runtestloop(self, session) -> bool:  # type: ignore[no-untyped-def]
        items = {item.nodeid: item for item in session.items}
        self.judge.canary(items)
        self.judge.judge_in_functions(items)
        return True



def share(n: int, of: int, out: Path, chosen: list[Change]) -> int:
    """Judge every `of`-th of the changes, from the n-th, in a process that has not imported the firmware."""
    os.environ["CI"] = "1"  # property tests repeat
    os.chdir(ROOT)
    judge = Judge(n, of, out, chosen)
    import coverage  # noqa: F401 - these are imported once, for every child
    import hypothesis  # noqa: F401

    pid = os.fork()
    if not pid:
        code = 1
        try:
            code = int(pytest.main([*COMMON, *UNITS, *(STORIES if THOROUGH else [])], plugins=[Looper(judge)]))
        finally:
            os._exit(code)
    _, status = os.waitpid(pid, 0)
    if status:
        return 1
    judge.canary(None)
    judge.judge_at_import()
    return 0


if __name__ == "__main__":
    os.chdir(ROOT)
    sys.exit(make_map(Path(sys.argv[1]) / "map.json"))
