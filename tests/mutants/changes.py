"""Every small change of the firmware that the tests are tried against, as whole changed files.

Code: mutmut's operators (a number plus one, `<` to `<=`, `and` to `or`, an argument left out, a string altered, ...),
and four that it lacks: a number minus one, a comparison turned round, a condition that is always or never true, a
statement left out.  Tables: table_mutator.py.
"""

from __future__ import annotations

import ast
import hashlib
import pickle
from dataclasses import dataclass
from pathlib import Path

import table_mutator

ROOT = Path(__file__).resolve().parents[2]
WARDEN = ROOT / "firmware" / "warden"
KEPT = ROOT / "out" / "mutants"
# Those that decide what opens; a survivor in one of them must be explained.
PROTECTIVE = ("elements", "permissives", "sequence", "sense", "relay", "modes", "table_elements")
OTHERS = (
    "settings", "table_settings", "journal", "commands", "records", "reporter", "image", "crc", "text",
    "table_fields", "table_words",
)  # fmt: skip
TURNED = {ast.Lt: ">", ast.Gt: "<", ast.LtE: ">=", ast.GtE: "<="}


@dataclass
class Change:
    """One changed file: where, from what, to what."""

    module: str
    function: str  # outermost function or method, "" at module level
    line: int
    was: str
    now: str
    source: str
    nth: int = 0  # the same change on the same text in the same function, counted from 0

    @property
    def key(self) -> str:
        """Name that outlives a change of line numbers."""
        said = "\0".join((self.module, self.function, self.was, self.now, str(self.nth)))
        return hashlib.sha256(said.encode()).hexdigest()[:12]


def source_of(module: str) -> str:
    return (WARDEN / (module + ".py")).read_text(encoding="utf-8")


def of(module: str) -> list[Change]:
    """Every change of `module`, none twice, in the order of its lines.  Kept under out/: making them takes a while."""
    said = hashlib.sha256(source_of(module).encode())
    for maker in (Path(__file__), Path(table_mutator.__file__)):
        said.update(maker.read_bytes())
    kept = KEPT / ("%s-%s.pickle" % (module, said.hexdigest()[:12]))
    if not kept.exists():
        KEPT.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(_made(module)))
    return pickle.loads(kept.read_bytes())  # type: ignore[no-any-return]


def _made(module: str) -> list[Change]:
    source = source_of(module)
    sources = dict.fromkeys([*_by_mutmut(module, source), *_by_us(source), *table_mutator.of(module, source)])
    spans = _functions(source)
    before = source.split("\n")
    changes = []
    for changed in sources:
        if changed == source or not _compiles(changed):
            continue
        after = changed.split("\n")
        head = 0
        while before[head] == after[head]:
            head += 1
        tail = 1
        while tail < min(len(before), len(after)) - head and before[-tail] == after[-tail]:
            tail += 1
        was = "\n".join(before[head : len(before) - tail + 1]) or "(nothing)"
        now = "\n".join(after[head : len(after) - tail + 1]) or "(nothing)"
        function = next((name for first, last, name in spans if first <= head + 1 <= last), "")
        changes.append(Change(module, function, head + 1, was.strip(), now.strip(), changed))
    changes.sort(key=lambda c: (c.line, c.now))
    seen: dict[str, int] = {}
    for change in changes:
        key = change.key
        change.nth = seen.get(key, 0)
        seen[key] = change.nth + 1
    return changes


def _compiles(source: str) -> bool:
    try:
        compile(source, "changed", "exec")
    except (SyntaxError, ValueError):
        return False
    return True


def _functions(source: str) -> list[tuple[int, int, str]]:
    """(first line, last line, name) of each function and method, not of those inside them."""
    out = []
    for node in ast.parse(source).body:
        if isinstance(node, ast.FunctionDef):
            out.append((node.lineno, node.end_lineno or 0, node.name))
        elif isinstance(node, ast.ClassDef):
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef):
                    out.append((inner.lineno, inner.end_lineno or 0, "%s.%s" % (node.name, inner.name)))
    return out


def _by_mutmut(module: str, source: str) -> list[str]:
    from libcst.metadata import MetadataWrapper, PositionProvider
    from mutmut.mutation.file_mutation import create_mutations

    tree, found, _, _ = create_mutations(module, source)
    where = MetadataWrapper(tree, unsafe_skip_copy=True).resolve(PositionProvider)
    starts = _line_starts(source)
    out = []
    for m in found:
        old = tree.code_for_node(m.original_node).strip()
        spot = where.get(m.original_node)
        a = starts[spot.start.line - 1] + spot.start.column if spot else 0
        if source[a : a + len(old)] == old:  # making the whole file anew for each takes minutes
            new = tree.code_for_node(m.mutated_node).strip()
            out.append(source[:a] + new + source[a + len(old) :])
        else:
            out.append(tree.deep_replace(m.original_node, m.mutated_node).code)  # type: ignore[arg-type]
    return out


def _line_starts(source: str) -> list[int]:
    starts = [0]
    for line in source.split("\n"):
        starts.append(starts[-1] + len(line) + 1)
    return starts


def _by_us(source: str) -> list[str]:
    assert source.isascii()  # columns of ast are bytes
    starts = _line_starts(source)

    def swapped(node: ast.AST, text: str) -> str:
        a = starts[node.lineno - 1] + node.col_offset  # type: ignore[attr-defined]
        b = starts[node.end_lineno - 1] + node.end_col_offset  # type: ignore[attr-defined]
        return source[:a] + text + source[b:]

    out = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and type(node.value) is int:
            out.append(swapped(node, str(node.value - 1) if node.value else "(-1)"))
        elif isinstance(node, ast.Compare):
            for n, op in enumerate(node.ops):
                if type(op) in TURNED:
                    left = node.left if n == 0 else node.comparators[n - 1]
                    a = starts[left.end_lineno - 1] + left.end_col_offset  # type: ignore[operator]
                    right = node.comparators[n]
                    b = starts[right.lineno - 1] + right.col_offset
                    between = source[a:b]
                    sign = {ast.Lt: "<", ast.Gt: ">", ast.LtE: "<=", ast.GtE: ">="}[type(op)]
                    out.append(source[:a] + between.replace(sign, TURNED[type(op)]) + source[b:])
        elif isinstance(node, (ast.If, ast.IfExp, ast.While)):
            out.append(swapped(node.test, "False"))
            if not isinstance(node, ast.While):  # a loop for ever is only waited for
                out.append(swapped(node.test, "True"))
        if isinstance(node, (ast.Assign, ast.AugAssign, ast.Continue, ast.Break, ast.Return)) or (
            isinstance(node, ast.Expr) and not isinstance(node.value, (ast.Constant, ast.Yield))
        ):
            out.append(swapped(node, "pass"))
    return out
