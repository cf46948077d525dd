"""Values that may be unknown: Python's own, or formulas of the SMT solver, and the operations on both.

Numbers are unbounded integers (the firmware's own bound is tested elsewhere) and words of bits are bit-vectors of WORD
bits.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass, field
from types import FunctionType
from typing import Any, Callable, Optional

import z3

WORD = 32
Key = tuple[str, Any]
Store = dict[Key, Any]
FALSE, TRUE = z3.BoolVal(False), z3.BoolVal(True)
# A division by an unknown may give anything: what a proof needs of it, it has to say.
DIVIDED = z3.Function("divided", z3.IntSort(), z3.IntSort(), z3.IntSort())


class NotUnderstood(Exception):
    """Source or a value that this walker does not know: the proof stops rather than guesses."""


@dataclass(frozen=True)
class Ref:
    """An object of the firmware, by its path; `real` is where what has not been written is read from."""

    path: str
    real: Any = field(compare=False, hash=False)


@dataclass(frozen=True)
class Method:
    """A function of the firmware, bound or not."""

    owner: Optional[Ref]
    function: FunctionType
    name: str


class Unknown:
    """A value that nothing may look at: what a merge of two things that are no numbers gives."""

    def __repr__(self) -> str:
        return "(unknown)"


UNKNOWN = Unknown()


def is_formula(value: Any) -> bool:
    """True for a value of the solver."""
    return isinstance(value, z3.ExprRef)


def truth(value: Any) -> Any:
    """The condition `if value` stands for: a Python bool, or a formula."""
    if isinstance(value, z3.BoolRef):
        return value
    if isinstance(value, z3.ArithRef):
        return value != 0
    if isinstance(value, z3.BitVecRef):
        return value != 0
    if value is UNKNOWN or isinstance(value, (Ref, Method)):
        raise NotUnderstood("a condition on %r" % (value,))
    return bool(value)


def as_bool(value: Any) -> z3.BoolRef:
    """`truth`, always as a formula."""
    known = truth(value)
    return known if is_formula(known) else (TRUE if known else FALSE)


def number(value: Any) -> Any:
    """A value that arithmetic can take: conditions become 0 or 1."""
    if isinstance(value, z3.BoolRef):
        return z3.If(value, z3.IntVal(1), z3.IntVal(0))
    return int(value) if isinstance(value, bool) else value


def bits(value: Any) -> z3.BitVecRef:
    """A value as a word of bits."""
    if isinstance(value, z3.BitVecRef):
        return value
    value = number(value)
    if isinstance(value, int):
        return z3.BitVecVal(value, WORD)
    if z3.is_int_value(value):
        return z3.BitVecVal(value.as_long(), WORD)
    if z3.is_app_of(value, z3.Z3_OP_ITE):
        # A word that began as 0 and had constants put into it under conditions.
        condition, yes, no = value.children()
        return z3.If(condition, bits(yes), bits(no))
    raise NotUnderstood("bits of %r" % (value,))


def choose(condition: z3.BoolRef, yes: Any, no: Any) -> Any:
    """`yes if condition else no`, as one value."""
    if yes is no or (not is_formula(yes) and not is_formula(no) and type(yes) is type(no) and yes == no):
        return yes
    if is_formula(yes) and is_formula(no) and yes.eq(no):
        return yes
    if isinstance(yes, tuple) and isinstance(no, tuple) and len(yes) == len(no):
        return tuple(choose(condition, a, b) for a, b in zip(yes, no))
    if any(isinstance(v, z3.BitVecRef) for v in (yes, no)):
        return z3.If(condition, bits(yes), bits(no))
    if all(isinstance(v, (bool, z3.BoolRef)) for v in (yes, no)):
        return z3.If(condition, as_bool(yes), as_bool(no))
    if all(isinstance(v, (bool, int, z3.ArithRef, z3.BoolRef)) for v in (yes, no)):
        yes, no = (z3.IntVal(v) if isinstance(v, int) else v for v in (number(yes), number(no)))
        return z3.If(condition, yes, no)
    return UNKNOWN


def merge(condition: z3.BoolRef, yes: Store, no: Store, read: Callable[[Key], Any]) -> Store:
    """One store for both ways; what only one of them wrote is read for the other."""
    out = {}
    for key in yes.keys() | no.keys():
        a = yes[key] if key in yes else read(key)
        b = no[key] if key in no else read(key)
        out[key] = choose(condition, a, b)
    return out


def binary(op: ast.operator, a: Any, b: Any) -> Any:
    """`a op b`."""
    if not is_formula(a) and not is_formula(b):
        return _PLAIN[type(op)](a, b)
    kind = type(op)
    if isinstance(a, z3.BitVecRef) or isinstance(b, z3.BitVecRef):
        if kind is ast.RShift and isinstance(b, int):
            return z3.LShR(bits(a), b)
        if kind is ast.LShift and isinstance(b, int):
            return bits(a) << b
        if kind in _ON_BITS:
            return _ON_BITS[kind](bits(a), bits(b))
        raise NotUnderstood("%s of bits" % kind.__name__)
    a, b = number(a), number(b)
    if kind in _ON_NUMBERS:
        return _ON_NUMBERS[kind](a, b)
    if kind in (ast.BitOr, ast.BitXor):
        return _ON_BITS[kind](bits(a), bits(b))
    if isinstance(b, int) and b >= 0:
        # Of a mask that is a run of ones, `&` is what is left of a division.
        if kind is ast.BitAnd and b & (b + 1) == 0:
            return a % (b + 1)
        if kind is ast.FloorDiv and b > 0:
            return a / b
        if kind is ast.Mod and b > 0:
            return a % b
        if kind is ast.RShift:
            return a / (1 << b)
        if kind is ast.LShift:
            return a * (1 << b)
    if kind is ast.FloorDiv:
        return DIVIDED(a, b)
    raise NotUnderstood("%s of %s and %s" % (kind.__name__, a, b))


def compare(op: ast.cmpop, a: Any, b: Any) -> Any:
    """`a op b`, for one comparison."""
    if isinstance(op, (ast.In, ast.NotIn)):
        found = z3.Or([as_bool(compare(ast.Eq(), a, one)) for one in b]) if is_formula(a) else a in b
        if isinstance(op, ast.In):
            return found
        return z3.Not(found) if is_formula(found) else not found
    if isinstance(op, (ast.Is, ast.IsNot)):
        return (a is b) == isinstance(op, ast.Is)
    if not is_formula(a) and not is_formula(b):
        return _COMPARED[type(op)](a, b)
    if isinstance(a, z3.BitVecRef) or isinstance(b, z3.BitVecRef):
        if not isinstance(op, (ast.Eq, ast.NotEq)):
            raise NotUnderstood("an order of bits")
        return _COMPARED[type(op)](bits(a), bits(b))
    return _COMPARED[type(op)](number(a), number(b))


_PLAIN: dict[type, Callable[[Any, Any], Any]] = {
    ast.Add: lambda a, b: a + b, ast.Sub: lambda a, b: a - b, ast.Mult: lambda a, b: a * b,
    ast.FloorDiv: lambda a, b: a // b, ast.Mod: lambda a, b: a % b, ast.LShift: lambda a, b: a << b,
    ast.RShift: lambda a, b: a >> b, ast.BitAnd: lambda a, b: a & b, ast.BitOr: lambda a, b: a | b,
    ast.BitXor: lambda a, b: a ^ b,
}  # fmt: skip
_ON_BITS = {kind: _PLAIN[kind] for kind in (ast.BitAnd, ast.BitOr, ast.BitXor)}
_ON_NUMBERS = {kind: _PLAIN[kind] for kind in (ast.Add, ast.Sub, ast.Mult)}
_COMPARED: dict[type, Callable[[Any, Any], Any]] = {
    ast.Eq: lambda a, b: a == b, ast.NotEq: lambda a, b: a != b, ast.Lt: lambda a, b: a < b,
    ast.LtE: lambda a, b: a <= b, ast.Gt: lambda a, b: a > b, ast.GtE: lambda a, b: a >= b,
}  # fmt: skip


def unary(op: ast.unaryop, a: Any) -> Any:
    """`op a`."""
    if isinstance(op, ast.Not):
        known = truth(a)
        return z3.Not(known) if is_formula(known) else not known
    if isinstance(op, ast.USub):
        return -number(a)
    if isinstance(op, ast.Invert):
        return ~a if not isinstance(a, z3.ArithRef) else -a - 1
    raise NotUnderstood(type(op).__name__)
