"""Hazards, requirements and what shows them: the trace is whole both ways, and its check can fail."""

from __future__ import annotations

import ast
import dataclasses
import subprocess
import sys
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from packwarden import paths
from packwarden.bench import reference as bench_reference
from packwarden.errors import InputError
from packwarden.safety import reference, trace
from packwarden.safety.trace import Hazard, Requirement


@lru_cache(maxsize=1)
def collected() -> tuple[str, ...]:
    """Every test of the project, by really collecting them in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider"],
        cwd=paths.ROOT, capture_output=True, text=True, timeout=300, check=True,
    )  # fmt: skip
    return tuple(line for line in done.stdout.splitlines() if "::" in line)


def wrong(dangers: tuple[Hazard, ...], found: tuple[Requirement, ...]) -> list[str]:
    """The trace's problems with these."""
    return trace.problems(dangers, found, trace.existing(collected()))


def changed(name: str, **changes: Any) -> tuple[Requirement, ...]:
    """The requirements with one changed."""
    return tuple(dataclasses.replace(r, **changes) if r.id == name else r for r in trace.requirements())


def without(kind: str, reference: str) -> tuple[Requirement, ...]:
    """The requirements, none of which names `reference`."""
    out = []
    for r in trace.requirements():
        means = {k: tuple(x for x in v if (k, x) != (kind, reference)) for k, v in r.means.items()}
        shows = {k: tuple(x for x in v if (k, x.partition("@")[0]) != (kind, reference)) for k, v in r.shows.items()}
        budgets = r.budgets if kind != "budgets" else tuple(x for x in r.budgets if x != reference)
        out.append(dataclasses.replace(r, means=means, shows=shows, budgets=budgets))
    return tuple(out)


def test_the_trace_is_whole() -> None:
    """Each hazard has a requirement, each requirement two kinds of evidence that exist, each row a requirement."""
    assert wrong(trace.hazards(), trace.requirements()) == []


def test_there_is_something_to_trace() -> None:
    """Canary: an empty list would be whole."""
    assert len(trace.hazards()) >= 18 and len(trace.requirements()) >= 40
    assert len(collected()) > 1000


def test_a_requirement_that_one_kind_shows_is_found() -> None:
    """Two independent kinds, or it is a problem."""
    r5 = trace.requirements()[4]
    bare = {kind: refs if kind == "tests" else () for kind, refs in r5.shows.items()}
    assert "R5 is shown by tests only" in wrong(trace.hazards(), changed("R5", shows=bare))
    bare["tests"] = ()
    assert "R5 is shown by nothing only" in wrong(trace.hazards(), changed("R5", shows=bare))


@pytest.mark.parametrize(
    "kind, reference",
    [
        ("elements", "27/nothing"), ("permissives", "nothing"), ("transitions", "rest>drive:start"),
        ("outputs", "rest:main"), ("settings", "nothing_ms"), ("tests", "tests/firmware/test_budgets.py::test_nothing"),
        ("scenarios", "nothing"), ("proofs", "99.1"), ("rules", "nothing"), ("campaign", "nothing"),
        ("campaign", "charger_runaway@drive"), ("budgets", "27/nothing"),
    ],
)  # fmt: skip
def test_evidence_that_is_not_there_is_found(kind: str, reference: str) -> None:
    """Whatever its kind; a fault in a mode that it can't be in is not there either."""
    r1 = trace.requirements()[0]
    if kind == "budgets":
        found = changed("R1", budgets=(reference,))
    elif kind in trace.MEANS:
        found = changed("R1", means={**r1.means, kind: (*r1.means[kind], reference)})
    else:
        found = changed("R1", shows={**r1.shows, kind: (*r1.shows[kind], reference)})
    said = wrong(trace.hazards(), found)
    assert any(text.startswith("R1: %s %s" % (kind, reference)) and "is not there" in text for text in said)


@pytest.mark.parametrize(
    "kind, reference, said",
    [
        ("elements", "60/alarm", "elements 60/alarm"), ("permissives", "mainaux", "permissives mainaux"),
        ("transitions", "drive>shed:key", "transitions drive>shed:key"), ("outputs", "any:lamp", "outputs any:lamp"),
        ("scenarios", "hot-box", "scenarios hot-box"), ("proofs", "6.1", "proofs 6.1"),
        ("campaign", "iso_frozen", "faults iso_frozen"), ("budgets", "49", "budgets 49"),
    ],
)  # fmt: skip
def test_evidence_that_no_requirement_names_is_found(kind: str, reference: str, said: str) -> None:
    """A row, a scenario, a property, a fault, a budget."""
    assert "%s is named by no requirement" % said in wrong(trace.hazards(), without(kind, reference))


def test_a_hazard_without_a_requirement_is_found() -> None:
    """And one that is not there, and a number that is missing."""
    more = dataclasses.replace(trace.hazards()[0], id="H%d" % (len(trace.hazards()) + 1))
    assert wrong((*trace.hazards(), more), trace.requirements()) == ["%s has no requirement" % more.id]
    assert "R1 names hazard H99, which is not there" in wrong(trace.hazards(), changed("R1", hazards=("H1", "H99")))
    assert any("not numbered in order" in text for text in wrong(trace.hazards()[1:], trace.requirements()))


@pytest.mark.parametrize(
    "text, said",
    [
        ("[[hazard]]\nid = 'H1'\n", "name"),
        ("[[hazard]]\nid = 'H1'\nname = 'x'\nweight = 'y'\n", "weight"),
        ("[[hazard]]\nid = 'H1'\nname = 3\n", "text"),
        ("[[hazard]\n", "TOML"),
    ],
)
def test_a_mistake_in_a_file_is_told(tmp_path: Path, text: str, said: str) -> None:
    """By the file, the row and the key."""
    file = tmp_path / "hazards.toml"
    file.write_text(text)
    with pytest.raises(InputError, match=said):
        trace.read(file, "hazard", ("id", "name"))


def test_the_properties_are_those_of_the_proof() -> None:
    """By number; the words are each side's own."""
    properties = pytest.importorskip("packwarden.proof.properties")
    assert set(trace.PROPERTIES) == {p.number for p in properties.PROPERTIES}


def test_the_rules_are_those_of_the_oracle() -> None:
    """By number; read from its source, since it is no module of the product."""
    file = paths.ROOT / "tests" / "properties" / "oracle.py"
    if not file.is_file():
        pytest.skip("no oracle here")
    for node in ast.parse(file.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "RULES":
            assert set(trace.RULES) == set(ast.literal_eval(node.value))
            return
    raise AssertionError("the oracle has no table of rules")


def test_the_page_is_as_the_files_make_it() -> None:
    """`make docs` after a change to a hazard or a requirement."""
    page = (paths.ROOT / "docs" / reference.PAGE).read_text(encoding="utf-8")
    assert bench_reference.page(page, reference.whole) == page
