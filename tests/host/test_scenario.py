"""Scenario files: what they say, and that every mistake in one is an InputError with the right words.

The format is the project's own (docs/bench.md); there is no outside source for these checks.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scenarios import ROOT, SHIPPED, data, make

from packwarden.bench import course, scenario, schema
from packwarden.bench.faults import KINDS
from packwarden.errors import InputError
from warden import modes


def test_defaults_and_order() -> None:
    """A drive with nothing said: key on, no plug, fine scans, every setting the pack's."""
    made = make()
    phase = made.phases[0]
    assert (phase.start_s, phase.end_s, phase.key, phase.plug, phase.scan_ms) == (0.0, 20.0, True, False, 10)
    assert made.end_s == 20.0
    assert made.values[0] == made.spec.n_modules == 12


def test_phases_follow_each_other_and_cycles_bring_their_length() -> None:
    """UDDS lasts 1369 s (EPA; see REFERENCES); the start is allowed for on top."""
    made = make(course=[{"do": "drive", "cycle": "udds"}, {"do": "charge", "for_s": 100, "scan_ms": 1000}])
    assert made.phases[0].end_s == 1369.0 + scenario.START_ALLOWANCE_S == made.phases[1].start_s
    assert made.phases[1].plug and not made.phases[1].key and made.phases[1].scan_ms == 1000


def test_settings_are_merged_over_the_pack_and_checked_together() -> None:
    """One value within its own bounds can still break an order: v27_dropout must stay above v27_pickup."""
    made = make(settings={"v27_pickup_mv": 10400, "e27_on": 0})
    assert made.settings == {"v27_pickup_mv": 10400, "e27_on": 0}
    assert made.values != make().values
    with pytest.raises(InputError) as caught:
        make(settings={"v27_pickup_mv": 11190})
    assert caught.value.key == "settings.v27_pickup_mv" and caught.value.value == 11190
    assert "v27_dropout_mv" in caught.value.allowed


HEAD = {"name": "t", "about": "x", "pack": "orchard-truck"}
FAULT = {"kind": "lead_open", "module": 3, "at_s": 5}
WRONG: list[tuple[dict[str, Any], str, str]] = [
    ({"scenario": {"name": "t", "about": "x", "pack": "nowhere"}}, "pack", "orchard-truck"),
    ({"scenario": {"name": "u", "about": "x", "pack": "orchard-truck"}}, "scenario.name", "t"),
    ({"scenario": {**HEAD, "sed": 1}}, "scenario.sed", "did you mean seed"),
    ({"scenario": {"name": "t", "pack": "orchard-truck"}}, "scenario.about", "text"),
    ({"scenario": {**HEAD, "scan_ms": 5}}, "scenario.scan_ms", "10 to 100"),
    ({"scenario": {**HEAD, "seed": True}}, "scenario.seed", "whole"),
    ({"faults": []}, "faults", "did you mean fault"),
    ({"start": {"charge_state": 1.5}}, "start.charge_state", "0 to 1"),
    ({"start": {"temp_c": float("nan")}}, "start.temp_c", "-40 to 80"),
    ({"start": {"module": {"13": {}}}}, "start.module.13", "1 to 12"),
    ({"start": {"module": {"4": {"capacity": 0}}}}, "start.module.4.capacity", "0.01 to 2"),
    ({"course": []}, "course", "at least one"),
    ({"course": [{"do": "fly"}]}, "course[1].do", "drive"),
    ({"course": [{"do": "drive", "for_s": 5}]}, "course[1]", "one of cycle"),
    ({"course": [{"do": "drive", "cycle": "uds"}]}, "course[1].cycle", "did you mean udds"),
    ({"course": [{"do": "park", "for_s": 5, "speed_kmh": 3}]}, "course[1].speed_kmh", "drive"),
    ({"course": [{"do": "park"}]}, "course[1].for_s", "length"),
    ({"course": [{"do": "park", "for_s": 5, "scan_ms": 1001}]}, "course[1].scan_ms", "10 to 1000"),
    ({"course": [{"do": "park", "for_s": 7 * 86400}] * 2}, "course", "in all"),
    ({"fault": [{**FAULT, "kind": "lead_opn"}]}, "fault[1].kind", "did you mean lead_open"),
    ({"fault": [{**FAULT, "module": 13}]}, "fault[1].module", "1 to 12 in this pack"),
    ({"fault": [FAULT, {"kind": "lead_open"}]}, "fault[2].module", "has a place"),
    ({"fault": [{"kind": "estop", "module": 1}]}, "fault[1].module", "none"),
    ({"fault": [{"kind": "head_silent", "box": 3}]}, "fault[1].box", "1 to 2 in this pack"),
    ({"fault": [{"kind": "estop", "size": 2}]}, "fault[1].size", "no size"),
    ({"fault": [{"kind": "box_hot", "box": 1, "size": 500}]}, "fault[1].size", "20 to 120 degC"),
    ({"fault": [{"kind": "settings_bit", "for_s": 2}]}, "fault[1].for_s", "can't be undone"),
    ({"fault": [{**FAULT, "kind": "lead_swapped", "module": 5}]}, "fault[1].module", "another above it"),
    ({"fault": [{**FAULT, "at_s": 20}]}, "fault[1].at_s", "before 20 s"),
    ({"fault": [{**FAULT, "after": "park"}]}, "fault[1].after", "drive"),
    ({"fault": [{**FAULT, "after": "drive", "when_mode": "drive"}]}, "fault[1].when_mode", "not together"),
    ({"input": [{"name": "keys", "value": 1}]}, "input[1].name", "did you mean key"),
    ({"send": [{"at_s": 1}]}, "send[1]", "one of command, raw"),
    ({"expect": [{}]}, "expect[1]", "one of trip"),
    ({"expect": [{"trip": "27", "alarm": "27"}]}, "expect[1]", "one of trip"),
    ({"expect": [{"trip": "28"}]}, "expect[1].trip", "27"),
    ({"expect": [{"trip": "27/flor"}]}, "expect[1].trip", "27/floor"),
    ({"expect": [{"trip": "60"}]}, "expect[1].trip", "a stage that trips"),
    ({"expect": [{"trip": "76", "module": 3}]}, "expect[1].module", "watches each string"),
    ({"expect": [{"trip": "27", "fault": 1}]}, "expect[1].fault", "there is no"),
    ({"fault": [FAULT], "expect": [{"trip": "27", "fault": 2}]}, "expect[1].fault", "1 to 1"),
    ({"expect": [{"trip": "27", "within_ms": 5}]}, "expect[1].within_ms", "only with `fault`"),
    ({"expect": [{"safe": True}]}, "expect[1].fault", "safe needs"),
    ({"expect": [{"never": "revrsal"}]}, "expect[1].never", "did you mean reversal"),
    ({"expect": [{"never": "module_below_mv"}]}, "expect[1].value", "mV"),
    ({"expect": [{"never": "trip", "value": 2}]}, "expect[1].value", "only with"),
    ({"expect": [{"never": "trip", "at_least": 2}]}, "expect[1].at_least", "only with figure"),
    ({"expect": [{"mode": "driving"}]}, "expect[1].mode", "did you mean drive"),
    ({"expect": [{"line": "reply state=ok"}]}, "expect[1].line", "names req, status"),
    ({"expect": [{"line": "replay"}]}, "expect[1].line", "did you mean reply"),
    ({"expect": [{"figure": "reversal_as"}]}, "expect[1].at_least", "a bound"),
    ({"settings": {"e27_of": 0}}, "settings.e27_of", "did you mean e27_on"),
    ({"settings": {"e27_on": 2}}, "settings.e27_on", "0 to 1"),
    ({"settings": {"e27_on": True}}, "settings.e27_on", "0 to 1"),
    ({"settings": {"box_modules.9": 1}}, "settings.box_modules.9", "box_modules.0"),
]  # fmt: skip


@pytest.mark.parametrize(
    "changes, key, allowed", WRONG, ids=[w[1] + " " + str(n) for n, w in enumerate(WRONG)]
)
def test_every_mistake_names_file_key_value_and_what_is_allowed(
    changes: dict[str, Any], key: str, allowed: str
) -> None:
    """The text is FILE: KEY = VALUE: allowed ..., and the near miss is named where there is one."""
    with pytest.raises(InputError) as caught:
        make(**changes)
    assert caught.value.key == key
    assert allowed in caught.value.allowed
    if key != "pack":
        assert str(caught.value).startswith(("t.toml: %s = " % key, "t.toml: [%s]: " % key))


def test_bytes_that_are_not_toml_are_an_input_error(tmp_path: Path) -> None:
    """Broken TOML, broken UTF-8, no file at all, a folder."""
    broken = tmp_path / "t.toml"
    for content in (b"[scenario", b"\xff\xfe", b"a = " + b"[" * 5000):
        broken.write_bytes(content)
        with pytest.raises(InputError):
            scenario.load(broken)
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError):
            scenario.load(path)


WORDS = sorted(
    {key.name for part in schema.SECTIONS for key in part.keys} | {part.name for part in schema.SECTIONS}
)
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from([*WORDS, *KINDS, "27", ""])
    | st.text()
)
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(WORDS) | st.text(), inner),
)
SECTION = st.dictionaries(st.sampled_from(WORDS), SCALARS, max_size=6)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(
        ["scenario", "start", "settings", "course", "input", "send", "power_cycle", "fault", "expect"]
    ),
    ANYTHING | SECTION | st.lists(SECTION, max_size=2),
)
def test_any_data_is_a_scenario_or_an_input_error(part: str, content: Any) -> None:
    """Whatever stands in a section, no other exception comes out."""
    try:
        made = scenario.from_data("t.toml", data(**{part: content}), "t")
    except InputError as error:
        assert error.file and error.key and error.allowed
    else:
        assert made.phases


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(SHIPPED), st.data())
def test_one_wrong_value_in_a_shipped_scenario_is_an_input_error_or_not_wrong(path: Path, draw: Any) -> None:
    """Mutations of real files: one value replaced by anything."""
    content = tomllib.loads(path.read_text())
    tables = [t for v in content.values() for t in (v if isinstance(v, list) else [v]) if t]
    table = draw.draw(st.sampled_from(tables))
    key = draw.draw(st.sampled_from(sorted(table)))
    table[key] = draw.draw(SCALARS)
    try:
        scenario.from_data(str(path), content, path.stem)
    except InputError as error:
        assert error.allowed


def test_shipped_scenarios_load_and_say_what_they_show() -> None:
    """Each has a comment, a sentence and expectations."""
    assert len(SHIPPED) >= 26
    for path in SHIPPED:
        made = scenario.load(path)
        assert path.read_text().startswith("# "), path.name
        assert made.about and len(made.expects) >= 2, path.name


def test_the_persons_bits_are_the_firmwares() -> None:
    """course.py names the raw inputs itself, so that it needs no firmware."""
    for name in (
        "KEY",
        "START",
        "UNPLUG",
        "INTERLOCK",
        "ESTOP",
        "CRASH",
        "SERVICE",
        "MAINAUX",
        "RESET",
        "PEDAL",
        "STRAP",
    ):
        assert getattr(course, name) == getattr(modes, name)


def test_the_reference_in_the_docs_is_the_tables() -> None:
    """docs/bench.md holds what `packwarden.bench.reference` makes."""
    from packwarden.bench import reference

    page = (ROOT / "docs" / "bench.md").read_text(encoding="utf-8")
    assert reference.page(page) == page


@pytest.mark.parametrize("boxes, changes", [((4, 5), {}), ((8,), {}), ((4, 4), {"n_modules": 7, "box_modules.1": 3})])
def test_settings_that_speak_of_another_string_are_refused(
    tmp_path: Path, boxes: tuple[int, ...], changes: dict[str, int]
) -> None:
    """They once ran, and ended in a traceback or a trip that named a box that was not there."""
    shipped = (ROOT / "host" / "packwarden" / "packs" / "lake-launch.toml").read_text(encoding="utf-8")
    (tmp_path / "mine.toml").write_text(shipped.replace("boxes = [4, 4]", "boxes = %s" % list(boxes)), encoding="utf-8")
    body = '[scenario]\nname = "own"\nabout = "own"\npack = "mine.toml"\n[settings]\n'
    body += "".join('"%s" = %d\n' % pair for pair in changes.items())
    body += '[[course]]\ndo = "park"\nfor_s = 5\n[[expect]]\nnever = "trip"\n'
    (tmp_path / "own.toml").write_text(body, encoding="utf-8")
    with pytest.raises(InputError, match="box_modules|n_modules"):
        scenario.load(tmp_path / "own.toml")
