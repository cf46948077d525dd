"""Properties of the tables, row by row: limits for every settings that a board takes, and rows that matter."""

from __future__ import annotations

from typing import Any, Iterator, NamedTuple, Sequence

import z3

from packwarden.proof.model import Scan, a_relay, open_values
from packwarden.proof.symbolic import Walker
from packwarden.proof.table_required import REQUIRED, Required
from packwarden.proof.values import number
from warden import elements, modes, permissives, sequence, settings
from warden.table_elements import QUANTITIES, WATCHED

SCAN_MS = 10
ROUND_MS = 100  # every module is sampled at least this often (a board's duty; DEVELOPERS.md)
LOST_BY = {"no_estop": "estop", "no_crash": "crash", "no_service": "service", "no_interlock": "interlock",
           "plug": "unplug"}  # fmt: skip


class Finding(NamedTuple):
    """One claim: what, whether it holds, and where it does not, a word on it.  `row`: the element row it is about."""

    what: str
    holds: bool
    why: str = ""
    row: str = ""


def resolved(values: Sequence[int], unknown: Sequence[str]) -> tuple[list[tuple[Any, ...]], list[z3.BoolRef]]:
    """The element rows as `Elements.configure` makes them of settings of which these are unknown; and their bounds."""
    wanted, kept = open_values(values, unknown)
    walker = Walker({})
    ref = walker.root("elements", a_relay().elements)
    store, _ = walker.call({}, elements.Elements.configure, ref, [wanted])
    return [row for group in store[("elements", "rows")] for row in group], kept


def name_of(index: int) -> str:
    """A row of the element table, as a person calls it."""
    return "%s/%s" % (elements.NUMBER[index].decode(), elements.STAGE[index].decode())


def hysteresis() -> Iterator[Finding]:
    """10.1"""
    switches = {elements.SWITCH[i] for i in range(len(elements.ACTION))}
    names = [row[0] for row in settings.TABLE if row[1] == 1 and settings.BASE[row[0]] not in switches]
    rows, kept = resolved(settings.defaults(), names)
    solver = z3.Solver()
    solver.add(*kept)
    if solver.check() != z3.sat:
        yield Finding("some settings are allowed", False, "the orders contradict each other")
    for _awake, index, _base, _q, _sign, pickup, dropout, delay in rows:
        for what, claim in (("dropout apart from pickup", pickup > dropout), ("a delay is no less than 0", delay >= 0)):
            solver.push()
            solver.add(z3.Not(claim) if isinstance(claim, z3.ExprRef) else z3.BoolVal(not claim))
            bad = solver.check() == z3.sat
            why = "pickup %s, dropout %s, delay %s" % (pickup, dropout, delay) if bad else ""
            if bad:
                model = solver.model()
                why += "; with " + ", ".join("%s=%s" % (d.name()[4:], model[d]) for d in model.decls()
                                             if d.name()[4:] in why)  # fmt: skip
            yield Finding("%s: %s" % (name_of(index), what), not bad, why)
            solver.pop()


# -- rows that must be there -----------------------------------------------------------------------------------


def _mask(words: str, names: Sequence[str]) -> int:
    return sum(1 << names.index(word) for word in words.split())


def _steps(delay_ms: int, step_ms: int) -> int:
    return -(-delay_ms // step_ms) * step_ms


def time_ms(index: int, mode: int, values: Sequence[int]) -> int:
    """Longest time from a fault to what this row asks for, ms: sampling, debounce, delay, and shedding."""
    watches = elements.WATCHES[index]
    boxes = sum(1 for b in range(settings.BOXES_MAX) if values[settings.BASE["box_modules"] + b])
    step_ms = (SCAN_MS, boxes * SCAN_MS, ROUND_MS)[watches]
    limit = elements.LIMITS[3 * index + 2]
    total = step_ms + _steps(values[limit] if limit >= 0 else -1 - limit, step_ms)
    quantity = QUANTITIES[watches].split()[elements.QUANTITY[index]]
    for _bit, name, lost, _made in permissives.TABLE:
        if LOST_BY.get(quantity) == name:
            total += _steps(lost if isinstance(lost, int) else values[settings.BASE[lost]], SCAN_MS)
    if elements.ACTION[index] & modes.STAGED and mode in (modes.DRIVE, modes.SHED):
        total += _steps(values[settings.BASE["shed_ms"]], SCAN_MS)
    return total


def serves(index: int, need: Required, mode: int, values: Sequence[int]) -> str:
    """Why this row does not give what is needed in this mode; empty when it does."""
    asks = _mask(need.asks, modes.ACTION_NAMES)
    if elements.ACTION[index] & asks != asks:
        return "does not ask for %s" % need.asks
    if not elements.AWAKE_IN[index] >> mode & 1:
        return "sleeps in %s" % modes.MODES[mode]
    limit = elements.LIMITS[3 * index]
    pickup = values[limit] if limit >= 0 else -1 - limit
    if not need.low <= pickup <= need.high:
        return "picks up at %d, not within %d to %d" % (pickup, need.low, need.high)
    if elements.SWITCH[index] >= 0 and (not need.switch or elements.SWITCH[index] != settings.BASE[need.switch]):
        return "can be switched off by %s" % settings.key_of(elements.SWITCH[index])
    if time_ms(index, mode, values) > need.budget_ms:
        return "takes up to %d ms, budget %d ms" % (time_ms(index, mode, values), need.budget_ms)
    return ""


def watching(need: Required) -> list[int]:
    """Rows that see what is needed seen."""
    watches = WATCHED.index(need.watches)
    quantity = QUANTITIES[watches].split().index(need.quantity)
    side = 2 if need.side == "over" else 0
    return [i for i in range(len(elements.ACTION)) if elements.WATCHES[i] == watches and elements.SIDE[i] == side
            and elements.QUANTITY[i] == quantity]  # fmt: skip


def protections(packs: Sequence[tuple[str, Sequence[int]]]) -> Iterator[Finding]:
    """5.2: every protection required is given, in every mode, in time, for every pack."""
    for need in REQUIRED:
        rows = watching(need)
        for pack, values in packs:
            for mode in need.modes.split():
                reasons = [(i, serves(i, need, modes.MODES.index(mode), values)) for i in rows]
                holds = any(not why for _, why in reasons)
                why = "; ".join("%s %s" % (name_of(i), why) for i, why in reasons) or "no row sees it"
                yield Finding("%s: %s, %s" % (need.name, mode, pack), holds, "" if holds else why, need.row)


def floor_as_it_is(packs: Sequence[tuple[str, Sequence[int]]]) -> Iterator[Finding]:
    """5.1: what keeps a module from reversal watches the voltage as it is, and no other way switches it off."""
    need = REQUIRED[0]
    for pack, values in packs:
        for mode in need.modes.split():
            rows = [i for i in watching(need) if not serves(i, need, modes.MODES.index(mode), values)]
            why = "" if rows else "none"
            yield Finding("a row on the raw voltage: %s, %s" % (mode, pack), bool(rows), why, need.row)


def needed() -> Iterator[Finding]:
    """5.3: no row acts that nothing asks for."""
    values = settings.defaults()
    for i in range(len(elements.ACTION)):
        asked, awake = 0, 0
        found = False
        for need in REQUIRED:
            if i not in watching(need):
                continue
            there = [modes.MODES.index(m) for m in need.modes.split()]
            if any(not serves(i, need, m, values) for m in there):
                found = True
                asked |= _mask(need.asks, modes.ACTION_NAMES)
                awake |= sum(1 << m for m in there)
        why = "" if found else "no protection required is given by it"
        if found and elements.ACTION[i] & ~asked & modes.TRIPS:
            why = "trips, which nothing asks of it"
        if found and elements.AWAKE_IN[i] & ~awake:
            extra = [m for n, m in enumerate(modes.MODES) if elements.AWAKE_IN[i] & ~awake & 1 << n]
            why = "awake in %s, where nothing asks for it" % ", ".join(extra)
        yield Finding("%s is asked for" % name_of(i), not why, why, name_of(i))


# -- measurement faults --------------------------------------------------------------------------------------------


def measurements() -> Iterator[Finding]:
    """6.2: whatever is about a measurement first bars a start and asks for less, and then trips."""
    groups: dict[tuple[int, int], list[int]] = {}
    for i in range(len(elements.ACTION)):
        if elements.MEASURES[i]:
            groups.setdefault((elements.WATCHES[i], elements.QUANTITY[i]), []).append(i)
    bars = modes.ALARM
    for (watches, quantity), rows in sorted(groups.items()):
        name = "%s %s" % (WATCHED[watches], QUANTITIES[watches].split()[quantity])
        alarms = [i for i in rows if elements.ACTION[i] & bars and not elements.ACTION[i] & modes.TRIPS]
        trips = [i for i in rows if elements.ACTION[i] & modes.TRIPS]
        only_alarm = name in ("string rest_ma", "string button")  # nothing flows, nothing runs: barring is enough
        only_trip = name == "string memory"  # nothing may run at all
        yield Finding("%s alarms" % name, bool(alarms) or only_trip, "no row alarms")
        yield Finding("%s trips" % name, bool(trips) or only_alarm, "no row trips")


# -- rows that do nothing -------------------------------------------------------------------------------------------


def alive() -> Iterator[Finding]:
    """10.4: every row of every table can act, and none is there twice."""
    word = z3.BitVec("word", 32)
    for n, (start, must, mustnt, end, why) in enumerate(sequence.TRANSITIONS):
        solver = z3.Solver()
        solver.add(word & must == must, word & mustnt == 0)
        for m in range(n):
            other, also, never, _, _ = sequence.TRANSITIONS[m]
            if other == start:
                solver.add(z3.Not(z3.And(word & also == also, word & never == 0)))
        text = "transition %d, %s to %s (%s)" % (n + 1, modes.MODES[start], modes.MODES[end], why)
        yield Finding(text, solver.check() == z3.sat and start != end, "an earlier row always comes first")
    for n, (at, must, mustnt, on) in enumerate(sequence.OUTPUTS):
        solver = z3.Solver()
        solver.add(word & must == must, word & mustnt == 0)
        left = z3.BitVecVal(on, 32)
        for m, (other, also, never, more) in enumerate(sequence.OUTPUTS):
            if m != n and other in (at, sequence.ANY):
                fits = z3.And(word & also == also, word & never == 0)
                left = left & ~z3.If(fits, z3.BitVecVal(more, 32), z3.BitVecVal(0, 32))
        solver.add(left != 0)
        where = "any mode" if at == sequence.ANY else modes.MODES[at]
        yield Finding("output row %d, %s" % (n + 1, where), solver.check() == z3.sat, "other rows set the same")
    for a in range(len(elements.ACTION)):
        twins = [b for b in range(len(elements.ACTION)) if b != a and _covers(b, a)]
        yield Finding("element %s" % name_of(a), not twins,
                      "does nothing that %s does not" % ", ".join(map(name_of, twins)), name_of(a))  # fmt: skip
    names = [name_of(i) for i in range(len(elements.ACTION))]
    doubled = sorted({n for n in names if names.count(n) > 1})
    yield Finding("every element row has a name of its own", not doubled, ", ".join(doubled))
    inputs = [row[0] for row in permissives.TABLE]
    right = inputs == [1 << n for n in range(len(inputs))]
    yield Finding("each input has one row, in the order of its bit", right, "%s" % inputs)


def matters() -> Iterator[Finding]:
    """10.4: without any one row of the sequence's tables, some scan would end in another mode or other outputs."""
    whole = {mode: Scan(mode) for mode in range(len(modes.MODES))}
    for name in ("TRANSITIONS", "OUTPUTS"):
        table = getattr(sequence, name)
        for n, row in enumerate(table):
            without = {"warden.sequence." + name: table[:n] + table[n + 1 :]}
            found = z3.unsat
            for mode in whole if row[0] == sequence.ANY or name == "OUTPUTS" else (row[0],):
                other = Scan(mode, without)
                solver = z3.Solver()
                solver.add(*whole[mode].given(), *other.given())
                same = z3.And(number(whole[mode].mode_after) == number(other.mode_after),
                              whole[mode].outputs == other.outputs)  # fmt: skip
                found = solver.check(z3.Not(same))
                if found != z3.unsat:
                    break
            text = "row %d of %s (%s)" % (n + 1, name, "any mode" if row[0] < 0 else modes.MODES[row[0]])
            yield Finding("%s matters" % text, found == z3.sat, "the relay does the same without it")


def _covers(b: int, a: int) -> bool:
    """Row b does all that row a does."""
    same = all(t[a] == t[b] for t in (elements.WATCHES, elements.QUANTITY, elements.SIDE, elements.SWITCH))
    limits = elements.LIMITS[3 * a : 3 * a + 3] == elements.LIMITS[3 * b : 3 * b + 3]
    more = elements.ACTION[a] & ~elements.ACTION[b] == 0 and elements.AWAKE_IN[a] & ~elements.AWAKE_IN[b] == 0
    return same and limits and more


# -- modes that can be reached -------------------------------------------------------------------------------------


def reachable() -> Iterator[Finding]:
    """1.3: there is a way from boot to every mode, and from every mode back to rest, over rows that can act."""
    ways: dict[int, set[int]] = {m: set() for m in range(len(modes.MODES))}
    for finding, (start, _must, _mustnt, end, _why) in zip(alive(), sequence.TRANSITIONS):
        if finding.holds:
            ways[start].add(end)

    def reached(start: int) -> set[int]:
        seen, todo = {start}, [start]
        while todo:
            for mode in ways[todo.pop()] - seen:
                seen.add(mode)
                todo.append(mode)
        return seen

    first = reached(modes.BOOT)
    for mode, name in enumerate(modes.MODES):
        yield Finding("%s can be reached" % name, mode in first, "no way from boot leads there")
        yield Finding("%s can be left for rest" % name, modes.REST in reached(mode), "no way leads to rest")
    steps = {
        (modes.BOOT, modes.REST), (modes.REST, modes.PRECHARGE), (modes.PRECHARGE, modes.DRIVE),
        (modes.DRIVE, modes.SHED),
        (modes.SHED, modes.REST), (modes.SHED, modes.LOCKOUT), (modes.REST, modes.CHARGE), (modes.CHARGE, modes.REST),
        (modes.LOCKOUT, modes.REST), (modes.PRECHARGE, modes.REST),
    }  # fmt: skip
    for start, end in sorted(steps):
        text = "from %s straight to %s" % (modes.MODES[start], modes.MODES[end])
        yield Finding(text, end in ways[start], "no row that can act leads there")
    for start in ways:
        if start not in (modes.DRIVE,):
            yield Finding("from %s straight to lockout" % modes.MODES[start], modes.LOCKOUT in ways[start]
                          or start == modes.LOCKOUT, "no row leads there")  # fmt: skip
    straight = {(s, e) for s in ways for e in ways[s] if e in (modes.DRIVE, modes.PRECHARGE, modes.CHARGE)}
    allowed = {(modes.REST, modes.PRECHARGE), (modes.PRECHARGE, modes.DRIVE), (modes.REST, modes.CHARGE)}
    for start, end in sorted(straight - allowed):
        yield Finding("from %s never straight to %s" % (modes.MODES[start], modes.MODES[end]), False, "a row does")
