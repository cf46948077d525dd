"""Runs the firmware's own functions on unknown values, and gives back formulas.

The source of a function is read and walked statement by statement.  A value is an ordinary Python value, or a formula
of the SMT solver; an object is a `Ref`, whose attributes and elements live in a `Store` of their own, so that the real
object is never changed.  Where an `if` hangs on an unknown, both branches are walked and the two stores are merged
under the condition: one pass gives one formula for every path.  Loops run over known lengths and are unrolled.

What it knows of Python is what the relay's scan uses; anything else is an error, never a guess.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from array import array
from types import FunctionType, ModuleType
from typing import Any, Callable, Mapping, Optional, Sequence

import z3

from packwarden.proof.values import (
    FALSE,
    TRUE,
    UNKNOWN,
    WORD,
    Key,
    Method,
    NotUnderstood,
    Ref,
    Store,
    as_bool,
    binary,
    choose,
    compare,
    is_formula,
    merge,
    number,
    truth,
    unary,
)

Stub = Callable[["Walker", Store, "Ref | None", Sequence[Any]], Any]
Flow = dict[str, tuple[z3.BoolRef, Store, Any]]  # how a block is left: next, return, continue, break


class Walker:
    """Walks functions.  `stubs` stand in for a method or function, by its qualified name; `named` for a global."""

    def __init__(self, stubs: Mapping[str, Stub], named: Optional[Mapping[str, Any]] = None) -> None:
        self.stubs = stubs
        self.named = named or {}
        self.assumed: list[z3.BoolRef] = []  # what stubs promise of the values that they made
        self.frames = 0
        self.steps = 0
        self.roots: dict[str, Any] = {}

    def fresh(self, name: str, sort: str = "int") -> Any:
        """A new unknown: int, bool or bits."""
        self.steps += 1
        name = "%s!%d" % (name, self.steps)
        return z3.Int(name) if sort == "int" else z3.Bool(name) if sort == "bool" else z3.BitVec(name, WORD)

    def root(self, path: str, real: Any) -> Ref:
        """The firmware's object `real`, known as `path`."""
        self.roots[path] = real
        return Ref(path, real)

    def call(self, store: Store, method: Any, owner: Optional[Ref], args: Sequence[Any] = ()) -> tuple[Store, Any]:
        """Run a function of the firmware; the store afterwards, and what it returned."""
        function = getattr(method, "__func__", method)
        return self._inline(store, Method(owner, function, function.__qualname__), list(args))

    # -- functions ----------------------------------------------------------------------------------------

    def _inline(self, store: Store, method: Method, args: list[Any]) -> tuple[Store, Any]:
        if method.name in self.stubs:
            store = dict(store)
            return store, self.stubs[method.name](self, store, method.owner, args)
        return self.walk(store, method, args)

    def walk(self, store: Store, method: Method, args: list[Any]) -> tuple[Store, Any]:
        """Walk the source of a function, whatever stands in for it."""
        tree = _source_of(method.function)
        self.frames += 1
        frame = "#%d" % self.frames
        names = [a.arg for a in tree.args.args]
        given = ([method.owner] if method.owner is not None else []) + args
        if len(names) != len(given):
            raise NotUnderstood("%s takes %d, given %d" % (method.name, len(names), len(given)))
        store = dict(store)
        store.update({(frame, name): value for name, value in zip(names, given)})
        scope = _Scope(self, frame, method.function)
        flow = scope.block(tree.body, store, TRUE)
        result: Any = None
        ends = [flow[kind] for kind in ("return", "next") if kind in flow]
        guard, store, result = ends[0]
        for _, other, value in ends[1:]:
            store = merge(guard, store, other, self._read)
            result = choose(guard, result, value)
        return {k: v for k, v in store.items() if k[0] != frame}, result

    def _read(self, key: Key) -> Any:
        """What an object's attribute or element is where nothing has written it."""
        path, name = key
        if path.startswith("#"):
            return UNKNOWN  # a local variable that one of two ways has set
        real = self._real(path)
        return self._wrap("%s.%s" % (path, name), real[name] if isinstance(name, int) else getattr(real, name))

    def _real(self, path: str) -> Any:
        head, *names = path.split(".")
        real = self.roots[head]
        for name in names:
            real = real[int(name)] if name.isdigit() else getattr(real, name)
        return real

    def _wrap(self, path: str, real: Any) -> Any:
        plain = (int, bool, str, bytes, tuple, dict, ModuleType, range, type(None))
        if isinstance(real, plain) or is_formula(real):
            return real
        return Ref(path, real)

    # -- objects ------------------------------------------------------------------------------------------

    def attribute(self, store: Store, owner: Any, name: str) -> Any:
        """`owner.name`."""
        if isinstance(owner, ModuleType):
            return _found(self.named.get("%s.%s" % (owner.__name__, name), getattr(owner, name)))
        if not isinstance(owner, Ref):
            raise NotUnderstood("attribute %s of %r" % (name, owner))
        key = (owner.path, name)
        if key in store:
            return store[key]
        kind = type(owner.real)
        if isinstance(getattr(kind, name, None), FunctionType):
            function = getattr(kind, name)
            return Method(owner, function, function.__qualname__)
        return self._read(key)

    def element(self, store: Store, owner: Any, at: Any) -> Any:
        """`owner[at]`."""
        if isinstance(owner, Ref):
            if is_formula(at):
                raise NotUnderstood("%s[%s]: an unknown place" % (owner.path, at))
            key = (owner.path, at)
            return store[key] if key in store else self._read(key)
        if is_formula(at):
            raise NotUnderstood("an unknown place in a table")
        return owner[at]

    def items(self, store: Store, owner: Any) -> list[Any]:
        """What a `for` runs over."""
        if isinstance(owner, Ref) and isinstance(owner.real, (list, tuple, array, bytearray)):
            return [self.element(store, owner, n) for n in range(len(owner.real))]
        if isinstance(owner, (list, tuple, range)):
            return list(owner)
        raise NotUnderstood("a loop over %r" % (owner,))


class _Scope:
    """One call: its frame of local names, and its statements."""

    def __init__(self, walker: Walker, frame: str, function: FunctionType) -> None:
        self.walker = walker
        self.frame = frame
        self.globals = function.__globals__
        self.module = function.__module__

    # -- statements ---------------------------------------------------------------------------------------

    def block(self, body: Sequence[ast.stmt], store: Store, guard: z3.BoolRef) -> Flow:
        """Walk statements.  guard: the condition under which this is reached, for telling ways apart."""
        flow: Flow = {"next": (guard, store, None)}
        for statement in body:
            if "next" not in flow:
                break
            at, here, _ = flow.pop("next")
            for kind, way in self.statement(statement, here, at).items():
                flow[kind] = self._join(flow[kind], way) if kind in flow else way
        return flow

    def _join(self, a: tuple[z3.BoolRef, Store, Any], b: tuple[z3.BoolRef, Store, Any]) -> Any:
        # The two ways exclude each other, so the first's condition tells them apart.
        store = merge(a[0], a[1], b[1], self.walker._read)
        return z3.simplify(z3.Or(a[0], b[0])), store, choose(a[0], a[2], b[2])

    def statement(self, s: ast.stmt, store: Store, guard: z3.BoolRef) -> Flow:
        """Walk one statement."""
        if isinstance(s, (ast.Pass, ast.Import, ast.ImportFrom)):
            return {"next": (guard, store, None)}
        if isinstance(s, ast.Expr):
            store, _ = self.value(s.value, store)
            return {"next": (guard, store, None)}
        if isinstance(s, ast.Assign):
            store, value = self.value(s.value, store)
            for target in s.targets:
                store = self.assign(target, value, store)
            return {"next": (guard, store, None)}
        if isinstance(s, ast.AugAssign):
            load = ast.copy_location(ast.parse(ast.unparse(s.target), mode="eval").body, s)
            store, was = self.value(load, store)
            store, by = self.value(s.value, store)
            return {"next": (guard, self.assign(s.target, binary(s.op, was, by), store), None)}
        if isinstance(s, ast.If):
            return self._if(s, store, guard)
        if isinstance(s, ast.For):
            return self._for(s, store, guard)
        if isinstance(s, ast.Return):
            value = None
            if s.value is not None:
                store, value = self.value(s.value, store)
            return {"return": (guard, store, value)}
        if isinstance(s, ast.Continue):
            return {"continue": (guard, store, None)}
        if isinstance(s, ast.Break):
            return {"break": (guard, store, None)}
        raise NotUnderstood("%s: %s" % (type(s).__name__, ast.unparse(s)))

    def _if(self, s: ast.If, store: Store, guard: z3.BoolRef) -> Flow:
        store, value = self.value(s.test, store)
        condition = truth(value)
        if not is_formula(condition):
            return self.block(s.body if condition else s.orelse, store, guard)
        flow = self.block(s.body, dict(store), z3.And(guard, condition))
        for kind, way in self.block(s.orelse, dict(store), z3.And(guard, z3.Not(condition))).items():
            if kind not in flow:
                flow[kind] = way
            elif kind == "next" and set(flow) == {"next"}:
                # The usual case: both ways go on, and the plain condition tells them apart.
                merged = merge(condition, flow[kind][1], way[1], self.walker._read)
                flow[kind] = (guard, merged, None)
            else:
                flow[kind] = self._join(flow[kind], way)
        return flow

    def _for(self, s: ast.For, store: Store, guard: z3.BoolRef) -> Flow:
        store, over = self.value(s.iter, store)
        flow: Flow = {"next": (guard, store, None)}
        for item in self.walker.items(store, over):
            if "next" not in flow:
                break
            at, here, _ = flow.pop("next")
            turn = self.block(s.body, self.assign(s.target, item, dict(here)), at)
            if "continue" in turn:
                way = turn.pop("continue")
                turn["next"] = self._join(turn["next"], way) if "next" in turn else way
            for kind, way in turn.items():
                flow[kind] = self._join(flow[kind], way) if kind in flow else way
        if "break" in flow:
            way = flow.pop("break")
            flow["next"] = self._join(flow["next"], way) if "next" in flow else way
        return flow

    def assign(self, target: ast.expr, value: Any, store: Store) -> Store:
        """Bind a name, an attribute, an element, or each of a tuple."""
        if isinstance(target, ast.Name):
            store[(self.frame, target.id)] = value
        elif isinstance(target, ast.Tuple):
            for one, part in zip(target.elts, value if isinstance(value, tuple) else self.walker.items(store, value)):
                store = self.assign(one, part, store)
        elif isinstance(target, ast.Attribute):
            store, owner = self.value(target.value, store)
            if not isinstance(owner, Ref):
                raise NotUnderstood("attribute of %r set" % (owner,))
            store[(owner.path, target.attr)] = value
        elif isinstance(target, ast.Subscript):
            store, owner = self.value(target.value, store)
            store, at = self.value(target.slice, store)
            if not isinstance(owner, Ref) or is_formula(at):
                raise NotUnderstood("%s set" % ast.unparse(target))
            store[(owner.path, at)] = value
        else:
            raise NotUnderstood("%s set" % ast.unparse(target))
        return store

    # -- expressions --------------------------------------------------------------------------------------

    def value(self, e: ast.expr, store: Store) -> tuple[Store, Any]:
        """A value; the store, too, because a call may have changed it."""
        if isinstance(e, ast.Constant):
            return store, e.value
        if isinstance(e, ast.Name):
            return store, self._name(e.id, store)
        if isinstance(e, ast.Attribute):
            store, owner = self.value(e.value, store)
            return store, self.walker.attribute(store, owner, e.attr)
        if isinstance(e, ast.Subscript):
            store, owner = self.value(e.value, store)
            store, at = self.value(e.slice, store)
            return store, self.walker.element(store, owner, at)
        if isinstance(e, (ast.Tuple, ast.List)):
            out = []
            for one in e.elts:
                store, part = self.value(one, store)
                out.append(part)
            return store, tuple(out) if isinstance(e, ast.Tuple) else out
        if isinstance(e, ast.BinOp):
            store, a = self.value(e.left, store)
            store, b = self.value(e.right, store)
            return store, binary(e.op, a, b)
        if isinstance(e, ast.UnaryOp):
            store, a = self.value(e.operand, store)
            return store, unary(e.op, a)
        if isinstance(e, ast.BoolOp):
            return self._bool(e, store)
        if isinstance(e, ast.Compare):
            return self._compare(e, store)
        if isinstance(e, ast.IfExp):
            store, condition = self.value(e.test, store)
            condition = truth(condition)
            if not is_formula(condition):
                return self.value(e.body if condition else e.orelse, store)
            store, yes = self.value(e.body, store)
            store, no = self.value(e.orelse, store)
            return store, choose(condition, yes, no)
        if isinstance(e, ast.Call):
            return self._call(e, store)
        raise NotUnderstood("%s: %s" % (type(e).__name__, ast.unparse(e)))

    def _name(self, name: str, store: Store) -> Any:
        if (self.frame, name) in store:
            return store[(self.frame, name)]
        whole = "%s.%s" % (self.module, name)
        if whole in self.walker.named:
            return self.walker.named[whole]
        if name in self.globals:
            return _found(self.globals[name])
        if name in _BUILTINS:
            return _BUILTINS[name]
        raise NotUnderstood("the name %s" % name)

    def _bool(self, e: ast.BoolOp, store: Store) -> tuple[Store, Any]:
        ends = isinstance(e.op, ast.Or)  # the truth that settles it
        parts = []
        value: Any = None
        for one in e.values:
            store, value = self.value(one, store)
            known = truth(value)
            if is_formula(known):
                parts.append(known)
            elif known == ends:
                # What comes later is never looked at.
                return store, value if not parts else (TRUE if ends else FALSE)
        if not parts:
            return store, value
        return store, z3.Or(parts) if ends else z3.And(parts)

    def _compare(self, e: ast.Compare, store: Store) -> tuple[Store, Any]:
        store, left = self.value(e.left, store)
        parts = []
        for op, term in zip(e.ops, e.comparators):
            store, right = self.value(term, store)
            parts.append(compare(op, left, right))
            left = right
        if not any(is_formula(p) for p in parts):
            return store, all(parts)
        return store, parts[0] if len(parts) == 1 else z3.And([as_bool(p) for p in parts])

    def _call(self, e: ast.Call, store: Store) -> tuple[Store, Any]:
        if e.keywords:
            raise NotUnderstood("named arguments: %s" % ast.unparse(e))
        if isinstance(e.func, ast.Attribute) and e.func.attr == "append":
            # A list that is built while nothing is unknown about the way: it is filled in place.
            store, grows = self.value(e.func.value, store)
            store, value = self.value(e.args[0], store)
            if not isinstance(grows, list):
                raise NotUnderstood(ast.unparse(e))
            grows.append(value)
            return store, None
        store, callee = self.value(e.func, store)
        args = []
        for one in e.args:
            store, value = self.value(one, store)
            args.append(value)
        if isinstance(callee, Method):
            return self.walker._inline(store, callee, args)
        if callee is len and isinstance(args[0], Ref):
            return store, len(args[0].real)
        if callee in (len, range, min, max, abs) and not any(is_formula(a) or isinstance(a, Ref) for a in args):
            return store, callee(*args)
        if callee in (min, max) and len(args) == 2:
            first = compare(ast.LtE() if callee is min else ast.GtE(), *args)
            return store, choose(as_bool(first), number(args[0]), number(args[1]))
        if callee is isinstance and not is_formula(args[0]):
            return store, isinstance(args[0], args[1])
        raise NotUnderstood("a call: %s" % ast.unparse(e))


_BUILTINS = {"len": len, "range": range, "min": min, "max": max, "abs": abs, "isinstance": isinstance, "int": int}
_SOURCES: dict[Any, ast.FunctionDef] = {}


def _found(value: Any) -> Any:
    """What a module has under a name, functions as Method."""
    return Method(None, value, value.__qualname__) if isinstance(value, FunctionType) else value


def _source_of(function: FunctionType) -> ast.FunctionDef:
    """The syntax tree of a function, from its own file."""
    code = function.__code__
    if code not in _SOURCES:
        tree = ast.parse(textwrap.dedent(inspect.getsource(function))).body[0]
        if not isinstance(tree, ast.FunctionDef):
            raise NotUnderstood("%s is no plain function" % function.__qualname__)
        _SOURCES[code] = tree
    return _SOURCES[code]
