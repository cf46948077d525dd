"""The fault library: one table of kinds, what each does to the plant, the sensors or the relay, and how it is undone.

A row's `begin(bench, place, size)` applies it and returns what undoes it.  A knob that is not there is an error
(see `turn`): a fault is never silently without effect.  Modules and boxes are counted from 0 here.
"""

from __future__ import annotations

from typing import Any, Callable, Dict, NamedTuple, Tuple

from packwarden.bench import tampering
from packwarden.bench.context import Bench, Undo

Begin = Callable[[Bench, int, float], Undo]

ANY_MODE = ("rest", "precharge", "drive", "charge", "lockout")
STILL = ("rest", "charge", "lockout")
LOADED = ("precharge", "drive")
DRIVING = ("drive",)
START = ("rest", "precharge")
CHARGING = ("charge",)
AWAKE = ("rest", "drive", "charge")


class Kind(NamedTuple):
    """One kind of fault.  A size with low == high has no meaning: the fault is there or it is not."""

    name: str
    group: str
    about: str
    place: str  # none, module or box
    unit: str
    low: float
    high: float
    default: float
    size_about: str
    modes: Tuple[str, ...]  # modes in which it can begin and matter
    needs: str  # what it needs of a target, "" nothing (see target.CAN)
    undone: bool  # whether it can end
    begin: Begin


def turn(thing: Any, knob: str, value: Any) -> Undo:
    """Set an attribute that must exist already; returns what puts the old value back."""
    before = getattr(thing, knob)
    setattr(thing, knob, value)
    return lambda: setattr(thing, knob, before)


def turn_at(thing: Any, at: int, value: Any) -> Undo:
    """Set one element of a list; returns what puts the old value back."""
    before = thing[at]
    thing[at] = value

    def undo() -> None:
        thing[at] = before

    return undo


def both(*undos: Undo) -> Undo:
    """Undo several."""

    def undo() -> None:
        for one in undos:
            one()

    return undo


def _forever() -> None:
    """What can't be undone."""
