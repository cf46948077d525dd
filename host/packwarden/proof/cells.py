"""What one row of the element table does to one thing that it watches: the real `Elements.evaluate`, on unknowns.

Two rows that nothing is known of are run over the same quantities, so that what the first does can't spoil the second.
Pickup, dropout and delay are any that settings allow; the reading, whether it is believed, the mode, the time passed
and the state before are any at all.
"""

from __future__ import annotations

from typing import Any

import z3

from packwarden.proof.model import Counted, a_relay, nothing
from packwarden.proof.symbolic import Walker
from packwarden.proof.values import Store, as_bool, number
from warden import elements, modes

IDLE, PICKED, OPERATED = elements.IDLE, elements.PICKED, elements.OPERATED


class Row:
    """One row of which nothing is known, and its one cell before and after."""

    def __init__(self, n: int) -> None:
        self.n = n
        self.awake = z3.BitVec("awake%d" % n, 32)
        self.pickup = z3.Int("pickup%d" % n)
        self.dropout = z3.Int("dropout%d" % n)
        self.delay_ms = z3.Int("delay%d" % n)
        self.action = z3.BitVec("action%d" % n, 32)
        self.measures = z3.Bool("measures%d" % n)
        self.state = z3.Int("state%d" % n)
        self.timer_ms = z3.Int("timer%d" % n)
        self.x = z3.Int("x%d" % n)
        self.sign = z3.Int("sign%d" % n)
        self.state_after: Any = None
        self.timer_after: Any = None

    def literal(self) -> tuple[Any, ...]:
        """As `Elements.configure` makes it: awake in, row, first cell, quantity, sign, pickup, dropout, delay."""
        return (self.awake, self.n, self.n, self.n, self.sign, self.pickup, self.dropout, self.delay_ms)

    def asks(self, actions: int) -> z3.BoolRef:
        """The row asks for one of these."""
        return self.action & actions != 0


class Cells:
    """`Elements.evaluate` in one mode with the quantities' `known` bits and the time passed unknown."""

    def __init__(self, mode: int) -> None:
        self.rows = [Row(0), Row(1)]
        real = a_relay().elements
        actions, measures = [r.action for r in self.rows], [r.measures for r in self.rows]
        named = {"warden.elements.ACTION": actions, "warden.elements.MEASURES": measures}
        self.walker = Walker({"Elements._tell": nothing}, named)
        ref = self.walker.root("elements", real)
        self.dt = z3.Int("dt_ms")
        self.known = z3.BitVec("known", 32)
        self.start: Store = {("elements", "mode"): mode, ("elements", "live"): z3.Int("live"),
                             ("elements", "trip_row"): z3.Int("trip_row"),
                             ("elements", "rows"): ([r.literal() for r in self.rows], [], [])}  # fmt: skip
        counts = {"%s%d" % (c, n): z3.Int("%s%d" % (c, n)) for c in ("up", "picked") for n in range(6)}
        counts.update(live=z3.Int("live"), trip_row=z3.Int("trip_row"))
        Counted("elements").write(self.start, counts)
        for r in self.rows:
            self.start[("elements.state", r.n)] = r.state
            self.start[("elements.timer_ms", r.n)] = r.timer_ms
        quantities = [r.x for r in self.rows]
        args = [elements.STRING, 0, quantities, self.known, self.dt]
        self.end, _ = self.walker.call(self.start, elements.Elements.evaluate, ref, args)
        for r in self.rows:
            r.state_after, r.timer_after = self.end[("elements.state", r.n)], self.end[("elements.timer_ms", r.n)]
        self.before = Counted("elements").read(self.walker, self.start, real)
        self.after = Counted("elements").read(self.walker, self.end, real)
        self.mode = mode

    def given(self) -> list[z3.BoolRef]:
        """What settings and the code around promise."""
        out = [self.dt >= 0, self.dt <= 60000, self.before["trip_row"] >= -1]
        for r in self.rows:
            out += [r.state >= IDLE, r.state <= OPERATED, r.timer_ms >= 0, r.pickup > r.dropout, r.delay_ms >= 0,
                    r.action & ~((1 << len(modes.ACTION_NAMES)) - 1) == 0, z3.Or(r.sign == 1, r.sign == -1),
                    z3.Implies(r.state == IDLE, r.timer_ms == 0),
                    z3.Implies(r.state == PICKED, r.timer_ms < r.delay_ms)]  # fmt: skip
        return out

    def is_known(self, r: Row) -> z3.BoolRef:
        """The row's quantity is believed."""
        return self.known & (1 << r.n) != 0

    def is_awake(self, r: Row) -> z3.BoolRef:
        """The row is awake in this mode."""
        return r.awake & (1 << self.mode) != 0

    def value(self, r: Row) -> Any:
        """The quantity, so signed that beyond means more."""
        return z3.If(r.sign == 1, r.x, -r.x)


def acts(c: Cells) -> list[tuple[str, z3.BoolRef]]:
    """A row acts when it must: picks up at its pickup, and operates once that has lasted its delay."""
    out = []
    for r in c.rows:
        beyond = z3.And(c.is_awake(r), c.is_known(r), c.value(r) >= r.pickup)
        out += [
            ("picks up", z3.Implies(z3.And(beyond, r.state == IDLE, r.delay_ms > 0),
                                    z3.And(r.state_after == PICKED, r.timer_after == 0))),
            ("acts at once", z3.Implies(z3.And(beyond, r.delay_ms == 0, r.state == IDLE), r.state_after == OPERATED)),
            ("counts on", z3.Implies(z3.And(beyond, r.state == PICKED, r.timer_ms + c.dt < r.delay_ms),
                                     z3.And(r.state_after == PICKED, r.timer_after == r.timer_ms + c.dt))),
            ("acts in time", z3.Implies(z3.And(beyond, r.state == PICKED, r.timer_ms + c.dt >= r.delay_ms),
                                        r.state_after == OPERATED)),
            ("stays", z3.Implies(z3.And(beyond, r.state == OPERATED), r.state_after == OPERATED)),
        ]  # fmt: skip
    return out


def waits(c: Cells) -> list[tuple[str, z3.BoolRef]]:
    """A row acts on nothing less: never before its delay, nor short of its pickup, nor asleep."""
    out = []
    for r in c.rows:
        newly = z3.And(r.state != OPERATED, r.state_after == OPERATED)
        out += [
            ("not before its delay", z3.Implies(newly, z3.Or(z3.And(r.state == PICKED, r.timer_ms + c.dt >= r.delay_ms),
                                                             z3.And(r.state == IDLE, r.delay_ms == 0)))),
            ("not short of its pickup", z3.Implies(z3.And(r.state == IDLE, r.state_after != IDLE),
                                                   z3.And(c.is_known(r), c.value(r) >= r.pickup))),
            ("asleep", z3.Implies(z3.Not(c.is_awake(r)), z3.And(r.state_after == r.state,
                                                                r.timer_after == r.timer_ms))),
            ("in order", z3.And(r.state_after >= IDLE, r.state_after <= OPERATED, r.timer_after >= 0,
                                z3.Implies(r.state_after == IDLE, r.timer_after == 0),
                                z3.Implies(r.state_after == PICKED, r.timer_after < r.delay_ms))),
        ]  # fmt: skip
    return out


def doubts(c: Cells) -> list[tuple[str, z3.BoolRef]]:
    """A reading that is not believed holds nothing off and clears nothing."""
    out = []
    for r in c.rows:
        lost = z3.And(c.is_awake(r), z3.Not(c.is_known(r)))
        ran_out = r.timer_ms + c.dt >= r.delay_ms
        out += [
            ("a timer runs on", z3.Implies(z3.And(lost, r.state == PICKED),
                                           z3.If(ran_out, r.state_after == OPERATED,
                                                 z3.And(r.state_after == PICKED,
                                                        r.timer_after == r.timer_ms + c.dt)))),
            ("what acted stays", z3.Implies(z3.And(lost, r.state == OPERATED), r.state_after == OPERATED)),
            ("nothing begins", z3.Implies(z3.And(lost, r.state == IDLE), r.state_after == IDLE)),
        ]  # fmt: skip
    return out


def releases(c: Cells) -> list[tuple[str, z3.BoolRef]]:
    """A row lets go at its dropout and nowhere else; a measurement that is bad by turns keeps half its time."""
    out = []
    for r in c.rows:
        back = z3.And(c.is_awake(r), c.is_known(r), c.value(r) <= r.dropout)
        slowly = z3.And(r.state == PICKED, r.measures, r.timer_ms > c.dt)
        out += [
            ("not before its dropout", z3.Implies(z3.And(r.state != IDLE, r.state_after == IDLE), back)),
            ("at its dropout", z3.Implies(z3.And(back, z3.Not(slowly)), r.state_after == IDLE)),
            ("slowly", z3.Implies(z3.And(back, slowly), z3.And(r.state_after == PICKED,
                                                               2 * r.timer_after >= 2 * r.timer_ms - c.dt,
                                                               r.timer_after <= r.timer_ms))),
        ]  # fmt: skip
    return out


def counted(c: Cells) -> list[tuple[str, z3.BoolRef]]:
    """What the scan reads of the elements agrees with their cells: the contract of model.evaluated."""
    def change(of: Any, test: Any) -> Any:
        """By how many cells that pass `test` there are more, among rows that pass `of`."""
        return z3.Sum([z3.If(z3.And(of(r), test(r.state_after)), 1, 0) - z3.If(z3.And(of(r), test(r.state)), 1, 0)
                       for r in c.rows])  # fmt: skip

    out = []
    for n in range(len(modes.ACTION_NAMES)):
        for column, state in (("up", OPERATED), ("picked", PICKED)):
            name = "%s%d" % (column, n)
            grew = number(c.after[name]) - c.before[name]
            out.append(("%s of %s" % (column, modes.ACTION_NAMES[n]),
                        grew == change(lambda r, n=n: r.asks(1 << n), lambda s, state=state: s == state)))  # fmt: skip

    def trips(r: Row) -> z3.BoolRef:
        return r.asks(modes.TRIPS)

    out.append(("live", number(c.after["live"]) - c.before["live"] == change(trips, lambda s: s != IDLE)))
    newly = z3.Or([z3.And(trips(r), r.state != OPERATED, r.state_after == OPERATED) for r in c.rows])
    row = number(c.after["trip_row"])
    first = z3.And(newly, c.before["trip_row"] < 0)
    out += [
        ("a trip is handed on", z3.Implies(newly, row >= 0)),
        ("nothing else is", z3.Implies(z3.Not(newly), row == c.before["trip_row"])),
        ("the first is kept", z3.Implies(c.before["trip_row"] >= 0, row == c.before["trip_row"])),
        ("it is the row's own", z3.Implies(first, z3.Or([z3.And(row == r.n, trips(r), r.state_after == OPERATED)
                                                         for r in c.rows]))),
    ]  # fmt: skip
    return out


def as_claims(claims: list[tuple[str, Any]]) -> list[tuple[str, z3.BoolRef]]:
    """Each claim as a formula."""
    return [(name, as_bool(claim)) for name, claim in claims]
