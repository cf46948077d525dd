"""Lines, branches and single conditions of the protective modules that the firmware's own tests leave untried.

    python tests/conditions.py OUT.json

Lines and branches are coverage.py's.  Conditions are ours: the modules are rewritten as they are imported, so that each
decision notes the values of its atoms and its outcome.  An atom matters when two runs of its decision have been seen in
which it differs, the outcome differs, and every other atom that was evaluated in both is the same: the unique-cause
form of modified condition/decision coverage as RTCA DO-178C has it, atoms left out by the short circuit counted as the
same (from memory; NASA/TM-2001-210876 is the tutorial).  A chain `a < b < c` is two atoms.
"""

from __future__ import annotations

import ast
import importlib.abc
import importlib.util
import json
import sys
from itertools import combinations
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
WARDEN = ROOT / "firmware" / "warden"
MODULES = ("elements", "permissives", "sequence", "sense", "relay")
TESTS = ["test_rows", "test_words", "test_channels", "test_modules", "test_facts", "test_relay"]


class Watch:
    """What each decision has been seen to do."""

    def __init__(self) -> None:
        self.atoms: list[list[str]] = []  # the text of each decision's atoms
        self.where: list[tuple[str, int, str]] = []  # module, line, text
        self.seen: list[set[tuple[tuple[bool | None, ...], bool]]] = []
        self.stack: list[list[bool | None]] = []

    def begin(self, n: int) -> int:
        self.stack.append([None] * len(self.atoms[n]))
        return len(self.stack)

    def atom(self, i: int, value: object) -> object:
        self.stack[-1][i] = bool(value)
        return value

    def end(self, n: int, depth: int, value: object) -> object:
        vector = self.stack[depth - 1]
        del self.stack[depth - 1 :]  # an exception may have left some above
        self.seen[n].add((tuple(vector), bool(value)))
        return value

    def missing(self) -> list[dict[str, object]]:
        out = []
        for n, atoms in enumerate(self.atoms):
            for i, text in enumerate(atoms):
                if not any(_shows(a, b, i) for a, b in combinations(self.seen[n], 2)):
                    module, line, decision = self.where[n]
                    out.append({"module": module, "line": line, "decision": decision, "atom": text})
        return out


def _shows(a, b, i: int) -> bool:  # type: ignore[no-untyped-def]
    (one, out), (two, other) = a, b
    if out == other or None in (one[i], two[i]) or one[i] == two[i]:
        return False
    return all(j == i or x == y or None in (x, y) for j, (x, y) in enumerate(zip(one, two)))


class Rewrite(ast.NodeTransformer):
    """Decisions become watch.end(n, watch.begin(n), ... watch.atom(i, atom) ...)."""

    def __init__(self, watch: Watch, module: str):
        self.watch, self.module = watch, module
        self.texts: list[str] | None = None  # atoms of the decision being rewritten

    def decision(self, node: ast.expr) -> ast.expr:
        outer, self.texts = self.texts, []
        n = len(self.watch.atoms)
        said = ast.unparse(node)
        self.watch.atoms.append(self.texts)
        self.watch.where.append((self.module, node.lineno, said))
        self.watch.seen.append(set())
        inner = self.part(node)
        self.texts = outer
        begun = _call(node, "begin", [ast.Constant(n)])
        return _call(node, "end", [ast.Constant(n), begun, inner])

    def part(self, node: ast.expr) -> ast.expr:
        if isinstance(node, ast.BoolOp):
            node.values = [self.part(v) for v in node.values]
            return node
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            node.operand = self.part(node.operand)
            return node
        if isinstance(node, ast.Compare) and len(node.ops) > 1:
            sides = [node.left, *node.comparators]
            assert all(isinstance(s, (ast.Name, ast.Attribute)) for s in sides[1:-1])  # evaluated twice
            pairs = [ast.Compare(a, [op], [b]) for a, op, b in zip(sides, node.ops, sides[1:])]
            chain = ast.BoolOp(ast.And(), [ast.copy_location(p, node) for p in pairs])
            return self.part(ast.copy_location(chain, node))
        assert self.texts is not None
        i = len(self.texts)
        self.texts.append(ast.unparse(node))
        outer, self.texts = self.texts, None
        inner = self.visit(node)
        self.texts = outer
        return _call(node, "atom", [ast.Constant(i), inner])

    def visit_If(self, node: ast.If) -> ast.AST:
        return self.tested(node)

    visit_While = visit_IfExp = visit_Assert = visit_If  # type: ignore[assignment]

    def tested(self, node):  # type: ignore[no-untyped-def]
        test, node.test = node.test, ast.Constant(True)
        self.generic_visit(node)
        node.test = self.decision(test)
        return node

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.AST:
        return self.decision(node)

    def visit_Compare(self, node: ast.Compare) -> ast.AST:
        return self.decision(node) if len(node.ops) > 1 else self.generic_visit(node)

    def visit_comprehension(self, node: ast.comprehension) -> ast.AST:
        node.ifs = [self.decision(test) for test in node.ifs]
        return self.generic_visit(node) if not node.ifs else node


def _call(at: ast.expr, name: str, arguments: list[ast.expr]) -> ast.expr:
    called = ast.Call(ast.Attribute(ast.Name("_watch", ast.Load()), name, ast.Load()), arguments, [])
    return ast.fix_missing_locations(ast.copy_location(called, at))


class Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports the protective modules rewritten."""

    def __init__(self, watch: Watch):
        self.watch = watch

    def find_spec(self, name, path=None, target=None):  # type: ignore[no-untyped-def]
        module = name.removeprefix("warden.")
        if name == module or module not in MODULES:
            return None
        return importlib.util.spec_from_loader(name, self, origin=str(WARDEN / (module + ".py")))

    def exec_module(self, module) -> None:  # type: ignore[no-untyped-def]
        origin = module.__spec__.origin
        tree = Rewrite(self.watch, Path(origin).stem).visit(ast.parse(Path(origin).read_text(encoding="utf-8")))
        module.__dict__["_watch"] = self.watch
        exec(compile(ast.fix_missing_locations(tree), origin, "exec"), module.__dict__)


def main(out: Path) -> int:
    import coverage
    import pytest

    watch = Watch()
    sys.meta_path.insert(0, Finder(watch))
    cov = coverage.Coverage(
        data_file=None, branch=True, config_file=False, include=[str(WARDEN / (m + ".py")) for m in MODULES]
    )
    cov.start()
    chosen = [str(ROOT / "tests" / "firmware" / (name + ".py")) for name in TESTS]
    code = pytest.main(["-q", "-x", "--no-header", "-p", "no:cacheprovider", *chosen])
    cov.stop()
    if code:
        return int(code)
    cov.json_report(outfile=str(out))
    files = json.loads(out.read_text())["files"]
    lines = {Path(f).stem: [d["missing_lines"], d["missing_branches"]] for f, d in files.items()}
    decisions = {"decisions": len(watch.atoms), "atoms": sum(map(len, watch.atoms)), "missing": watch.missing()}
    out.write_text(json.dumps({"lines": lines, "conditions": decisions}, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
