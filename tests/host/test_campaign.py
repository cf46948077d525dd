"""The campaign: its plan is whole, its verdicts are right on cells whose answer is known, its record survives."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from scenarios import ROOT

from packwarden import batch, cli, packs
from packwarden.bench import campaign, cells, cluster, courses, hazards, outcome, scenario
from packwarden.bench.faults import KINDS
from packwarden.bench.inprocess import InProcess
from packwarden.bench.lane import Lane
from packwarden.bench.runner import run
from packwarden.commands.campaign import as_toml
from packwarden.errors import InputError

PACKS = {name: packs.load_pack(name) for name in packs.shipped()}


def judged(key: str) -> dict[str, Any]:
    """What comes of one cell."""
    cell = cells.parse(key)
    return outcome.run_cell({"cell": cell, "spec": outcome.spec_as_data(PACKS[cell["pack"]])})


# -- the plan ------------------------------------------------------------------------------------------------


def test_every_fault_is_planned_in_every_mode_in_both_packs() -> None:
    wanted = {(pack, kind.name, mode) for pack in PACKS for kind in KINDS.values() for mode in kind.modes}
    plan = cells.plan("default", 1, PACKS)
    assert {(c["pack"], c["faults"][0]["kind"], c["mode"]) for c in plan if len(c["faults"]) == 1} == wanted
    quick = {(c["faults"][0]["kind"], c["mode"]) for c in cells.plan("quick", 1, PACKS) if c["faults"]}
    assert quick == {(kind, mode) for _pack, kind, mode in wanted}


def test_every_size_of_every_fault_is_planned() -> None:
    sizes: dict[str, set[float]] = {}
    for c in cells.plan("default", 1, PACKS):
        if len(c["faults"]) == 1:
            sizes.setdefault(c["faults"][0]["kind"], set()).add(c["faults"][0]["size"])
    for kind in KINDS.values():
        assert {kind.low, kind.default, kind.high} <= sizes[kind.name]
        if kind.low != kind.high:
            assert len(sizes[kind.name]) >= 4, kind.name
    assert set(cells.SIZES) == {kind.name for kind in KINDS.values() if kind.low != kind.high}


def test_pairs_are_sampled_and_differ() -> None:
    pairs = [c for c in cells.plan("default", 1, PACKS) if len(c["faults"]) == 2]
    assert len(pairs) == cells.PROFILES["default"].pairs
    assert all(c["faults"][0]["kind"] != c["faults"][1]["kind"] for c in pairs)
    assert all(c["mode"] in KINDS[f["kind"]].modes for c in pairs for f in c["faults"])
    assert {c["mode"] for c in pairs} == set(courses.MODES)


def test_a_plan_is_the_same_each_time_and_another_with_another_seed() -> None:
    code = (
        "from packwarden import packs; from packwarden.bench import cells\n"
        "ps = {p: packs.load_pack(p) for p in packs.shipped()}\n"
        "print('\\n'.join(c['key'] for c in cells.plan('default', 7, ps)))"
    )
    env = dict(os.environ, PYTHONPATH="%s:%s" % (ROOT / "host", ROOT / "firmware"), PYTHONHASHSEED="5")
    said = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True).stdout
    keys = [c["key"] for c in cells.plan("default", 7, PACKS)]
    assert said.split("\n")[:-1] == keys and len(set(keys)) == len(keys)
    assert keys != [c["key"] for c in cells.plan("default", 8, PACKS)]


def test_a_key_says_the_whole_cell() -> None:
    plan = cells.plan("big", 3, PACKS)[::37]
    assert [cells.parse(c["key"]) for c in plan] == plan
    for wrong in ("", "orchard-truck", "orchard-truck.drive.no_such.t0.s1", "orchard-truck.drive.estop.t9.s1"):
        with pytest.raises((ValueError, KeyError)):
            cells.parse(wrong)


def test_a_sample_is_as_long_as_asked_and_goes_beyond_its_profile() -> None:
    assert len(cells.plan("default", 1, PACKS, runs=2000)) == 2000
    assert len(cells.plan("quick", 1, PACKS, runs=5000)) == 5000
    some = cells.plan("default", 1, PACKS, kinds=["estop"], modes=["drive"])
    assert some and all(c["mode"] == "drive" and "estop" in c["key"] for c in some)


def test_a_course_is_in_its_mode_when_its_fault_begins() -> None:
    for pack, spec in PACKS.items():
        for mode in courses.MODES:
            result = outcome.run_scenario(cells.cell(pack, mode, [], 0, 5), spec)
            for moment in courses.MOMENTS[mode]:
                entered = [e.t_s for e in result.events if e.kind == "change" and e.fields["to"] == moment.when_mode]
                at_s = moment.at_s + (entered[0] if moment.when_mode else 0.0)
                before = mode == "precharge" and not moment.when_mode
                assert result.mode_at(at_s + 0.001) == ("rest" if before else mode), (pack, mode, moment)
            assert outcome._judge_healthy(result)["verdict"] == "quiet"


# -- verdicts ------------------------------------------------------------------------------------------------


def test_an_open_lead_while_driving_is_said_and_tripped_in_time() -> None:
    o = judged("orchard-truck.drive.lead_open@3.t0.s100")
    assert o["verdict"] == "safe" and o["mode"] == "drive" and not o["passed"]
    assert o["first"]["what"] == "M1/alarm@3" and o["first"]["ms"] <= 1000
    assert o["trip"]["what"] == "M1/trip@3" and o["safe_ms"] <= o["budget_ms"] == 10000


def test_a_weld_while_driving_is_told_when_main_should_open() -> None:
    o = judged("orchard-truck.drive.main_welded.t0.s100")
    assert o["verdict"] == "safe" and o["trip"]["what"] == "72/open"
    # From the open command at key off, 23 s after the fault.
    assert o["trip"]["ms"] > 20000 and o["safe_ms"] <= o["budget_ms"] == 1000


def test_a_plug_that_is_not_seen_is_an_undetected_hazard() -> None:
    """Who drives off has forgotten the plug: nothing says so, and only hardware can."""
    o = judged("orchard-truck.rest.plug_unseen.t0.s100")
    assert o["verdict"] == "undetected hazard" and o["first"] is None
    assert o["passed"] == ["drive_plugged_s"] and o["hazards"]["drive_plugged_s"] > 5.0
    assert hazards.answers([{"kind": "plug_unseen"}], o["passed"])
    assert not hazards.answers([{"kind": "plug_unseen"}], [*o["passed"], "reversal_as"])


def test_what_the_right_answer_to_is_to_carry_on_is_no_failure() -> None:
    assert judged("lake-launch.drive.noise=1.t0.s100")["verdict"] == "harmless"
    assert judged("lake-launch.drive.line_garbage=100.t0.s100")["verdict"] == "harmless"
    assert judged("orchard-truck.drive.probe_open@1.t0.s100")["first"]["what"] == "M8/alarm@1"


def test_a_link_tap_that_drifts_is_said_while_driving() -> None:
    """It was said at no time, and the next precharge ended too soon."""
    o = judged("lake-launch.drive.link_gain=8.t0.s100")
    assert o["first"]["what"] == "M9/alarm" and o["first"]["ms"] <= 1000


def test_a_hazard_is_seen_when_the_relay_is_blind() -> None:
    """Canary: without 27 an empty module is reversed, and the verdict must say so."""
    spec = PACKS["orchard-truck"]
    cell = cells.parse("orchard-truck.drive.module_empty@3=0.t1.s100")
    data = courses.data(cell, False)
    data["settings"] = {"e27_on": 0, "e60_on": 0}
    result = run(scenario.from_data("t", data, cell["key"], spec), InProcess())
    measured = hazards.measure(result, result.faults[0].start_s or 0.0)
    limits = hazards.limits(spec, result.scenario.values)
    assert measured["reversal_as"] > limits["reversal_as"] and measured["below_floor_s"] > limits["below_floor_s"]
    o = judged(cell["key"])
    assert o["verdict"] == "safe" and o["trip"]["what"] == "27/floor@3"


def test_the_document_has_every_hazard_and_every_answer_in_hardware() -> None:
    text = " ".join((ROOT / "docs" / "campaign.md").read_text(encoding="utf-8").split())
    for row in hazards.HAZARDS:
        assert "| `%s` | %s |" % (row.name, row.about) in text and "| %s |" % row.why in text, row.name
    for kind, (names, what) in hazards.HARDWARE.items():
        assert "| `%s` | %s | %s |" % (kind, ", ".join("`%s`" % name for name in names), what) in text, kind


def test_a_crash_in_a_cell_is_an_outcome() -> None:
    cell = dict(cells.parse("orchard-truck.drive.estop.t0.s100"), moment=77)
    o = outcome.run_cell({"cell": cell, "spec": outcome.spec_as_data(PACKS["orchard-truck"])})
    assert o["verdict"] == "failed" and "IndexError" in o["why"]


def test_a_cell_says_the_same_through_json() -> None:
    cell = cells.parse("lake-launch.precharge.resistor_high=3.t0.s100")
    job = {"cell": cell, "spec": outcome.spec_as_data(PACKS["lake-launch"])}
    assert outcome.spec_of(json.loads(json.dumps(job["spec"]))) == PACKS["lake-launch"]
    assert json.loads(json.dumps(outcome.run_cell(job))) == outcome.run_cell(json.loads(json.dumps(job)))


def test_a_cell_as_a_file_is_the_same_scenario(tmp_path: Path) -> None:
    keys = ("lake-launch.precharge.settings_bit=40.t0.s100", "orchard-truck.charge.plug_unseen.t1.s7",
            "orchard-truck.lockout.lead_open@2+reset_stuck~0.5.t0.s100",
            "orchard-truck.drive.dried_out@3=0.3.t1.s9")  # fmt: skip
    for key in keys:
        cell = cells.parse(key)
        data = courses.data(cell, PACKS[cell["pack"]].boat is not None)
        file = tmp_path / (key + ".toml")
        file.write_text(as_toml(data))
        assert batch.load([str(file)], None)[0] == scenario.from_data("x", data, key, PACKS[cell["pack"]])


def test_show_writes_a_cell_that_bench_runs_and_says_what_came_of_it(tmp_path: Path) -> None:
    key = "orchard-truck.rest.plug_unseen.t0.s100"
    said = CliRunner().invoke(cli.cli, ["campaign", "--show", key, "--out", str(tmp_path)], catch_exceptions=False)
    assert said.exit_code == 1 and "undetected hazard" in said.output and "second contact" in said.output
    file = tmp_path / (key + ".toml")
    ran = CliRunner().invoke(cli.cli, ["bench", str(file), "--no-report"], catch_exceptions=False)
    assert ran.exit_code == 0, ran.output
    data = CliRunner().invoke(cli.cli, ["campaign", "--show", key, "--out", str(tmp_path), "--json"]).output
    assert json.loads(data)["outcome"] == judged(key)


def test_what_can_not_be_used_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    for wrong in (["--show", "orchard-truck.drive.no_such.t0.s1"], ["--fault", "lead_opne"], ["--pack", "no-such"],
                  ["--fault", "estop", "--mode", "drive", "--python", "no-such-python"],
                  ["--fault", "main_chatter", "--mode", "rest"]):  # fmt: skip
        with pytest.raises(InputError):
            arguments = ["campaign", "--profile", "quick", "--out", str(tmp_path / "out"), *wrong]
            CliRunner().invoke(cli.cli, arguments, catch_exceptions=False, standalone_mode=False)
        assert not (tmp_path / "out").exists()


# -- the record ----------------------------------------------------------------------------------------------


def small(n: int = 6) -> list[cells.Cell]:
    return cells.plan("quick", 1, PACKS, modes=["precharge"], runs=n)


def header(plan: list[cells.Cell], seed: int = 1) -> dict[str, Any]:
    return campaign.header_of("quick", seed, PACKS, plan)


def pretend(count: list[str], stop_after: int = 10**6) -> Callable[..., Any]:
    """A lane that makes outcomes up, and stops as if killed."""

    def lane(_function: str, jobs: Any) -> Any:
        for n, (key, job) in enumerate(jobs):
            if n >= stop_after:
                raise KeyboardInterrupt
            count.append(key)
            yield key, {"verdict": "harmless", "seed": job["cell"]["seed"]}

    return lane


def test_a_torn_line_is_dropped_and_its_cell_run_again(tmp_path: Path) -> None:
    plan, ran = small(), []  # type: list[cells.Cell], list[str]
    whole = campaign.Record(tmp_path / "a" / "results.jsonl", header(plan))
    campaign.run(plan, PACKS, whole, pretend(ran))
    whole.close()
    data = whole.path.read_bytes()
    last = data.rstrip(b"\n").rfind(b"\n") + 1
    for cut in (last + 1, (last + len(data)) // 2, len(data) - 1, last):
        torn = tmp_path / str(cut) / "results.jsonl"
        torn.parent.mkdir()
        torn.write_bytes(data[:cut])
        again: list[str] = []
        record = campaign.Record(torn, header(plan))
        assert record.dropped == cut - last
        campaign.run(plan, PACKS, record, pretend(again))
        record.close()
        assert again == ran[-1:]
        assert torn.read_bytes() == data
        assert campaign.final(header(plan), plan, record) == campaign.final(header(plan), plan, whole)


def test_a_header_torn_off_begins_anew(tmp_path: Path) -> None:
    plan = small()
    path = tmp_path / "results.jsonl"
    path.write_bytes(b'{"campaign":1,"pro')
    record = campaign.Record(path, header(plan))
    record.close()
    assert json.loads(path.read_bytes()) == header(plan) and not record.done


def test_a_record_of_another_campaign_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    plan = small()
    path = tmp_path / "results.jsonl"
    campaign.Record(path, header(plan)).close()
    before = path.read_bytes()
    same = header(plan)
    for changed in (header(plan, 2), header(small(7)), dict(same, firmware="0"), dict(same, settings={})):
        with pytest.raises(InputError, match="another campaign"):
            campaign.Record(path, changed)
        assert path.read_bytes() == before
    campaign.Record(path, header(plan, 2), fresh=True).close()
    assert json.loads(path.read_bytes())["seed"] == 2
    path.write_bytes(b"something else\nand more\n")
    with pytest.raises(InputError, match="header of a campaign"):
        campaign.Record(path, header(plan))


def test_two_runs_do_not_write_one_record(tmp_path: Path) -> None:
    plan = small()
    first = campaign.Record(tmp_path / "results.jsonl", header(plan))
    for fresh in (False, True):
        with pytest.raises(InputError, match="no other run"):
            campaign.Record(tmp_path / "results.jsonl", header(plan), fresh)
    first.close()
    campaign.Record(tmp_path / "results.jsonl", header(plan)).close()


def test_nothing_is_run_twice(tmp_path: Path) -> None:
    plan, first, second = small(), [], []  # type: list[cells.Cell], list[str], list[str]
    path = tmp_path / "results.jsonl"
    record = campaign.Record(path, header(plan))
    with pytest.raises(KeyboardInterrupt):
        campaign.run(plan, PACKS, record, pretend(first, 2))
    record.close()
    record = campaign.Record(path, header(plan))
    campaign.run(plan, PACKS, record, pretend(second))
    record.close()
    assert len(first) == 2 and sorted(first + second) == sorted(c["key"] for c in plan)


def test_ctrl_c_in_the_middle_of_keeping_leaves_every_line_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line was there twice: Ctrl-C came between writing it and knowing so, and closing wrote it again."""
    plan = small()
    path = tmp_path / "results.jsonl"
    for name in ("write", "fsync"):
        record = campaign.Record(path, header(plan), fresh=True)
        real = getattr(os, name)

        def then_stop(*given: Any, real: Any = real) -> Any:
            real(*given)
            raise KeyboardInterrupt

        for n, cell in enumerate(plan):
            with monkeypatch.context() as patch:
                patch.setattr(campaign.os, name, then_stop)
                with pytest.raises(KeyboardInterrupt):
                    record.add(cell["key"], {"n": n})
                    record.keep()
        record.close()
        found = [json.loads(line) for line in path.read_text().splitlines()]
        assert found == [header(plan), *({"key": c["key"], "outcome": {"n": n}} for n, c in enumerate(plan))]


# -- killed --------------------------------------------------------------------------------------------------

ARGUMENTS = ["--profile", "quick", "--mode", "precharge", "--runs", "12", "--workers", "2", "--python", sys.executable]


def start(out: Path, *more: str) -> "subprocess.Popen[str]":
    env = dict(os.environ, PYTHONPATH=str(ROOT / "host"))
    command = [sys.executable, "-m", "packwarden", "campaign", *ARGUMENTS, "--out", str(out), *more]
    return subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def lines(out: Path) -> int:
    path = out / "results.jsonl"
    return path.read_bytes().count(b"\n") if path.exists() else 0


def wait_for(process: "subprocess.Popen[str]", out: Path, count: int) -> bool:
    """Until the record has so many lines; False when the process ended before."""
    for _ in range(12000):
        if process.poll() is not None:
            return False
        if lines(out) >= count:
            return True
        time.sleep(0.01)
    raise AssertionError("no progress in two minutes")


def test_a_campaign_that_is_killed_again_and_again_ends_with_the_same_bytes(tmp_path: Path) -> None:
    """Main killed three times, a worker once, Ctrl-C once: against a run that nobody disturbed."""
    calm = start(tmp_path / "calm")
    _said, complaint = calm.communicate(timeout=300)
    assert calm.returncode in (0, 1), complaint
    out = tmp_path / "killed"
    for count in (1, 3, 6):
        process = start(out)
        assert wait_for(process, out, count)
        process.kill()
        process.communicate(timeout=120)
    process = start(out)
    assert wait_for(process, out, lines(out) + 1)
    process.send_signal(signal.SIGINT)
    _said, complaint = process.communicate(timeout=120)
    assert process.returncode == 130 and "the same command goes on" in complaint
    process = start(out)
    assert wait_for(process, out, lines(out))
    time.sleep(0.5)
    children = Path("/proc/%d/task/%d/children" % (process.pid, process.pid)).read_text().split()
    if children:
        os.kill(int(children[0]), signal.SIGKILL)
    _said, complaint = process.communicate(timeout=300)
    assert process.returncode == calm.returncode, complaint
    assert (out / "campaign.json").read_bytes() == (tmp_path / "calm" / "campaign.json").read_bytes()
    rows = [json.loads(line)["key"] for line in (out / "results.jsonl").read_text().splitlines()[1:]]
    assert len(rows) == len(set(rows)) == 12
    refused = start(out, "--seed", "2")
    _said, complaint = refused.communicate(timeout=120)
    assert refused.returncode == 2 and "another campaign" in complaint


def test_a_worker_that_is_killed_is_replaced_and_its_cell_run_again(tmp_path: Path) -> None:
    plan = small(8)
    lane = Lane(2, sys.executable)
    record = campaign.Record(tmp_path / "results.jsonl", header(plan))

    def with_a_death(function: str, jobs: Any) -> Any:
        for n, pair in enumerate(lane.run(function, jobs)):
            if n == 1:
                children = Path("/proc/self/task/%d/children" % os.getpid()).read_text().split()
                os.kill(int(children[-1]), signal.SIGKILL)
            yield pair

    campaign.run(plan, PACKS, record, with_a_death)
    lane.close()
    record.close()
    assert sorted(record.done) == sorted(c["key"] for c in plan)
    assert all(o["verdict"] != "failed" for o in record.done.values())


def test_a_cluster_gives_the_same_bytes_though_a_worker_dies(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    plan = small(8)
    ours = campaign.Record(tmp_path / "ours.jsonl", header(plan))
    lane = Lane(2, sys.executable)
    campaign.run(plan, PACKS, ours, lane.run)
    lane.close()
    ours.close()
    theirs = campaign.Record(tmp_path / "theirs.jsonl", header(plan))
    local = distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None)
    try:
        far = cluster.Cluster(local.scheduler_address)
        pids = sorted(far.client.run(os.getpid).values())
        killed = []

        def with_a_death(function: str, jobs: Any) -> Any:
            for pair in far.run(function, jobs):
                if not killed:
                    killed.append(pids[0])
                    os.kill(pids[0], signal.SIGKILL)
                yield pair

        campaign.run(plan, PACKS, theirs, with_a_death)
        assert killed
        far.close()
    finally:
        local.close()
        theirs.close()
    assert campaign.final(header(plan), plan, theirs) == campaign.final(header(plan), plan, ours)


def test_a_scheduler_that_is_not_there_is_an_input_error() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="running scheduler"):
        cluster.Cluster("tcp://127.0.0.1:9")
