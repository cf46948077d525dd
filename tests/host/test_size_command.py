"""`packwarden size`: what it prints, what it writes, how it exits."""

from __future__ import annotations

import json
import math
import sys
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from packwarden import cli, packs
from packwarden.commands.size import as_data
from packwarden.sizing import topics
from packwarden.sizing.job import Job
from packwarden.sizing.parts import load_parts
from packwarden.sizing.result import VERDICTS, Curve, Plot
from packwarden.views.plot import svg
from packwarden.views.sizing_page import page
from packwarden.views.sizing_table import amount

RESULT_KEYS = {
    "name", "what", "value", "unit", "limit", "verdict", "word", "formula", "source", "assumes", "caution"
}  # fmt: skip
ALONE = {"meta", "br", "hr", "input", "link", "img", "path", "circle"}


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Any:
    """Exit code, stdout and stderr of `packwarden size WORDS`, in an empty folder."""
    monkeypatch.chdir(tmp_path)

    def go(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["packwarden", "size", *words])
        with pytest.raises(SystemExit) as end:
            cli.main()
        out = capsys.readouterr()
        assert isinstance(end.value.code, int)
        return end.value.code, out.out, out.err

    return go


def test_the_truck_is_told_topic_by_topic(run: Any, tmp_path: Path) -> None:
    code, out, err = run()
    assert code == 0 and err == ""
    for topic in topics.TOPICS:
        assert "%s  %s" % (topic.name, topic.about) in out
    assert "187 mV" in out and "refuse: 0" in out and "Caution:" in out
    assert "taps.module_3" not in out
    assert list(tmp_path.iterdir()) == [], "nothing is written unasked"


def test_all_shows_formulas_and_sources(run: Any) -> None:
    code, out, _ = run("--only", "precharge", "--all")
    assert code == 0 and "Kirchhoff" in out and "C V^2 / 2" in out


def test_list(run: Any) -> None:
    code, out, _ = run("--list")
    assert code == 0 and [line.split()[0] for line in out.splitlines()] == list(topics.NAMES)


def test_json(run: Any) -> None:
    code, out, err = run("lake-launch", "--json")
    data = json.loads(out)
    assert code == 0 and err == ""
    assert data["pack"] == "lake-launch" and data["parts"] == "reference" and data["held"] is True
    assert [t["topic"] for t in data["topics"]] == list(topics.NAMES)
    results = [r for t in data["topics"] for r in t["results"]]
    assert all(set(r) == RESULT_KEYS for r in results)
    assert all(r["verdict"] in VERDICTS and math.isfinite(r["value"]) for r in results)
    assert sum(data["verdicts"].values()) == len(results)
    assert "NaN" not in out and "Infinity" not in out


def test_a_refused_setting_exits_1_and_says_why(run: Any, tmp_path: Path) -> None:
    """A pack whose 60 lies below what measuring alone can err."""
    (tmp_path / "my-car.toml").write_text(
        'name = "my-car"\nabout = "mine"\nboxes = [12]\n[settings]\nv60_pickup_mv = 300\nv60_dropout_mv = 250\n'
    )
    code, out, _ = run("my-car.toml", "--only", "thresholds")
    assert code == 1
    out = " ".join(out.split())
    assert "refuse thresholds.60_alarm.balanced" in out and "the pickup lies below the error" in out
    code, out, _ = run("my-car.toml", "--only", "thresholds", "--json")
    assert code == 1 and json.loads(out)["held"] is False
    code, _, _ = run("my-car.toml", "--only", "coil")
    assert code == 0, "other topics are not asked"


def test_cheaper_resistors_are_refused_by_60(run: Any, tmp_path: Path) -> None:
    """The file of parts reaches the budget."""
    (tmp_path / "mine.toml").write_text('name = "mine"\n[divider]\ntempco_per_k = 50e-6\n')
    code, out, _ = run("--parts", "mine.toml", "--only", "thresholds")
    assert code == 1 and "with the parts of mine" in out and "thresholds.60_alarm" in out


@pytest.mark.parametrize("words, says", [
    (("no-such-pack",), "no-such-pack: pack = no-such-pack: allowed one of lake-launch, orchard-truck"),
    (("--parts", "none.toml"), "none.toml: parts = none.toml: allowed a TOML file of parts"),
    (("--parts", "odd.toml"), "odd.toml: cable.area_mm2 = -3: allowed 0.5 to 400, cross-section, mm2"),
    (("--only", "precharg"), "did you mean precharge"),
    (("--out", "odd.toml"), "odd.toml: folder = odd.toml: allowed a folder that can be written to"),
])  # fmt: skip
def test_what_can_not_be_used(run: Any, tmp_path: Path, words: tuple[str, ...], says: str) -> None:
    """Exit 2, one line, nothing written."""
    (tmp_path / "odd.toml").write_text("[cable]\narea_mm2 = -3\n")
    code, out, err = run(*words)
    assert code == 2 and out == "" and says in err and len(err.splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["odd.toml"]


# -- the page ------------------------------------------------------------------------------------------------


class Tags(HTMLParser):
    """Every tag closes, and nothing is fetched."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.count = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.count += 1
        assert tag not in ("script", "link", "img", "iframe"), tag
        for key, value in attrs:
            assert key not in ("src", "href") and not key.startswith("on"), key
            if key == "id" and value:
                self.ids.append(value)
        if tag not in ALONE:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in ALONE

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_needs_nothing_else(run: Any, tmp_path: Path) -> None:
    code, out, _ = run("--out", "out")
    assert code == 0 and "page: out/orchard-truck-sizing.html" in out
    text = (tmp_path / "out" / "orchard-truck-sizing.html").read_text(encoding="utf-8")
    tags = Tags()
    tags.feed(text)
    assert tags.open == [] and tags.count > 500
    assert tags.ids == list(topics.NAMES)
    assert "://" not in text and "default-src 'none'" in text and "@import" not in text
    assert "nan" not in text.replace("nano", "").lower().split() and "inf" not in text.split()
    done = topics.run(Job.of(packs.load_pack("orchard-truck"), load_parts()))
    for d in done:
        for r in d.report.results:
            assert "<code>%s</code>" % r.name in text
    assert text.count('<figure class="plot">') == sum(len(d.report.plots) for d in done)


def test_a_name_in_a_file_can_not_spoil_the_page(tmp_path: Path) -> None:
    """What a file says goes through escape."""
    file = tmp_path / "odd.toml"
    file.write_text('name = "<b>odd"\nabout = "<script>alert(1)</script>"\n')
    text = page(job := Job.of(packs.load_pack("orchard-truck"), load_parts(file)), topics.run(job, ["mass"]))
    assert "<script" not in text and "&lt;script&gt;" in text and "&lt;b&gt;odd" in text


def test_plots_hold_their_curves() -> None:
    """Points lie within the axes, also where both are logarithmic or all values are alike."""
    for plot in (
        Plot("a", "x", "y", (Curve("c", (1.0, 10.0, 100.0), (0.01, 1.0, 100.0)),), ((1.0, "one"),), True),
        Plot("b", "x", "y", (Curve("c", (1.0, 1.0), (0.0, 0.0), "bold", True, False),)),
        Plot("c", "x", "y", (Curve("c", (-5.0, 5.0), (-3.0, 2.0)),)),
    ):
        text = svg(plot)
        for part in text.split('d="M')[1:]:
            for pair in part.split('"')[0].replace("H", "L").replace("V", "L").split("L"):
                for number in pair.split():
                    assert -0.1 <= float(number) <= 720.1, text


@pytest.mark.parametrize("value, unit, text", [
    (0.1868, "V", "187 mV"), (3527.5, "A", "3.53 kA"), (1.234e-4, "A", "123 uA"), (0.0, "V", "0 V"),
    (154.4, "V", "154 V"), (0.963, "s", "963 ms"), (30.84, "s", "30.8 s"), (22.0, "h", "22 h"), (0.945, "1", "0.945"),
    (120000.0, "A2s", "120000 A2s"), (-0.1, "V", "-100 mV"), (1.0, "ohm", "1 ohm"), (3.2e-6, "F", "3.2 uF"),
    (999.7, "W", "1 kW"), (2.5e-13, "A", "0.00025 nA"),
])  # fmt: skip
def test_amounts(value: float, unit: str, text: str) -> None:
    assert amount(value, unit) == text


def test_as_data_is_what_docs_say() -> None:
    """Keys of docs/sizing.md."""
    job = Job.of(packs.load_pack("orchard-truck"), load_parts())
    data = as_data(job, topics.run(job, ["mass"]))
    doc = (Path(__file__).parents[2] / "docs" / "sizing.md").read_text(encoding="utf-8")
    for key in (*data, *data["topics"][0], *data["topics"][0]["results"][0]):
        assert "`%s`" % key in doc or '"%s"' % key in doc, key
