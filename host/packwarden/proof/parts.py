"""Properties of single parts of the relay: debounce, letting go at a change of mode, the precharge curve, the journal's
image, and what a command may touch."""

from __future__ import annotations

import ast
import inspect
from typing import Any, Iterator, Sequence

import z3

from packwarden.proof.model import Counted, Scan, a_relay, nothing, permissive_rows
from packwarden.proof.rows import Finding
from packwarden.proof.symbolic import Walker
from packwarden.proof.values import Store, as_bool, number
from warden import commands, elements, journal, modes, permissives, relay, settings

Claims = list[tuple[str, Any]]


class Debounce:
    """`Permissives.update` from any state, on times that are any that settings allow."""

    def __init__(self) -> None:
        values = settings.defaults()
        self.rows, self.kept = permissive_rows(values)
        walker = Walker({})
        ref = walker.root("permissives", permissives.Permissives(values))
        self.raw, self.bits, self.dt = z3.BitVec("raw", 32), z3.BitVec("bits", 32), z3.Int("dt_ms")
        self.busy = z3.Bool("busy")
        n = len(permissives.TABLE)
        self.timer = [z3.Int("timer%d" % i) for i in range(n)]
        self.gone = [z3.Int("gone%d" % i) for i in range(n)]  # how long the input has differed without a break
        start: Store = {("permissives", "rows"): self.rows, ("permissives", "bits"): self.bits,
                        ("permissives", "busy"): self.busy}  # fmt: skip
        start.update({("permissives.timer_ms", i): t for i, t in enumerate(self.timer)})
        self.end, _ = walker.call(start, permissives.Permissives.update, ref, [self.raw, self.dt])
        self.bits_after = self.end[("permissives", "bits")]
        self.timer_after = [self.end[("permissives.timer_ms", i)] for i in range(n)]

    def given(self) -> list[z3.BoolRef]:
        """Bounds, and what always holds: a timer stands one above the time for which its input has differed."""
        out = [*self.kept, self.dt >= 0, self.dt <= 60000, self.bits & ~permissives.ALL == 0]
        for i in range(len(self.rows)):
            out += [self.timer[i] >= 0, z3.Or(self.busy, self.timer[i] == 0), self.gone[i] >= -1,
                    z3.Implies(self.gone[i] >= 0, self.timer[i] >= 1 + self.gone[i]),
                    self.timer[i] <= z3.If(self._limit(i, lost=True) > self._limit(i, lost=False),
                                           self._limit(i, lost=True), self._limit(i, lost=False))]  # fmt: skip
        return out

    def _limit(self, i: int, lost: bool) -> Any:
        return z3.IntVal(self.rows[i][2 if lost else 3]) if isinstance(self.rows[i][2 if lost else 3], int) else (
            self.rows[i][2 if lost else 3])  # fmt: skip

    def claims(self) -> Claims:
        """10.5"""
        out: Claims = [("only inputs", self.bits_after & ~permissives.ALL == 0)]
        for i, (_n, bit, lost_ms, made_ms) in enumerate(self.rows):
            name = permissives.TABLE[i][1]
            differs = (self.raw ^ self.bits) & bit != 0
            turned = (self.bits ^ self.bits_after) & bit != 0
            limit = z3.If(self.raw & bit != 0, made_ms, lost_ms)
            gone = z3.If(self.gone[i] >= 0, self.gone[i] + self.dt, 0)  # how long it has differed, this scan included
            t = number(self.timer_after[i])
            out += [
                ("%s: agreed is agreed" % name, z3.Implies(turned, differs)),
                ("%s: believed once it has lasted" % name,
                 z3.Implies(z3.And(differs, gone >= limit, limit > 0), turned)),
                ("%s: at once where no time is set" % name, z3.Implies(z3.And(differs, limit == 0), turned)),
                ("%s: not before" % name, z3.Implies(z3.And(differs, self.timer[i] == 0, limit >= 1), z3.Not(turned))),
                ("%s: not before its time" % name, z3.Implies(z3.And(turned, self.timer[i] > 0),
                                                              self.timer[i] + self.dt > limit)),
                ("%s: the timer goes on" % name, z3.Implies(z3.And(differs, z3.Not(turned)), t >= 1 + gone)),
                ("%s: no faster than time" % name, t <= z3.If(self.timer[i] > 0, self.timer[i] + self.dt, 1)),
                ("%s: doubt fades" % name, z3.Implies(z3.And(z3.Not(differs), self.timer[i] > 0), t < self.timer[i])),
                ("%s: a loss by turns fades at half speed" % name,
                 z3.Implies(z3.And(z3.Not(differs), self.bits & bit != 0), 2 * t >= 2 * self.timer[i] - self.dt - 2)),
                ("%s: a return by turns is none" % name,
                 z3.Implies(z3.And(z3.Not(differs), self.bits & bit == 0), t == 0)),
                ("%s: begun anew once believed" % name, z3.Implies(turned, t == 0)),
                ("%s: busy while a timer runs" % name, z3.Or(as_bool(self.end[("permissives", "busy")]), t == 0)),
            ]  # fmt: skip
        return out


class LettingGo:
    """`Elements.enter` on two rows of which nothing is known."""

    def __init__(self, mode: int) -> None:
        self.awake = [z3.BitVec("awake%d" % n, 32) for n in range(2)]
        action = [z3.BitVec("action%d" % n, 32) for n in range(2)]
        named = {"warden.elements.ACTION": action, "warden.elements.AWAKE_IN": self.awake,
                 "warden.elements.WATCHES": [elements.STRING, elements.STRING]}  # fmt: skip
        walker = Walker({"Elements._tell": nothing}, named)
        real = a_relay().elements
        ref = walker.root("elements", real)
        self.mode = mode
        self.state = [z3.Int("state%d" % n) for n in range(2)]
        start: Store = {("elements", "base"): [0, 1], ("elements", "live"): z3.Int("live"),
                        ("elements", "trip_row"): z3.Int("trip_row")}  # fmt: skip
        counts = {"%s%d" % (c, n): z3.Int("%s%d" % (c, n)) for c in ("up", "picked") for n in range(6)}
        counts.update(live=z3.Int("live"), trip_row=z3.Int("trip_row"))
        Counted("elements").write(start, counts)
        for n in range(2):
            start[("elements.state", n)] = self.state[n]
            start[("elements.timer_ms", n)] = z3.Int("timer%d" % n)
        self.start = start
        self.end, _ = walker.call(start, elements.Elements.enter, ref, [mode])
        self.before = Counted("elements").read(walker, start, real)
        self.after = Counted("elements").read(walker, self.end, real)
        self.action = action

    def given(self) -> list[z3.BoolRef]:
        """States are states."""
        return [z3.And(s >= elements.IDLE, s <= elements.OPERATED) for s in self.state]

    def claims(self) -> Claims:
        """What sleeps lets go, what is awake stays, and the counts follow: the contract of model.entered."""
        out: Claims = [("the mode is taken", number(self.end[("elements", "mode")]) == self.mode)]
        for n in range(2):
            awake = self.awake[n] & (1 << self.mode) != 0
            after, timer = self.end[("elements.state", n)], self.end[("elements.timer_ms", n)]
            out += [
                ("what is awake stays", z3.Implies(awake, z3.And(after == self.state[n],
                                                                 timer == self.start[("elements.timer_ms", n)]))),
                ("what sleeps lets go", z3.Implies(z3.Not(awake), after == elements.IDLE)),
            ]  # fmt: skip
        for a in range(len(modes.ACTION_NAMES)):
            for column, state in (("up", elements.OPERATED), ("picked", elements.PICKED)):
                fewer = z3.Sum([z3.If(z3.And(self.action[n] & (1 << a) != 0, self.state[n] == state,
                                             self.end[("elements.state", n)] != state), 1, 0)
                                for n in range(2)])  # fmt: skip
                name = "%s%d" % (column, a)
                out.append(("%s of %s" % (column, modes.ACTION_NAMES[a]),
                            number(self.after[name]) == self.before[name] - fewer))  # fmt: skip
        gone = z3.Sum([z3.If(z3.And(self.action[n] & modes.TRIPS != 0, self.state[n] != elements.IDLE,
                                    self.end[("elements.state", n)] == elements.IDLE), 1, 0) for n in range(2)])
        out += [("live", number(self.after["live"]) == self.before["live"] - gone),
                ("no trip is made", number(self.after["trip_row"]) == self.before["trip_row"])]  # fmt: skip
        return out


class Curve:
    """`Relay._contactors` in precharge, with a pack's own settings of 48 and any measurements."""

    def __init__(self, values: Sequence[int]) -> None:
        self.relay = a_relay(values)
        walker = Walker({})
        self.walker = walker
        ref = walker.root("relay", self.relay)
        self.link, self.string, self.sum = z3.Int("link_mv"), z3.Int("string_mv"), z3.Int("sum_mv")
        self.start_mv, self.mode_ms = z3.Int("link_start_mv"), z3.Int("mode_ms")
        self.seen, self.moved = z3.Bool("shape_seen"), z3.Bool("link_moved")
        self.shape = z3.Int("shape")
        known, median = z3.BitVec("known", 32), z3.Int("median_mv")
        word = z3.BitVec("word", 32)
        start: Store = {
            ("relay.sense", "link_mv"): self.link, ("relay.sense", "string_mv"): self.string,
            ("relay.sense", "sum_mv"): self.sum, ("relay.sense", "median_mv"): median,
            ("relay.sense", "string_known"): known, ("relay", "link_start_mv"): self.start_mv,
            ("relay", "mode_ms"): self.mode_ms, ("relay", "shape_seen"): self.seen,
            ("relay", "link_moved"): self.moved, ("relay", "word"): word,
            ("relay.sense.string", elements.Q_PRE_SHAPE): self.shape,
        }  # fmt: skip
        for q in (elements.Q_CHATTER, elements.Q_PRE_FAST):
            start[("relay.sense.string", q)] = z3.Int("x%d" % q)
        self.end, _ = walker.call(start, relay.Relay._contactors, ref,
                                  [z3.BitVec("raw", 32), modes.PRECHARGE, z3.Int("dt_ms")])  # fmt: skip
        summed = known & (1 << elements.Q_SUM) != 0
        modules = z3.If(summed, self.sum, median * self.relay.sense.n)
        self.whole = z3.If(self.string > modules, self.string, modules)
        self.gap = self.whole - self.start_mv

    def given(self) -> list[z3.BoolRef]:
        """What is divided is divided downwards; measurements fit their converters."""
        from packwarden.proof.values import DIVIDED

        over = (self.link - self.start_mv) * 1000
        done = DIVIDED(over, self.gap)
        return [self.mode_ms >= 0, self.whole > 0, self.whole < 1000000, self.shape >= 0, self.shape <= 1,
                done == z3.Int("done")]  # fmt: skip

    def claims(self) -> Claims:
        """3.2"""
        r = self.relay
        precharged = self.end[("relay", "word")] & modes.PRECHARGED != 0
        shape = number(self.end[("relay.sense.string", elements.Q_PRE_SHAPE)])
        fast = number(self.end[("relay.sense.string", elements.Q_PRE_FAST)])
        seen = as_bool(self.end[("relay", "shape_seen")])
        done = z3.Int("done")
        wide = self.gap * 4 > self.whole
        judged = z3.And(wide, z3.Not(self.seen), seen)
        in_band = self.link * 1000 >= self.whole * (1000 - settings_of(r, "pre_band_permille"))
        low, high = settings_of(r, "pre_check_low_permille"), settings_of(r, "pre_check_high_permille")
        early = self.mode_ms < settings_of(r, "pre_fast_ms")
        return [
            ("within the band of the higher of string and modules", z3.Implies(precharged, in_band)),
            ("not before pre_fast_ms", z3.Implies(precharged, z3.Not(early))),
            ("only once the curve was judged", z3.Implies(precharged, z3.And(seen, shape == 0))),
            ("judged right between its bounds", z3.Implies(judged, (shape == 0) == z3.And(low <= done, done <= high))),
            ("judged no earlier than pre_check_ms", z3.Implies(judged, self.mode_ms >=
                                                              settings_of(r, "pre_check_ms"))),
            ("judged once", z3.Implies(z3.And(wide, self.seen), shape == self.shape)),
            ("in band too early is too fast", z3.Implies(z3.And(wide, in_band, early), fast >= 1)),
            ("and nothing else is", z3.Implies(z3.And(wide, fast >= 1), z3.And(in_band, early))),
            ("a link that reads full must have been seen to move", z3.Implies(z3.And(z3.Not(wide), precharged),
                                                                             self.moved)),
        ]  # fmt: skip


def settings_of(of: Any, name: str) -> int:
    """A setting of this relay."""
    return int(of.values[settings.BASE[name]])


# -- the journal's image, and the wire -----------------------------------------------------------------------------


def image_survives() -> Iterator[Finding]:
    """7.3: a latch comes back from memory, and a memory that is not whole counts as one."""
    board = a_relay().board
    whole = journal.Journal()
    whole.latch(3, 1, 7, modes.DRIVE)
    whole.write(board.nv, settings.IMAGE_BYTES)
    start, end = settings.IMAGE_BYTES, settings.IMAGE_BYTES + journal.IMAGE_BYTES
    found = relay.Relay(board)
    yield Finding("a latched image is latched at power-up", found.journal.word[journal.LATCHED] == 1, "it is not")
    free = journal.Journal()
    free.word[journal.BOOTS] = 5
    free.write(board.nv, start)
    found = relay.Relay(board)
    yield Finding("one that is not, is not", found.journal.word[journal.LATCHED] == 0, "it is latched")
    good = bytes(board.nv)
    lost = []
    for at in range(8 * start, 8 * end):
        board.nv[:] = good
        board.nv[at // 8] ^= 1 << at % 8
        if journal.Journal().read(board.nv, start) != journal.DAMAGED and at // 8 != start + 3:
            lost.append(at - 8 * start)
    yield Finding("any one bit of %d turned is seen" % (8 * (end - start)), not lost, "not bits %s" % lost[:8])
    board.nv[:] = good
    board.nv[start + 20] ^= 255
    found = relay.Relay(board)
    yield Finding("damage is a lockout", found.journal.word[journal.LATCHED] == 1 and found.memory_bad, "it is not")


ALLOWED = {("relay", "asked"), ("relay.reporter", "ident_due")}
CALLED = {"relay.store", "relay.board.read", "relay.powered", "relay.board.leave"}
OFF = "relay.powered() or relay.sequence.mode not in (REST, LOCKOUT)"


def wire_touches() -> Iterator[Finding]:
    """9.1: all that a command may do to the relay, read off the source of commands.py."""
    tree = ast.parse(inspect.getsource(commands))
    for node in ast.walk(tree):
        targets: list[ast.expr] = []
        if isinstance(node, ast.Assign):
            targets = node.targets
        elif isinstance(node, ast.AugAssign):
            targets = [node.target]
        for target in targets:
            name = _path(target)
            if name.startswith("relay."):
                owner, _, attribute = name.rpartition(".")
                yield Finding("sets %s" % name, (owner, attribute) in ALLOWED, "not among what a command may set")
        if isinstance(node, ast.Call):
            name = _path(node.func)
            if name.startswith("relay."):
                yield Finding("calls %s" % name, name in CALLED, "not among what a command may call")
    guarded = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name in ("_set", "_apply")]
    for function in guarded:
        first = function.body[0]
        asks = isinstance(first, ast.If) and ast.unparse(first.test) == "not self._may_change()"
        ends = isinstance(first, ast.If) and isinstance(first.body[-1], ast.Return)
        yield Finding("%s begins with asking whether it may" % function.name, asks and ends, "it does not")
    yield Finding("both ways to change settings are there", len(guarded) == 2, "%d are" % len(guarded))
    leaves = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and _path(n.func) == "relay.board.leave"]
    off = [n for n in ast.walk(tree) if isinstance(n, ast.If) and ast.unparse(n.test) == OFF]
    behind = [each for each in leaves for n in off for part in n.orelse if each in ast.walk(part)]
    only = leaves == behind and leaves != []
    yield Finding("the relay makes way only with every power output off", only, "it may do so with one on")


def _path(node: ast.expr) -> str:
    """`relay.x.y` for self.relay.x.y and for relay.x.y; empty for what is no such thing."""
    names = []
    while isinstance(node, (ast.Attribute, ast.Subscript)):
        if isinstance(node, ast.Attribute):
            names.append(node.attr)
        node = node.value
    if isinstance(node, ast.Name):
        names.append(node.id)
    names.reverse()
    if names[:1] == ["self"]:
        names = names[1:]
    return ".".join(names)


def begins_safe() -> Iterator[Finding]:
    """1.1: at power-up nothing is on, and what every scan keeps to holds already."""
    for what, spoil in (("with a whole memory", None), ("with a latch", "latch"), ("with a damaged memory", "damage")):
        made = a_relay()
        if spoil == "latch":
            kept = journal.Journal()
            kept.latch(3, 1, 7, modes.DRIVE)
            kept.write(made.board.nv, settings.IMAGE_BYTES)
        elif spoil == "damage":
            made.board.nv[settings.IMAGE_BYTES] ^= 255
        made = relay.Relay(made.board)
        off = made.board.out_bits == 0 and made.sequence.outputs == 0 and made.board.limit_permille == 0
        yield Finding("outputs off at power-up %s" % what, off, "%x" % made.board.out_bits)
        scan = Scan(modes.BOOT)
        real = [(_UNKNOWNS[name], value) for name, value in _reality(made).items()]
        for name, claim in scan.invariant(False):
            known = z3.substitute(claim, *real)
            solver = z3.Solver()
            solver.add(*scan.kept, z3.Not(known))
            yield Finding("at power-up %s: %s" % (what, name), solver.check() == z3.unsat, str(z3.simplify(known))[:80])


# The unknowns that stand for a relay's fields in Scan.
_INTS = ("last_ms", "clear_ms", "unplug_ms", "mode_ms", "late_score", "latched", "live", "trip_row", "ghost.unplugged",
         "ghost.quiet")  # fmt: skip
_UNKNOWNS: dict[str, Any] = {n: z3.Int(n) for n in _INTS}
_UNKNOWNS.update({"%s%d" % (c, n): z3.Int("%s%d" % (c, n)) for c in ("up", "picked") for n in range(6)})
_UNKNOWNS.update({"timer%d" % n: z3.Int("timer%d" % n) for n in range(len(permissives.TABLE))})
_UNKNOWNS.update({n: z3.Bool(n) for n in ("released", "start_open", "busy", "ghost.reset", "ghost.start")})
_UNKNOWNS.update({n: z3.BitVec(n, 32) for n in ("outputs", "bits")})


def _reality(made: Any) -> dict[str, Any]:
    e = made.elements
    out: dict[str, Any] = {n: z3.IntVal(getattr(made, n)) for n in ("last_ms", "clear_ms", "unplug_ms", "mode_ms",
                                                                   "late_score")}  # fmt: skip
    out.update(latched=z3.IntVal(made.journal.word[journal.LATCHED]), live=z3.IntVal(e.live),
               trip_row=z3.IntVal(e.trip_row), busy=z3.BoolVal(made.permissives.busy),
               released=z3.BoolVal(made.released), start_open=z3.BoolVal(made.start_open),
               outputs=z3.BitVecVal(made.sequence.outputs, 32),
               bits=z3.BitVecVal(made.permissives.bits, 32))  # fmt: skip
    out.update({"up%d" % n: z3.IntVal(e.up[n]) for n in range(6)})
    out.update({"picked%d" % n: z3.IntVal(e.picked[n]) for n in range(6)})
    out.update({"timer%d" % n: z3.IntVal(t) for n, t in enumerate(made.permissives.timer_ms)})
    out.update({"ghost.unplugged": z3.IntVal(0), "ghost.quiet": z3.IntVal(0), "ghost.reset": z3.BoolVal(False),
                "ghost.start": z3.BoolVal(False)})  # fmt: skip
    return out
