"""The evidence: kept results are read for what they are, states follow from them, and the page says what there is."""

from __future__ import annotations

import copy
import functools
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from scenarios import SHIPPED
from test_report import Page

from packwarden import batch, cli
from packwarden.commands import evidence as command
from packwarden.errors import InputError
from packwarden.safety import evidence, results, trace
from packwarden.safety.versions import firmware_hash
from packwarden.views import evidence as view

FEW = [path for path in SHIPPED if path.stem in ("interlock-lost", "estop-at-full-load")]
TEST = "tests/firmware/test_budgets.py::test_fault_to_open"


def junit(stamp: str, outcome: str = "") -> str:
    """Two tests as pytest writes them, one with parameters."""
    case = '<testcase classname="tests.firmware.test_budgets" name="test_fault_to_open[%d]">%s</testcase>'
    return (
        '<testsuites><testsuite timestamp="2026-01-02T03:04:05.6"><properties><property name="firmware" value="%s"/>'
        "</properties>%s%s</testsuite></testsuites>" % (stamp, case % (1, outcome), case % (2, ""))
    )


def cell(fault: str, mode: str, verdict: str, **outcome: Any) -> dict[str, Any]:
    """A cell of a campaign."""
    came = {"verdict": verdict, "said": [], "trip": None, "safe_ms": None, "budget_ms": None, "passed": [], **outcome}
    faults = [{"kind": fault, "place": -1, "size": 0.0}]
    return {"key": "k." + fault, "pack": "orchard-truck", "mode": mode, "faults": faults, "outcome": came}


def kept(folder: Path, cells: list[dict[str, Any]] | None = None, outcome: str = "") -> Path:
    """A folder of results of this very firmware."""
    stamp = firmware_hash()
    (folder / "tests.xml").write_text(junit(stamp, outcome))
    rows = [{"number": n, "holds": True, "claims": 3, "broken": [], "empty": []} for n in trace.PROPERTIES]
    (folder / "proof.json").write_text(json.dumps({"firmware": stamp, "properties": rows}))
    (folder / "campaign").mkdir()
    data = {"firmware": stamp, "profile": "quick", "seed": 1, "results": cells or [cell("estop", "drive", "safe")]}
    (folder / "campaign" / "campaign.json").write_text(json.dumps(data))
    return folder


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two short scenarios are enough here."""
    monkeypatch.setattr(batch, "shipped", lambda: FEW)


REALLY = evidence.run_scenarios


@functools.lru_cache(maxsize=1)
def scenarios_run() -> evidence.Part:
    """What they give, run once; not to be changed."""
    return REALLY(True, lambda *_: None)


def gathered(folder: Path, monkeypatch: pytest.MonkeyPatch) -> evidence.Part:
    """Everything, with kept results from `folder`."""
    monkeypatch.setattr(evidence, "run_scenarios", lambda _quick, _tell: copy.deepcopy(scenarios_run()))
    return evidence.collect("orchard-truck", evidence.kept_in(folder), True, lambda *_: None)


def requirement(data: evidence.Part, number: str) -> dict[str, Any]:
    """One requirement of what was gathered."""
    return next(r for r in data["requirements"] if r["id"] == number)


# -- kept results ---------------------------------------------------------------------------------------------


def test_nothing_kept_is_nothing_run(tmp_path: Path) -> None:
    """And each says how to get it."""
    for part in (
        results.tests(tmp_path / "x.xml", "f"), results.proof(tmp_path / "x", "f"),
        results.campaign(tmp_path / "x", "f"), results.coverage(tmp_path / "x"),
        results.mutants(tmp_path / "x"),
    ):  # fmt: skip
        assert part["run"] is False and part["why"]


def test_tests_count_only_on_this_firmware(tmp_path: Path) -> None:
    """Of other firmware, or not saying of which: not run."""
    file = tmp_path / "tests.xml"
    for stamp, run in (("f", True), ("g", False)):
        file.write_text(junit(stamp))
        part = results.tests(file, "f")
        assert part["run"] is run and bool(part["by_name"]) is run
    file.write_text(junit("f").replace('name="firmware"', 'name="other"'))
    assert "doesn't say" in results.tests(file, "f")["why"]


@pytest.mark.parametrize(
    "outcome, state, passed",
    [("", "held", 2), ("<failure/>", "broken", 1), ("<error/>", "broken", 1), ("<skipped/>", "held", 1)],
)
def test_a_test_fails_with_any_of_its_parameters(tmp_path: Path, outcome: str, state: str, passed: int) -> None:
    """Skipped with some: it ran with the others, and the counts say so."""
    file = tmp_path / "tests.xml"
    file.write_text(junit("f", outcome))
    row = results.tests(file, "f")["by_name"][TEST]
    assert (row["state"], row["passed"]) == (state, passed)


def test_proof_and_campaign_of_other_firmware_are_not_run(tmp_path: Path) -> None:
    """They are kept with the hash of the firmware that they looked at."""
    kept(tmp_path)
    for reader, file in ((results.proof, "proof.json"), (results.campaign, "campaign/campaign.json")):
        assert reader(tmp_path / file, firmware_hash())["run"] is True
        part = reader(tmp_path / file, "another")
        assert part["run"] is False and "other firmware" in part["why"]
        assert not part.get("cells") and not part.get("properties")


@pytest.mark.parametrize("text", ["", "{", "[]", '{"properties": 3, "results": 3, "files": 3}'])
def test_what_is_no_result_is_told(tmp_path: Path, text: str) -> None:
    """By its file."""
    file = tmp_path / "x"
    file.write_text(text)
    for reader in (results.tests, results.proof, results.campaign):
        with pytest.raises(InputError, match="x"):
            reader(file, "f")
    with pytest.raises(InputError, match="x"):
        results.coverage(file)


def test_mutants_count_with_the_digest_of_what_they_depend_on(tmp_path: Path) -> None:
    """Their own digest, of firmware and tests."""
    (tmp_path / "digest").write_text("old")
    (tmp_path / "verdicts-0.jsonl").write_text('{"key": "a", "verdict": "killed"}\n{"key": "b", "ver')
    assert "other firmware or tests" in results.mutants(tmp_path)["why"]
    (tmp_path / "digest").write_text(results.mutants_digest())
    assert results.mutants(tmp_path)["counts"]["killed"] == 1


def test_coverage_shows_the_firmware_only(tmp_path: Path) -> None:
    """Branches and lines of its files."""
    row = {"summary": {"percent_covered": 98.5, "num_statements": 200, "missing_lines": 3}}
    (tmp_path / "c").write_text(json.dumps({"files": {"firmware/warden/relay.py": row, "host/x.py": row}}))
    assert [r["file"] for r in results.coverage(tmp_path / "c")["rows"]] == ["firmware/warden/relay.py"]


# -- states ---------------------------------------------------------------------------------------------------


def test_two_kinds_hold_one_does_not(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """R5 has tests, a proof, a scenario and the campaign here; R20 would be short without its proof."""
    data = gathered(kept(tmp_path), monkeypatch)
    r5 = requirement(data, "R5")
    assert r5["state"] == "held" and set(r5["kinds"]) == {"tests", "proofs", "scenarios", "campaign"}
    assert r5["missing"] > 0  # other modes of the campaign, the other scenario
    (tmp_path / "proof.json").unlink()
    (tmp_path / "tests.xml").unlink()
    data = gathered(tmp_path, monkeypatch)
    assert requirement(data, "R7")["state"] == "one kind only" and requirement(data, "R1")["state"] == "not run"
    assert evidence.held(data)


def test_one_broken_piece_breaks_a_requirement(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever else holds."""
    data = gathered(kept(tmp_path, outcome="<failure/>"), monkeypatch)
    assert requirement(data, "R5")["state"] == "broken" and not evidence.held(data)


def test_a_hazard_with_an_answer_is_a_known_limit_and_one_without_breaks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the page shows the word, or that it is an open question."""
    cells = [
        cell("plug_unseen", "rest", "undetected hazard", passed=["drive_plugged_s"]),
        cell("main_welded", "rest", "hazard", passed=["make_gap_v"]),
    ]
    data = gathered(kept(tmp_path, cells), monkeypatch)
    assert requirement(data, "R14")["state"] == "known limit"
    assert requirement(data, "R13")["state"] == "broken"
    text = Page(view.page(data)).text()
    assert "a second contact of the plug" in text and "open question" in text


def test_times_are_the_longest_against_their_budget(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By scenarios and by the campaign."""
    trip = {"what": "69/estop", "ms": 10}
    cells = [cell("estop", m, "safe", trip=trip, safe_ms=ms, budget_ms=30) for m, ms in (("drive", 20), ("charge", 28))]
    data = gathered(kept(tmp_path, cells), monkeypatch)
    row = next(b for b in data["budgets"] if b["name"] == "69/estop")
    assert row["campaign"]["took_ms"] == 28 and 0 < row["scenario"]["took_ms"] <= 30
    assert row["scenario"]["where"] == "estop-at-full-load" and row["requirements"] == ["R5"]


def test_the_code_for_a_reset_is_never_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only whether there is one."""
    data = gathered(tmp_path, monkeypatch)
    (row,) = [row for row in data["settings"]["rows"] if row["name"] == "reset_code"]
    assert row["value"] == "not set"


# Keys whose texts are looked up and not shown, or stand in a list of such.
KEEP = ("state", "kind", "id", "verdict", "pickup", "dropout", "delay", "requirements", "hazards", "mode", "name")


# -- the page -------------------------------------------------------------------------------------------------


def test_it_needs_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file, no network, no script."""
    page = Page(view.page(gathered(kept(tmp_path), monkeypatch)))
    assert page.fetches() == []
    assert not any(tag == "script" for tag, _ in page.tags)
    (policy,) = [a["content"] for tag, a in page.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy == "default-src 'none'; style-src 'unsafe-inline'"


def test_everything_is_there_and_every_link_leads_somewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hazards, requirements, every row, every property; limits before all of it."""
    data = gathered(kept(tmp_path), monkeypatch)
    text = view.page(data)
    page = Page(text)
    ids = [attrs["id"] for _tag, attrs in page.tags if attrs.get("id")]
    assert len(ids) == len(set(ids))
    links = {(attrs["href"] or "")[1:] for tag, attrs in page.tags if tag == "a"}
    assert links <= set(ids)
    said = page.text()
    for h in trace.hazards():
        assert h.name in said and h.cannot in said
    for r in trace.requirements():
        assert r.text in said and r.id in ids
    for name in [*trace.PROPERTIES, *(e["name"] for e in data["tables"]["elements"]), data["settings"]["digest"]]:
        assert name in said
    assert text.index("It is not a certificate") < text.index('id="H1"')


def test_what_was_not_run_is_called_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No green anywhere on a page with nothing but two scenarios."""
    data = gathered(tmp_path, monkeypatch)
    page = view.page(data)
    assert "0 of 53 requirements held; none broken" in page.replace(str(len(trace.requirements())), "53")
    assert page.count("not run here") > len(trace.PROPERTIES)
    assert ">proved<" not in page


def test_no_text_becomes_markup(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every text of what was gathered, whatever it holds."""
    harm = "<script>alert(1)</script><b id='x'>&amp;"

    def harmed(value: Any, key: str = "") -> Any:
        if isinstance(value, dict):
            return {k: harmed(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [harmed(v, key) for v in value]
        return value + harm if isinstance(value, str) and key not in KEEP else value

    cells = [cell("main_welded", "rest", "hazard", passed=["make_gap_v"], why="x")]
    data = gathered(kept(tmp_path, cells), monkeypatch)
    clean, page = Page(view.page(data)), Page(view.page(harmed(data)))
    assert {tag for tag, _ in page.tags} <= {tag for tag, _ in clean.tags}
    assert not any(attrs.get("id") == "x" for _tag, attrs in page.tags)
    assert harm in page.text()


# -- the command ----------------------------------------------------------------------------------------------


def ran(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """Exit code of `packwarden evidence ...`."""
    monkeypatch.setattr(sys, "argv", ["packwarden", "evidence", *arguments])
    with pytest.raises(SystemExit) as left:
        cli.main()
    return int(left.value.code or 0)


def test_it_writes_a_page_and_its_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And exits 0 while nothing is broken."""
    kept(tmp_path)
    assert ran(monkeypatch, "--quick", "--out", str(tmp_path)) == 0
    assert "requirements" in capsys.readouterr().out
    data = json.loads((tmp_path / command.DATA).read_text())
    assert (tmp_path / command.PAGE).read_text() == view.page(data)


def test_what_broke_is_named_and_exits_1(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By requirement and piece of evidence."""
    kept(tmp_path, outcome="<failure/>")
    assert ran(monkeypatch, "--quick", "--out", str(tmp_path)) == 1
    assert "R5 broken by tests %s" % TEST in capsys.readouterr().out


def test_a_pack_that_is_not_there_exits_2_and_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In one line."""
    assert ran(monkeypatch, "--pack", "nothing", "--out", str(tmp_path / "x")) == 2
    assert not (tmp_path / "x").exists()
