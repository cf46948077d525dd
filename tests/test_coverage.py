"""Every line, branch and single condition of the protective modules is tried by the firmware's own tests.

What each of these means, and how it is measured, is said in conditions.py.
"""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
import conditions  # noqa: E402

# (module, decision, atom) -> why no test can show that it matters.  There is none at present.
EXCUSED: dict[tuple[str, str, str], str] = {}


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    out = tmp_path_factory.mktemp("conditions") / "found.json"
    done = subprocess.run([sys.executable, str(HERE / "conditions.py"), str(out)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return json.loads(out.read_text())  # type: ignore[no-any-return]


@pytest.mark.parametrize("module", conditions.MODULES)
def test_every_line_and_branch(found: dict[str, Any], module: str) -> None:
    lines, branches = found["lines"][module]
    assert not lines and not branches, "firmware/warden/%s.py: lines %s, branches %s" % (module, lines, branches)


def test_every_condition_matters_by_itself(found: dict[str, Any]) -> None:
    assert found["conditions"]["atoms"] > 250  # there is something to look at
    missing = {(m["module"], m["decision"], m["atom"]): m["line"] for m in found["conditions"]["missing"]}
    said = ["%s.py:%d: `%s` in `%s`" % (key[0], line, key[2], key[1]) for key, line in missing.items()]
    assert set(missing) <= set(EXCUSED), "not shown to matter: " + "; ".join(said)
    assert set(EXCUSED) <= set(missing), "excused for nothing: %s" % (set(EXCUSED) - set(missing))


CASES: list[tuple[str, list[dict[str, int]], set[str]]] = [
    ("if a and b: pass", [{"a": 1, "b": 1}, {"a": 0, "b": 1}], {"b"}),
    ("if a and b: pass", [{"a": 1, "b": 1}, {"a": 0, "b": 1}, {"a": 1, "b": 0}], set()),
    ("x = a or not b", [{"a": 0, "b": 0}, {"a": 1, "b": 0}], {"a", "b"}),
    ("x = 1 if a else 2", [{"a": 1, "b": 0}], {"a"}),
    ("x = 0 < a < 9", [{"a": 5, "b": 0}, {"a": 10, "b": 0}], {"0 < a"}),
    ("x = 0 < a < 9", [{"a": 5, "b": 0}, {"a": 10, "b": 0}, {"a": 0, "b": 0}], set()),
    ("while a and b: a = 0", [{"a": 1, "b": 1}], {"b"}),
    ("x = [c for c in (a, b) if c]", [{"a": 1, "b": 1}], {"c"}),
]


@pytest.mark.parametrize("source, runs, missing", CASES)
def test_the_measure_itself_finds_what_is_not_tried(source: str, runs: list[dict[str, int]], missing: set[str]) -> None:
    watch = conditions.Watch()
    tree = ast.fix_missing_locations(conditions.Rewrite(watch, "case").visit(ast.parse(source)))
    for names in runs:
        exec(compile(tree, "case", "exec"), {"_watch": watch, **names})
    assert {m["atom"] for m in watch.missing()} == missing
