"""The command: what it prints, what it writes, how it exits."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from scenarios import ROOT, ran

from packwarden import batch, cli
from packwarden.bench import schema, tables
from packwarden.bench.faults import KINDS
from packwarden.bench.inprocess import InProcess
from packwarden.bench.result import Change
from packwarden.bench.target import EVERYTHING, TargetError
from packwarden.errors import InputError
from packwarden.views import export, words

STOPPED = """
[scenario]
name = "stopped"
about = "pressed while driving"
pack = "orchard-truck"
[[course]]
do = "drive"
speed_kmh = 25
for_s = 16
[[fault]]
at_s = 10
kind = "estop"
[[input]]
at_s = 14
name = "key"
value = 0
[[expect]]
trip = "69/estop"
fault = 1
[[expect]]
mode = "lockout"
"""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to be in, with one scenario that holds and one that does not."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stopped.toml").write_text(STOPPED)
    broken = STOPPED.replace('"stopped"', '"broken"').replace('mode = "lockout"', 'mode = "drive"')
    (tmp_path / "broken.toml").write_text(broken)
    return tmp_path


def said(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of `packwarden WORDS`, in this process."""
    monkeypatch.setattr(sys, "argv", ["packwarden", *words])
    with pytest.raises(SystemExit) as end:
        cli.main()
    out = capsys.readouterr()
    assert isinstance(end.value.code, int)
    return end.value.code, out.out, out.err


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Any:
    """`said` with its fixtures filled in."""
    return lambda *words: said(monkeypatch, capsys, *words)


def written(folder: Path) -> list[str]:
    """Files below a folder, hidden ones too, but for the two scenarios."""
    found = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    return sorted(name for name in found if name not in ("stopped.toml", "broken.toml"))


# -- bench ---------------------------------------------------------------------------------------------------


def test_what_holds_exits_0_and_leaves_a_report(here: Path, run: Any) -> None:
    code, out, _err = run("bench", "stopped.toml")
    assert code == 0
    assert "69 estop" in out and "held" in out and "BROKEN" not in out
    assert "scans 10 ms" in out
    assert written(here) == ["out/stopped.html"]


def test_what_does_not_hold_exits_1(here: Path, run: Any) -> None:
    code, out, _err = run("bench", "broken.toml", "--report", "page.html")
    assert code == 1 and "BROKEN" in out and "mode drive at the end" in out
    assert written(here) == ["page.html"]


def test_a_scenario_that_expects_nothing_says_so(here: Path, run: Any) -> None:
    """It can't fail: whoever forgot to say what must be true should not read a green line."""
    text = '[scenario]\nname = "idle"\nabout = "a"\npack = "orchard-truck"\n[[course]]\ndo = "park"\nfor_s = 1\n'
    (here / "idle.toml").write_text(text)
    for more in ((), ("--json",)):
        code, out, err = run("bench", "idle.toml", "--no-report", *more)
        assert code == 0 and "idle: nothing was expected" in err
    code, out, err = run("bench", "stopped.toml", "--no-report")
    assert "nothing was expected" not in err


def test_many_are_summed_up(here: Path, run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for n in range(3):
        (here / ("s%d.toml" % n)).write_text(STOPPED.replace('"stopped"', '"s%d"' % n))
    code, out, _err = run("bench", "s0.toml", "s1.toml", "broken.toml", "s2.toml", "--no-report")
    assert code == 1 and "3 of 4 scenarios held" in out
    assert "tripped 69 estop, 20 ms after fault 1" in out
    assert not (here / "out").exists()


UNUSABLE = {
    "no scenario": ("bench",),
    "unknown scenario": ("bench", "stoped"),
    "a folder for a file": ("bench", "."),
    "unknown target": ("bench", "stopped.toml", "--target", "toaster"),
    "seed": ("bench", "stopped.toml", "--seed", "-1"),
    "the second is wrong": ("bench", "stopped.toml", "wrong.toml"),
    "twice the same": ("bench", "stopped.toml", "stopped.toml"),
    "all and one": ("bench", "--all", "stopped.toml"),
    "one report for two": ("bench", "stopped.toml", "broken.toml", "--report", "x.html"),
    "out is a file": ("bench", "stopped.toml", "--out", "stopped.toml"),
    "unknown pack": ("pack", "wheelbarrow"),
    "unknown cycle": ("cycle", "round-the-block"),
    "no settings file": ("settings", "check", "none.toml"),
    "unknown command": ("drive",),
}


@pytest.mark.parametrize("why", UNUSABLE)
def test_unusable_input_exits_2_with_one_line_and_writes_nothing(here: Path, run: Any, why: str) -> None:
    (here / "wrong.toml").write_text(STOPPED.replace('"stopped"', '"wrong"').replace("at_s = 10", "at_s = -10"))
    code, out, err = run(*UNUSABLE[why])
    assert code == 2 and out == ""
    assert len(err.splitlines()) == 1 and err.endswith("\n")
    assert written(here) == ["wrong.toml"] and not (here / "out").exists()


def test_an_error_names_file_key_value_and_range(here: Path, run: Any) -> None:
    (here / "wrong.toml").write_text(STOPPED.replace('"stopped"', '"wrong"').replace("at_s = 10", "at_s = -10"))
    _code, _out, err = run("bench", "wrong.toml")
    assert err == "wrong.toml: fault[1].at_s = -10: allowed a number from 0 to 864000 s\n"


def test_seed_is_in_place_of_the_scenarios_own(here: Path, run: Any) -> None:
    runs = [json.loads(run("bench", "stopped.toml", "--no-report", "--json", *more)[1])["runs"][0]
            for more in ((), ("--seed", "1"), ("--seed", "8"))]  # fmt: skip
    for each in runs:
        each["wall_s"] = 0
    assert runs[0] == runs[1]
    assert runs[2]["seeds"]["plant"] == 8
    assert runs[2]["figures"]["worst_module_v"] != runs[0]["figures"]["worst_module_v"]


# -- two targets ---------------------------------------------------------------------------------------------


class Odd(InProcess):
    """A relay that differs: one digit of one late line, or one output bit for one scan."""

    name = "odd"

    def __init__(self, spoil_line: bool, spoil_bit: bool) -> None:
        super().__init__()
        self.spoil_line, self.spoil_bit, self.scans = spoil_line, spoil_bit, 0

    def scan(self, frame: Any) -> Any:
        reply = super().scan(frame)
        self.scans += 1
        if self.scans > 500 and self.spoil_line and b"\nmods" in b"\n" + reply.tx:
            reply.tx = reply.tx.replace(b" med=1", b" med=2")
            self.spoil_line = False
        if self.scans == 600 and self.spoil_bit:
            reply.out_bits ^= 32
        return reply


@pytest.mark.parametrize(("line", "bit"), [(False, False), (True, False), (False, True)])
def test_both_targets_must_say_the_same(
    here: Path, run: Any, monkeypatch: pytest.MonkeyPatch, line: bool, bit: bool
) -> None:
    made = {"in-process": InProcess, "interpreter": lambda: Odd(line, bit)}
    monkeypatch.setattr(tables, "make_target", lambda name: made[name]())
    code, out, _err = run("bench", "stopped.toml", "--target", "both", "--lines", "--json")
    data = json.loads(out)
    first, second = data["runs"]
    assert (first["target"], second["target"]) == ("in-process", "odd")
    compared = second["compared"]
    assert written(here) == ["out/stopped.html", "out/stopped.in-process.lines", "out/stopped.odd.lines"]
    page = (here / "out/stopped.html").read_text()
    if not line and not bit:
        assert code == 0 and compared["same"] is True and data["held"]
        assert "byte for byte" in compared["text"] and "byte for byte" in page
        return
    assert code == 1 and compared["same"] is False and not data["held"] and "The targets differ" in page
    if line:
        ours = (here / "out/stopped.in-process.lines").read_bytes().split(b"\n")
        theirs = (here / "out/stopped.odd.lines").read_bytes().split(b"\n")
        at = next(n for n in range(len(ours)) if ours[n] != theirs[n])
        assert "line %d on" % (at + 1) in compared["text"]
        assert ours[at].decode() in compared["text"] and theirs[at].decode() in compared["text"]
    else:
        assert "their outputs differ from 6.00 s on" in compared["text"]


def test_compare_sees_a_stream_cut_short() -> None:
    result = ran()
    cut = result.lines[: result.lines.index(b"\n", 5000) + 1]
    same, text = batch.compare(result, replace(result, lines=cut))
    assert not same and "line %d on" % (cut.count(b"\n") + 1) in text
    more = [*result.changes, Change(19.0, 1)]
    assert batch.compare(result, replace(result, changes=more)) == (
        False, "in-process and in-process say the same, but their outputs differ from 19.00 s on")  # fmt: skip


def test_the_real_interpreter_says_the_same(here: Path, run: Any) -> None:
    try:
        tables.make_target("interpreter")
    except TargetError as error:
        pytest.skip(str(error))
    code, out, _err = run("bench", "stopped.toml", "--target", "both", "--no-report")
    assert code == 0 and "byte for byte" in out and "MicroPython" in out


def test_a_missing_interpreter_is_unusable_input(here: Path, run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(_name: str) -> Any:
        raise TargetError("no micropython command: how to get one")

    monkeypatch.setattr(tables, "make_target", none)
    code, _out, err = run("bench", "stopped.toml", "--target", "interpreter")
    assert code == 2 and err == "packwarden: no micropython command: how to get one\n" and written(here) == []


def test_a_target_that_fails_on_the_way_breaks_the_run_and_not_the_others(
    here: Path, run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Dies(InProcess):
        lives = 1

        def scan(self, frame: Any) -> Any:
            Dies.lives += 1
            if Dies.lives == 900:
                raise TargetError("it stopped")
            return super().scan(frame)

    monkeypatch.setattr(tables, "make_target", lambda _name: Dies())
    (here / "other.toml").write_text(STOPPED.replace('"stopped"', '"other"'))
    code, out, _err = run("bench", "stopped.toml", "other.toml", "--json")
    data = json.loads(out)
    assert code == 1 and data["failed"] == [{"scenario": "stopped", "why": "in-process: it stopped"}]
    assert [each["scenario"] for each in data["runs"]] == ["other"] and data["runs"][0]["held"]
    assert written(here) == ["other.toml", "out/other.html"]


def test_what_a_target_can_not_do_is_unusable_input(here: Path, run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    class Plain(InProcess):
        can = EVERYTHING - {"power"}

    monkeypatch.setattr(tables, "make_target", lambda _name: Plain())
    code, _out, err = run("bench", "brown-out-in-drive", "--out", "out")
    assert code == 2 and "power" in err and not (here / "out").exists()


# -- files and interruption ----------------------------------------------------------------------------------


@pytest.mark.parametrize("error", [OSError("full"), KeyboardInterrupt()])
def test_a_file_is_written_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    path = tmp_path / "new" / "page.html"
    batch.write(path, "before")

    def fail(*_args: Any) -> None:
        raise error

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises((InputError, KeyboardInterrupt)):
        batch.write(path, "after")
    assert [p.name for p in path.parent.iterdir()] == ["page.html"]
    assert path.read_text() == "before"


@pytest.mark.parametrize("target", ["in-process", "interpreter"])
def test_interrupted_exits_130_and_leaves_nothing(tmp_path: Path, target: str) -> None:
    if target == "interpreter":
        try:
            tables.make_target(target)
        except TargetError as error:
            pytest.skip(str(error))
    env = {**os.environ, "PYTHONPATH": str(ROOT / "host")}
    command = [sys.executable, "-m", "packwarden", "bench", "estop-at-full-load", "normal-day", "--target", target]
    # A group of its own, so that the signal reaches the interpreter, too, as Ctrl-C at a terminal does.
    child = subprocess.Popen(
        command, cwd=tmp_path, env=env, stderr=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
    )
    for _ in range(600):
        if (tmp_path / "out" / "estop-at-full-load.html").exists():
            break
        time.sleep(0.05)
    time.sleep(0.5)
    os.killpg(child.pid, signal.SIGINT)
    _out, err = child.communicate(timeout=30)
    assert child.returncode == 130 and err.strip() == b"packwarden: interrupted"
    # The first was done, so its report is there and whole; of the second there is nothing.
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["estop-at-full-load.html"]
    assert (tmp_path / "out" / "estop-at-full-load.html").read_text().endswith("</html>\n")


def test_progress_is_told_in_plain_lines_where_nobody_watches(monkeypatch: pytest.MonkeyPatch) -> None:
    from packwarden.views import progress

    monkeypatch.setattr(progress, "LINE_S", 0.0)
    with Path(os.devnull).open("w") as stream:
        console = Console(file=stream, record=True)
        with progress.progress(console) as tell:
            tell("a drive", 0.0, 60.0)
            tell("a drive", 15.0, 60.0)
        assert console.export_text() == "a drive: 25 %\n"


# -- JSON ----------------------------------------------------------------------------------------------------

OPEN = ("settings", "seeds", "figures", "counters", "files", "events.fields")  # objects whose keys are data


def paths_of(data: Any, head: str = "") -> set[str]:
    """Every key of nested data as a dotted path; those of a list's objects under the list's name."""
    out: set[str] = set()
    if isinstance(data, list):
        for each in data:
            out |= paths_of(each, head)
    elif isinstance(data, dict) and head.rstrip(".") not in OPEN:
        for key, value in data.items():
            out |= {head + key} | paths_of(value, head + key + ".")
    return out


def test_every_key_of_the_json_is_documented_and_every_documented_key_is_there() -> None:
    fault = [{"at_s": 10, "kind": "estop"}]
    result = ran(fault=fault, expect=[{"trip": "69/estop", "fault": 1}])
    data = json.loads(json.dumps(export.as_data(result, words.Context("a Python", same=True, compared="x"))))
    assert paths_of(data) == {key for key, _type, _about in export.KEYS}
    types: dict[str, Any] = {"text": str, "whole": int, "number": (int, float), "flag": bool}
    types.update(list=list, object=dict)
    for key, kind, _about in export.KEYS:
        value: Any = data
        for part in key.split("."):
            value = value[0] if isinstance(value, list) else value
            value = value[part]
        allowed = types[kind.split()[0]]
        assert value is None and "null" in kind or isinstance(value, allowed), key


def test_the_page_about_results_has_the_keys() -> None:
    assert export.reference() in (ROOT / "docs" / "results.md").read_text(encoding="utf-8")


def test_json_says_the_same_as_the_run() -> None:
    result = ran(fault=[{"at_s": 10, "kind": "estop"}], expect=[{"trip": "69/estop", "fault": 1}])
    data = export.as_data(result, words.Context())
    (trip,) = [done for done in data["operations"] if done["trips"]]
    assert (trip["took_ms"], trip["budget_ms"], trip["margin_ms"]) == (20, 30, 10)
    assert data["figures"]["distance_km"] == result.hazards["distance_km"]
    assert len(data["events"]) == len(result.events)


def test_csv_has_every_row_and_column() -> None:
    result = ran()
    rows = export.as_csv(result).splitlines()
    assert rows[0].split(",") == list(result.traces)
    assert len(rows) == 1 + len(result.traces["t_s"])
    last = dict(zip(rows[0].split(","), map(float, rows[-1].split(","))))
    assert last["t_s"] == 20.0 and last["module_v.11"] == pytest.approx(result.traces["module_v.11"][-1], rel=1e-5)


# -- what there is -------------------------------------------------------------------------------------------


def test_lists_are_whole(run: Any) -> None:
    assert [row["kind"] for row in json.loads(run("faults", "--json")[1])] == list(KINDS)
    elements = json.loads(run("elements", "--json")[1])
    assert [(e["element"], e["stage"]) for e in elements] == [(r.number, r.stage) for r in tables.element_rows()]
    assert {e["element"] for e in elements if e["trips"]} >= {"27", "59", "76", "49", "48", "72", "69"}
    assert [row["name"] for row in json.loads(run("settings", "--json")[1])] == [r.name for r in tables.setting_rows()]
    names = [row["name"] for row in json.loads(run("scenarios", "--json")[1])]
    assert names == sorted(p.stem for p in batch.shipped()) and "udds-weak-module" in names
    assert run("bench", "--list")[1] == run("scenarios")[1]
    assert {row["name"] for row in json.loads(run("pack", "--json")[1])} >= {"orchard-truck", "lake-launch"}
    (udds,) = json.loads(run("cycle", "udds", "--json")[1])
    assert udds["length_s"] == 1369 and udds["stops"] == 17


@pytest.mark.parametrize("command", ["faults", "elements", "settings", "scenarios", "pack", "cycle"])
def test_tables_say_something_about_each(run: Any, command: str) -> None:
    code, out, err = run(command)
    assert code == 0 and err == ""
    first = json.loads(run(command, "--json")[1])[0]
    assert str(next(iter(first.values()))) in out and first["about"][:40] in out


def test_the_digest_is_the_one_that_the_relay_shows(run: Any) -> None:
    assert json.loads(run("pack", "orchard-truck", "--json")[1])["settings_digest"] == ran().settings_digest
    changed = ran(settings={"v27_delay_ms": 3000, "box_modules.0": 5})
    Path("s.toml").write_text('v27_delay_ms = 3000\n"box_modules.0" = 5\n')
    found = json.loads(run("settings", "check", "s.toml", "--pack", "orchard-truck", "--json")[1])
    Path("s.toml").unlink()
    assert found == {"file": "s.toml", "digest": changed.settings_digest, "given": 2, "changed": ["v27_delay_ms"]}


BAD_SETTINGS = {
    "v27_pickup_mv = 99999": "v27_pickup_mv = 99999: allowed a whole number from 500 to 15000 mV",
    "v27_pickup_mv = 10.5": "v27_pickup_mv = 10.5: allowed a whole number",
    "v27_pickup_mv = true": "v27_pickup_mv = true: allowed a whole number",
    "v27_pickup = 10500": "v27_pickup = 10500: allowed a known word; did you mean v27_pickup_mv?",
    "box_modules = [5, 7]": "box_modules = [5, 7]: allowed a list of 6 whole numbers",
    "box_modules = 12": "box_modules = 12: allowed box_modules.0 to box_modules.5",
    "n_modules = 11": "box_modules = 12: allowed a sum equal to n_modules = 11",
    "v27_dropout_mv = 10500": "allowed at most v27_dropout_mv - 50",
    "[settings]\nn_modules = 12\n[other]\nx = 1": "[other]: allowed nothing beside [settings]",
    "v27_pickup_mv = ": "allowed valid TOML",
}


@pytest.mark.parametrize("text", BAD_SETTINGS)
def test_bad_settings_are_told(here: Path, run: Any, text: str) -> None:
    (here / "s.toml").write_text(text)
    code, _out, err = run("settings", "check", "s.toml")
    assert code == 2 and err.startswith("s.toml: ") and BAD_SETTINGS[text] in err


def test_good_settings_are_told(here: Path, run: Any) -> None:
    (here / "s.toml").write_text("[settings]\nbox_modules = [6, 6, 0, 0, 0, 0]\nv27_pickup_mv = 10400\n")
    code, out, _err = run("settings", "check", "s.toml")
    assert code == 0 and "2 given, 3 other than the defaults" in out


def test_alone_it_says_what_it_can_do(run: Any) -> None:
    code, out, err = run()
    assert code == 0 and err == "" and set(cli.cli.commands) <= set(out.split())


# -- words ---------------------------------------------------------------------------------------------------


def test_there_are_words_for_everything_that_the_relay_can_say() -> None:
    from warden.sequence import TRANSITIONS

    assert {row[4] for row in TRANSITIONS} == set(words.WHY)
    assert set(words.HANDS) == set(schema.HANDS)
    for row in tables.element_rows():
        ix = 0 if row.watches == "string" else 3
        text = words.meaning(row.number, row.stage, ix)
        assert text != "unknown element" and ("3" in text) == bool(ix)
        value = words.value_of(row.number, row.stage, 1234)
        assert (value == "") == (row.pickup in (0, 1)) and value.replace(".", "")[:2] in ("", "12")
    assert words.meaning("27", "derate", 4) == "module 4 low, load compensated: ask for less"
    assert words.meaning("M1", "alarm", 8) == "module 8: open sense lead"
    assert words.value_of("27", "floor", 7940) == "7.94 V" and words.value_of("76", "inst", 451000) == "451.0 A"


def test_modules_named_by_what_happened_come_first() -> None:
    start = {"charge_state": 0.9, "module": {"2": {"resistance": 1.1}}}
    result = ran(start=start, fault=[{"at_s": 10, "kind": "lead_open", "module": 9}])
    assert words.bound_modules(result)[0] == 8 and 1 in words.bound_modules(result)
    assert len(words.bound_modules(ran())) == 1
