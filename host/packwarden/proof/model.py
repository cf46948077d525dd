"""One scan of the real relay on unknowns: any state, any input, any settings within their bounds.

`Scan` walks the source of `Relay.scan` and of all that it calls, down to the tables.  Only what measures is left open:
what `sense` makes of its counts may be anything, and so may what the elements do, within the contract that cells.py
proves of `Elements.evaluate`.  So what holds here holds for every pack, every fault and every driver.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Mapping, Optional, Sequence

import z3

from packwarden import paths
from packwarden.proof.symbolic import Walker
from packwarden.proof.values import Method, Ref, Store, as_bool, bits, number

paths.use_firmware()

from boards.bench import Board  # noqa: E402
from warden import elements, journal, modes, permissives, relay, settings  # noqa: E402

TICKS = (1 << 30) - 1
LONGEST = 60000  # a scan counts no more than this, however late it came; properties say so where it matters

# Settings that the scan itself looks at.  48 and 72 work on the pack's own (see Curve); switches are on.
OPEN_SETTINGS = (
    "boot_ms", "min_dwell_ms", "shed_ms", "unplug_hold_ms", "clear_ms", "break_ma", "link_dead_mv", "ops_window_ms",
    "derate_permille", "stuck_button_ms", "late_trip_ms",
)  # fmt: skip


def open_values(values: Sequence[int], names: Sequence[str]) -> tuple[tuple[Any, ...], list[z3.BoolRef]]:
    """`values` with those of `names` unknown; and the bounds and orders that the firmware keeps them to."""
    out: list[Any] = list(values)
    unknown = {}
    for name in names:
        unknown[name] = out[settings.BASE[name]] = z3.Int("set." + name)
    rows = {row[0]: row for row in settings.TABLE}
    kept = [z3.And(rows[name][4] <= v, v <= rows[name][5]) for name, v in unknown.items()]
    for low, high, margin, _about in settings.ORDER:
        if low in unknown or high in unknown:
            kept.append(out[settings.BASE[low]] + margin <= out[settings.BASE[high]])
    return tuple(out), kept


def a_relay(values: Optional[Sequence[int]] = None) -> Any:
    """A relay of the firmware with these settings (the defaults when none), as it is at power-up."""
    board = Board()
    image = bytearray(settings.IMAGE_BYTES)
    settings.pack(settings.defaults() if values is None else values, image)
    board.nv[: len(image)] = image
    return relay.Relay(board)


def nothing(_walker: Walker, _store: Store, _owner: Optional[Ref], _args: Sequence[Any]) -> Any:
    """A stub for what neither decides nor changes anything that does."""
    return None


def zero(_walker: Walker, _store: Store, _owner: Optional[Ref], _args: Sequence[Any]) -> Any:
    """A stub that gives 0."""
    return 0


def measured(walker: Walker, store: Store, owner: Optional[Ref], _args: Sequence[Any]) -> Any:
    """In place of Sense.scalars: anything may have been measured."""
    assert owner is not None
    for name in ("ma", "string_mv", "link_mv", "sum_mv", "median_mv"):
        store[(owner.path, name)] = walker.fresh(name)
    store[(owner.path, "ma_known")] = walker.fresh("ma_known", "bool")
    store[(owner.path, "string_known")] = walker.fresh("string_known", "bits")
    store[(owner.path, "ever")] = walker.fresh("ever", "bits")
    store[(owner.path, "iso_outputs")] = walker.fresh("iso", "bits") & (modes.ISO_POS | modes.ISO_NEG)


class Counted:
    """What the elements count, read from or written to a store: `up` and `picked` for each action, `live`, the trip."""

    def __init__(self, path: str) -> None:
        self.path = path

    def read(self, walker: Walker, store: Store, real: Any) -> dict[str, Any]:
        """Every count, by name."""
        ref = Ref(self.path, real)
        out = {}
        for column in ("up", "picked"):
            cells = walker.attribute(store, ref, column)
            for n in range(6):
                out["%s%d" % (column, n)] = walker.element(store, cells, n)
        out["live"] = walker.attribute(store, ref, "live")
        out["trip_row"] = walker.attribute(store, ref, "trip_row")
        return out

    def write(self, store: Store, counts: dict[str, Any]) -> None:
        """Set every count."""
        for name, value in counts.items():
            if name in ("live", "trip_row"):
                store[(self.path, name)] = value
            else:
                store[("%s.%s" % (self.path, name[:-1]), int(name[-1]))] = value


def sound(c: dict[str, Any]) -> z3.BoolRef:
    """What always holds of the elements' counts (proved of each cell, so of their sum)."""
    parts = [number(v) >= 0 for name, v in c.items() if name != "trip_row"]
    up, picked = c["up4"] + c["up5"], c["picked4"] + c["picked5"]
    # A row that trips asks for one of the two, so `live` counts each of its cells that is not idle once or twice here.
    parts += [c["live"] <= up + picked, up + picked <= 2 * c["live"]]
    return z3.And(parts)


def evaluated(walker: Walker, store: Store, owner: Optional[Ref], _args: Sequence[Any]) -> Any:
    """In place of Elements.evaluate: any rows may have picked up, operated or released."""
    assert owner is not None
    counted = Counted(owner.path)
    was = counted.read(walker, store, owner.real)
    now = {name: walker.fresh(name) for name in was}
    tripped = walker.fresh("tripped", "bool")
    walker.assumed += [
        sound(now),
        z3.Implies(tripped, now["trip_row"] >= 0),
        z3.Implies(z3.Not(tripped), z3.And(now["trip_row"] == number(was["trip_row"]),
                                           now["up4"] <= was["up4"], now["up5"] <= was["up5"])),
        now["trip_row"] >= -1,
    ]  # fmt: skip
    counted.write(store, now)
    ever = z3.Or(as_bool(store.get(("note", "tripped"), False)), tripped)
    # No cell is looked at twice in a scan, so one that has operated in it is still up.
    walker.assumed.append(z3.Implies(ever, now["up4"] + now["up5"] > 0))
    store[("note", "tripped")] = ever


def parts_evaluated(walker: Walker, store: Store, owner: Optional[Ref], args: Sequence[Any]) -> Any:
    """In place of Relay._modules and Relay._box, which evaluate the rows of modules and boxes."""
    assert owner is not None
    evaluated(walker, store, Ref(owner.path + ".elements", owner.real.elements), args)


def entered(walker: Walker, store: Store, owner: Optional[Ref], _args: Sequence[Any]) -> Any:
    """In place of Elements.enter: rows that sleep in the new mode have let go, no more."""
    assert owner is not None
    counted = Counted(owner.path)
    was = counted.read(walker, store, owner.real)
    now = {name: walker.fresh(name) for name in was}
    walker.assumed.append(sound(now))
    walker.assumed += [number(now[n]) <= number(was[n]) for n in was if n != "trip_row"]
    walker.assumed.append(now["trip_row"] == number(was["trip_row"]))
    counted.write(store, now)


def noting(name: str, function: Any) -> Any:
    """Not a stub: walks the function, and notes under `name` what it returned, or the elements' counts after it."""

    def walk(walker: Walker, store: Store, owner: Optional[Ref], args: Sequence[Any]) -> Any:
        after, value = walker.walk(store, Method(owner, function, function.__qualname__), list(args))
        store.clear()
        store.update(after)
        assert owner is not None
        if name == "counts":
            value = Counted(owner.path + ".elements").read(walker, store, owner.real.elements)
        store[("note", name)] = value
        return None if name == "counts" else value

    return walk


STUBS = {
    "Relay._time": noting("dt", relay.Relay._time),
    "Relay._assemble": noting("counts", relay.Relay._assemble),
    "Sense.scalars": measured,
    "Sense.taps": nothing,
    "Relay._count_energy": nothing,
    "Relay._modules": parts_evaluated,
    "Relay._box": parts_evaluated,
    "Elements.evaluate": evaluated,
    "Elements.enter": entered,
    "Elements.configure": nothing,
    "Permissives.configure": nothing,
    "Sense.configure": nothing,
    "Journal.sample": nothing,
    "Reporter.tell": nothing,
    "Reporter.changed": nothing,
    "Reporter.low": zero,
    "Reporter.low_mv": zero,
    "digest": zero,
    "switched_off": zero,
}

_NUMBERS = (
    "clock", "mode_ms", "unplug_ms", "clear_ms", "closing_ms", "limit_u", "late_n", "late_score", "worst_ms",
    "button_ms", "chatter_ms", "link_start_mv", "link_rest_mv", "link_before_mv", "link_ms",
)  # fmt: skip
_FLAGS = ("served", "asked", "released", "start_open", "shape_seen", "link_moved")


@dataclass
class Ghost:
    """What the world did, kept beside the relay and not by it; ms by the relay's clock."""

    unplugged_ms: Any  # since a plug was last seen, debounced or not
    quiet_ms: Any  # since a row that trips was last not idle
    pressed_anew: Any  # reset was seen open since the present mode began
    start_anew: Any  # so was start


class Scan:
    """One scan from `mode`.  `before` and `after` read a field of the relay by its path, such as "relay.mode_ms"."""

    def __init__(self, mode: int, named: Optional[Mapping[str, Any]] = None) -> None:
        """named: other values for globals of the firmware, such as a table without one of its rows."""
        self.mode = mode
        self.relay = a_relay()
        self.walker = Walker(STUBS, named)
        self.ref = self.walker.root("relay", self.relay)
        wanted, self.kept = open_values(self.relay.values, OPEN_SETTINGS)
        store: Store = {}
        store, _ = self.walker.call(store, relay.Relay.configure, self.ref, [wanted])
        self.rows, kept = permissive_rows(self.relay.values)
        self.kept += kept
        self.op_ms = z3.Int("op_ms")
        self.kept += [self.op_ms >= 1, self.op_ms <= store[("relay", "window_ms")]]
        store[("relay", "op_ms")] = self.op_ms
        store.update(self._anything())
        self.start = dict(store)
        self.now = z3.Int("now_ms")
        self.raw = z3.BitVec("raw", 32)
        self.store, _ = self.walker.call(store, relay.Relay.scan, self.ref, [self.now])
        self.dt = z3.Int("dt_ms")
        self.ghost = Ghost(z3.Int("ghost.unplugged"), z3.Int("ghost.quiet"), z3.Bool("ghost.reset"),
                           z3.Bool("ghost.start"))  # fmt: skip
        self.ghost_after = self._ghost_after()

    def _anything(self) -> Store:
        """Every field that a scan may find at any value."""
        out: Store = {("relay", name): z3.Int(name) for name in _NUMBERS}
        out.update({("relay", name): z3.Bool(name) for name in _FLAGS})
        out[("relay", "last_ms")] = z3.Int("last_ms")
        out[("relay", "word")] = z3.BitVec("word", 32)
        out[("relay", "was_aux")] = z3.BitVec("was_aux", 32)
        out[("relay", "iso_on")] = z3.Bool("set.iso_on")
        out[("relay", "memory_bad")] = False
        out[("relay.board", "discretes")] = z3.BitVec("raw", 32)
        out[("relay.board", "scan_ms")] = z3.Int("scan_ms")
        out[("relay.sequence", "mode")] = self.mode
        out[("relay.sequence", "outputs")] = z3.BitVec("outputs", 32)
        out[("relay.journal.word", journal.LATCHED)] = z3.Int("latched")
        out[("relay.permissives", "bits")] = z3.BitVec("bits", 32)
        out[("relay.permissives", "busy")] = z3.Bool("busy")
        out[("relay.permissives", "rows")] = self.rows
        for n in range(len(permissives.TABLE)):
            out[("relay.permissives.timer_ms", n)] = z3.Int("timer%d" % n)
        for q in range(elements.STRING_QUANTITIES):
            out[("relay.sense.string", q)] = z3.Int("x%d" % q)
        counts = {"%s%d" % (c, n): z3.Int("%s%d" % (c, n)) for c in ("up", "picked") for n in range(6)}
        counts.update(live=z3.Int("live"), trip_row=z3.Int("trip_row"))
        Counted("relay.elements").write(out, counts)
        return out

    # -- reading --------------------------------------------------------------------------------------------

    def _read(self, store: Store, path: str) -> Any:
        owner, _, name = path.rpartition(".")
        ref = Ref(owner, self.walker._real(owner))
        if name.isdigit():
            return self.walker.element(store, ref, int(name))
        return self.walker.attribute(store, ref, name)

    def before(self, path: str) -> Any:
        """A field as the scan found it."""
        return self._read(self.start, path)

    def after(self, path: str) -> Any:
        """A field as the scan left it."""
        return self._read(self.store, path)

    def counts(self, end: bool) -> dict[str, Any]:
        """The elements' counts after (or before) the scan."""
        return Counted("relay.elements").read(self.walker, self.store if end else self.start, self.relay.elements)

    @property
    def seen(self) -> dict[str, Any]:
        """The elements' counts as this scan's facts were made of them, before a change of mode let rows go."""
        counts: dict[str, Any] = self.store[("note", "counts")]
        return counts

    @property
    def tripped(self) -> z3.BoolRef:
        """A row that trips operated in this scan."""
        return as_bool(self.store[("note", "tripped")])

    @property
    def outputs(self) -> z3.BitVecRef:
        """The outputs that the board was given."""
        return bits(self.after("relay.board.out_bits"))

    @property
    def mode_after(self) -> Any:
        """The mode that the scan ended in."""
        return self.after("relay.sequence.mode")

    def is_(self, mode: int) -> z3.BoolRef:
        """The scan ended in this mode."""
        now = self.mode_after
        return z3.BoolVal(now == mode) if isinstance(now, int) else now == mode

    def known_raw(self, bit: int) -> z3.BoolRef:
        """This input was closed as the board read it."""
        return self.raw & bit != 0

    # -- what the world did -------------------------------------------------------------------------------------

    def _ghost_after(self) -> Ghost:
        g = self.ghost
        changed = z3.Not(self.is_(self.mode))
        live = self.seen["live"]
        return Ghost(
            z3.If(self.known_raw(modes.UNPLUG), g.unplugged_ms + self.dt, 0),
            z3.If(live == 0, g.quiet_ms + self.dt, 0),
            z3.And(z3.Not(changed), z3.Or(g.pressed_anew, z3.Not(self.known_raw(modes.RESET)))),
            z3.And(z3.Not(changed), z3.Or(g.start_anew, z3.Not(self.known_raw(modes.START)))),
        )

    # -- what always holds ----------------------------------------------------------------------------------------

    def invariant(self, end: bool) -> list[tuple[str, z3.BoolRef]]:
        """What holds before and after every scan, each with its name."""
        read = self.after if end else self.before
        ghost = self.ghost_after if end else self.ghost
        mode = self.mode_after if end else self.mode
        c = self.counts(end)

        def within(*which: int) -> z3.BoolRef:
            if isinstance(mode, int):
                return z3.BoolVal(mode in which)
            return z3.Or([mode == m for m in which])

        out = read("relay.sequence.outputs")
        latched = number(read("relay.journal.word.%d" % journal.LATCHED))
        parts = [
            ("modes", within(*range(len(modes.MODES)))),
            ("off", z3.Implies(within(modes.BOOT, modes.REST, modes.LOCKOUT), bits(out) & modes.POWER == 0)),
            ("precharge on", within(modes.PRECHARGE) == (bits(out) & modes.PRE != 0)),
            ("main on", within(modes.DRIVE, modes.SHED) == (bits(out) & modes.MAIN != 0)),
            ("enable in", z3.Implies(bits(out) & modes.ENABLE != 0, within(modes.DRIVE))),
            ("charger in", z3.Implies(bits(out) & modes.CHARGER != 0, within(modes.CHARGE))),
            ("counts", sound(c)),
            ("latched when tripped", z3.Implies(c["up4"] + c["up5"] > 0, latched != 0)),
            ("latched where", z3.Implies(latched != 0, within(modes.BOOT, modes.SHED, modes.LOCKOUT))),
            ("lockout is latched", z3.Implies(within(modes.LOCKOUT), latched != 0)),
            ("no trip waits", number(c["trip_row"]) == -1),
            ("inputs alone", bits(read("relay.permissives.bits")) & ~permissives.ALL == 0),
            ("latch", z3.And(latched >= 0, latched <= 1)),
            ("last", z3.And(read("relay.last_ms") >= -1, read("relay.last_ms") <= TICKS)),
            ("clear", z3.And(read("relay.clear_ms") >= 0, read("relay.clear_ms") <= ghost.quiet_ms)),
            ("unplugged", z3.And(read("relay.unplug_ms") >= 0, read("relay.unplug_ms") <= ghost.unplugged_ms)),
            ("reset anew", z3.Implies(as_bool(read("relay.released")), as_bool(ghost.pressed_anew))),
            ("start anew", z3.Implies(as_bool(read("relay.start_open")), as_bool(ghost.start_anew))),
            ("mode time", read("relay.mode_ms") >= 0),
            ("lateness", z3.And(read("relay.late_score") >= 0,
                                read("relay.late_score") <= self.before("relay.late_most"))),
            ("ghosts", z3.And(ghost.unplugged_ms >= 0, ghost.quiet_ms >= 0)),
        ]
        busy = as_bool(read("relay.permissives.busy"))
        for n in range(len(permissives.TABLE)):
            t = read("relay.permissives.timer_ms.%d" % n)
            parts.append(("timer %d" % n, z3.And(t >= 0, z3.Or(busy, t == 0))))
        return parts

    def given(self) -> list[z3.BoolRef]:
        """What may be taken for granted of the scan: bounds of settings, the invariant before, what stubs promise."""
        scan_ms = self.before("relay.board.scan_ms")
        return [
            *self.kept, *self.walker.assumed, *[claim for _, claim in self.invariant(False)],
            self.now >= 0, self.now <= TICKS, scan_ms >= 1, scan_ms <= 1000,
            self.dt == number(self.store[("note", "dt")]),
        ]  # fmt: skip


def permissive_rows(values: Sequence[int]) -> tuple[list[tuple[Any, ...]], list[z3.BoolRef]]:
    """The permissives' rows as `Permissives.configure` makes them, on unknown times; and what bounds those."""
    names = sorted({x for row in permissives.TABLE for x in row[2:] if isinstance(x, str)})
    wanted, kept = open_values(values, names)
    walker = Walker({})
    ref = walker.root("permissives", permissives.Permissives(values))
    store, _ = walker.call({}, permissives.Permissives.configure, ref, [wanted])
    return store[("permissives", "rows")], kept
