"""What a campaign shows: the page and the table, from outcomes that are made up so that every verdict is there."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from packwarden import packs
from packwarden.bench import campaign, cells, outcome
from packwarden.views import campaign_page, campaign_table
from packwarden.views.campaign_sums import SIGN, Sums, verdict, worst

PACKS = {name: packs.load_pack(name) for name in packs.shipped()}


def made_up() -> Sums:
    """A campaign in which the verdicts take turns."""
    plan = cells.plan("default", 1, PACKS, runs=300)
    rows = []
    names = [name for name in SIGN if name not in ("quiet", "false alarm")]
    for n, cell in enumerate(plan):
        name = names[n % len(names)] if cell["faults"] else ("quiet", "false alarm")[n % 2]
        o: dict[str, Any] = {"verdict": name, "hazards": {"break_a": 300.0}, "acted": False}
        if name in ("safe", "late", "detected", "hazard"):
            o["first"] = {"what": "M1/alarm@3", "ms": 700}
        if name in ("safe", "late"):
            o.update(trip={"what": "M1/trip@3", "ms": 9600}, safe_ms=9600 if name == "safe" else 12000, budget_ms=10000)
        if "hazard" in name:
            o["passed"] = ["break_a"]
        if name == "failed":
            o = {"verdict": "failed", "why": "PlantError: <b>out</b> of bounds"}
        if name in ("quiet", "false alarm"):
            o["false_alarms"] = ["27/rest@2"] if name == "false alarm" else []
        rows.append(dict(cell, outcome=o))
    return Sums(dict(campaign.header_of("default", 1, PACKS, plan), results=rows))


SUMS = made_up()


def test_the_page_needs_nothing_else_and_says_every_verdict_in_words_and_shape() -> None:
    text = campaign_page.page(SUMS)
    assert not re.findall(r"""(?:src|href)=["'](?!#)|url\(|@import""", text)
    for name in SIGN:
        assert ">%s<" % name in text, name
    assert len({campaign_page.SHAPES[name] for name in SIGN if name not in ("quiet", "harmless")}) == len(SIGN) - 2
    assert "&lt;b&gt;out&lt;/b&gt;" in text and "<b>out</b>" not in text
    # Every tile leads to the cells of its kind.
    tiles = set(re.findall(r'<a href="#(k-[a-z_0-9]+)" aria-label', text))
    assert tiles and tiles <= set(re.findall(r'<details id="(k-[a-z_0-9]+)"', text))


def test_what_stands_out_comes_with_its_command() -> None:
    text = campaign_page.page(SUMS)
    bad = SUMS.bad()
    assert {verdict(row) for row in bad} == set(outcome.BAD)
    for row in bad:
        assert "packwarden campaign --show %s<" % row["key"] in text
    assert not SUMS.held and "stand out with no answer" in text


def test_the_table_says_what_the_page_says() -> None:
    out = io.StringIO()
    campaign_table.show(Console(file=out, width=150), SUMS)
    text = out.getvalue()
    for name in SIGN:
        assert "%s %s" % (SIGN[name][0], name) in text, name
    assert "M1/trip" in text and "break_a" in text and SUMS.bad()[0]["key"] in text


def test_the_worst_of_a_tile_counts() -> None:
    assert worst({"safe": 9, "hazard": 1}) == "hazard" and worst({"harmless": 3, "safe": 1}) == "safe"
    assert worst({"hazard": 0, "safe": 2}) == "safe"


def test_a_campaign_that_is_all_well_is_held() -> None:
    data = json.loads(json.dumps(dict(SUMS.header, results=[row for row in SUMS.rows if verdict(row) == "safe"])))
    text = campaign_page.page(Sums(data))
    assert Sums(data).held and "stands out" in text and "answer in hardware" not in text
    known = next(row for row in SUMS.rows if row["faults"] and row["faults"][0]["kind"] != "plug_unseen")
    known = dict(known, faults=[{"kind": "plug_unseen", "place": -1, "size": 0.0}], mode="rest", moment=0)
    passed = {"drive_plugged_s": 6.0}
    known["outcome"] = {"verdict": "undetected hazard", "passed": list(passed), "hazards": passed}
    text = campaign_page.page(Sums(dict(data, results=[*data["results"], known])))
    assert Sums(dict(data, results=[known])).held and "all have their answer in hardware" in text


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium here")
def test_a_browser_opens_what_a_tile_leads_to(tmp_path: Path) -> None:
    file = tmp_path / "campaign.html"
    file.write_text(campaign_page.page(SUMS), encoding="utf-8")
    kind = next(kind for kind, _mode in SUMS.matrix)
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--user-data-dir=%s" % (tmp_path / "profile")]
    command = ["chromium", *flags, "--dump-dom", "%s#k-%s" % (file.as_uri(), kind)]
    dom = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
    assert '<details id="k-%s" open' % kind in dom and dom.count("<details open") + dom.count('" open') == 1
