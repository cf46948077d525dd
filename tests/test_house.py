"""The rules of the house: who imports whom, and a tidy source."""

from __future__ import annotations

import ast
import os
import re
import tomllib
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LINE_MAX = PROJECT["tool"]["ruff"]["line-length"]
LINES_MAX = 500  # of a file in firmware/ and host/: one that grows past it has two ideas in it

# Written in halves, so that this file keeps its own rule.
WORDS = ["TO" + "DO", "FIX" + "ME", "XX" + "X", "HA" + "CK"]
FORBIDDEN = [*WORDS, "/ho" + "me/", "/ro" + "ot/", "/tm" + "p/", "/Use" + "rs/"]
FORBIDDEN_RE = re.compile("|".join(r"(?<![\w.~-])%s" % re.escape(word) for word in FORBIDDEN))
TEXT = {"", ".py", ".toml", ".md", ".txt", ".json", ".js", ".mjs", ".css", ".html", ".svg", ".csv"}
NOT_OURS = {"corpus", ".git", ".venv", ".hypothesis", "out", "build", "dist", "node_modules", "typings"}

# Started by name, so imported by nothing: the board's main program, its file list, the command, `make docs`.
ENTRY_POINTS = {"main", "manifest", "packwarden.cli", "packwarden.__main__", "packwarden.bench.reference"}
ENTRY_POINTS |= {"packwarden.safety.reference", "packwarden.sizing.reference"}
# On a board: the loader, the bench from the prompt; and what the virtual board has for the chip's own modules.
ENTRY_POINTS |= {"loader", "boards.strap"} | {"packwarden.virtual.chip." + name for name in ("boot", "machine", "rp2")}


def ours(*places: str) -> list[Path]:
    """Text files under these places of the checkout, built and downloaded ones left out."""
    found = []
    for place in places:
        for folder, folders, files in os.walk(ROOT / place):
            made = (".egg-info", "_cache", "__")
            folders[:] = [f for f in folders if f not in NOT_OURS and not f.endswith(made)]
            found += [Path(folder) / file for file in files if not file.startswith(".coverage")]
    return sorted(path for path in found if path.suffix in TEXT)


def shown(path: Path) -> str:
    """Path as a person would type it."""
    return path.relative_to(ROOT).as_posix()


PRODUCT = [p for p in ours("firmware", "host") if p.suffix == ".py"]
PYTHON = PRODUCT + [p for p in ours("tests", "docs", "hardware") if p.suffix == ".py"]
ALL = ours(".")


def module_of(path: Path) -> str:
    """Dotted name under firmware/ or host/, as it is imported."""
    parts = list(path.relative_to(ROOT).with_suffix("").parts[1:])
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported_by(path: Path, module: str, modules: set[str]) -> set[str]:
    """Modules of ours that a file imports, anywhere in it; a module's own packages aren't counted."""
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                up = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*up, base] if base else up)
            found.add(base)
            found |= {"%s.%s" % (base, alias.name) for alias in node.names}
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            if "import" in ast.unparse(node.func):  # importlib.import_module("..."), __import__("...")
                found.add(str(node.args[0].value))
    return (found & modules) - {module}


# -- who imports whom -------------------------------------------------------------------------------------


def test_import_rules(capsys: pytest.CaptureFixture[str]) -> None:
    """The contracts of pyproject.toml hold."""
    code = lint_imports(config_filename=str(ROOT / "pyproject.toml"), cache_dir=None, no_logo=True)
    assert code == 0, capsys.readouterr().out


def test_every_room_that_needs_a_rule_has_one() -> None:
    """A contract can only name what is there: once `views` or `proof` is, so must its rule be."""
    contracts = PROJECT["tool"]["importlinter"]["contracts"]
    protected = {m: c["allowed_importers"] for c in contracts for m in c.get("protected_modules", ())}
    host = ROOT / "host" / "packwarden"
    if (host / "views").exists():
        assert set(protected.get("packwarden.views", ["anyone"])) <= {"packwarden.cli", "packwarden.commands"}
    may_know_the_relay = {"boards", "packwarden.bench", "packwarden.proof", "packwarden.cli"}
    assert set(protected["warden"]) <= may_know_the_relay
    for room in ("proof", "bench"):
        if (host / room).exists():
            assert "packwarden." + room in protected["warden"]
    sources = {m: c for c in contracts for m in c.get("source_modules", ())}
    assert set(sources["warden"]["forbidden_modules"]) == {"packwarden", "boards"}
    assert {"packwarden.*", "warden", "boards"} <= set(sources["packwarden.plant"]["forbidden_modules"])
    assert sources["packwarden.plant"]["ignore_imports"] == ["packwarden.plant.** -> packwarden.errors"]


def test_the_import_rules_can_fail(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Canary: forbid an import that is there, and the checker must say so."""
    config = tmp_path / "canary.toml"
    config.write_text(
        '[tool.importlinter]\nroot_packages = ["warden", "boards"]\n[[tool.importlinter.contracts]]\n'
        'name = "canary"\ntype = "forbidden"\nsource_modules = ["boards"]\nforbidden_modules = ["warden"]\n'
    )
    assert lint_imports(config_filename=str(config), cache_dir=None, no_logo=True) == 1
    assert "canary BROKEN" in capsys.readouterr().out


def test_every_module_is_used() -> None:
    """Each is imported by another part of the product or is an entry point; tests don't keep one alive."""
    modules = {module_of(path): path for path in PRODUCT}
    names = set(modules)
    used = set(ENTRY_POINTS)
    for module, path in modules.items():
        for name in imported_by(path, module, names):
            used.add(name)
            while "." in name:  # and with it the packages it is in
                name = name.rpartition(".")[0]
                used.add(name)
    assert sorted(shown(modules[m]) for m in names - used) == []


# -- a tidy source ----------------------------------------------------------------------------------------


def test_there_is_something_to_look_at() -> None:
    """Canary: a wrong path would make every test here pass."""
    product = {shown(path) for path in PRODUCT}
    assert {"firmware/main.py", "firmware/warden/relay.py", "host/packwarden/plant/plant.py"} <= product
    assert {"pyproject.toml", "Makefile", ".ci/run", "LICENSE"} <= set(map(shown, ALL))
    assert FORBIDDEN_RE.search("see " + FORBIDDEN[0]) and FORBIDDEN_RE.search('"' + FORBIDDEN[6] + 'x"')
    assert not FORBIDDEN_RE.search("attempts" + FORBIDDEN[6])


def test_files_are_short() -> None:
    """A file reads top-down and has one idea."""
    lengths = {shown(p): len(p.read_text(encoding="utf-8").splitlines()) for p in PRODUCT}
    assert {name: n for name, n in lengths.items() if n > LINES_MAX} == {}


def test_lines_are_short_and_hold_no_tabs() -> None:
    """Line length is ruff's setting, here for every line."""
    bad = []
    for path in PYTHON:
        for n, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            # A row of a table is one line, however long.
            long = len(line) > LINE_MAX and not path.name.startswith("table_")
            if long or "\t" in line or line != line.rstrip():
                bad.append("%s:%d" % (shown(path), n))
    assert bad == []


def test_no_word_that_has_no_place_here() -> None:
    """Nothing left for later without saying so in the docs, and no path of one person's machine."""
    bad = []
    for path in ALL:
        for n, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if FORBIDDEN_RE.search(line):
                bad.append("%s:%d: %s" % (shown(path), n, line.strip()[:80]))
    assert bad == []


def test_every_file_says_what_it_is() -> None:
    """A docstring at the head of each."""
    assert [shown(p) for p in PYTHON if not ast.get_docstring(ast.parse(p.read_text(encoding="utf-8")))] == []


def test_nothing_pins_where_packages_come_from() -> None:
    """A lock file would hold the addresses of one registry."""
    pins = {"package-lock.json", "npm-shrinkwrap.json", ".npmrc", "pip.conf"}
    assert [shown(path) for path in ALL if path.name in pins] == []
