"""The numbered properties: what each says, how it is settled, and the run over all of them.

Numbers follow the rules of docs/protection.md.  Three ways to settle one: *scan* and *cell* properties are put to an
SMT solver over the walked source, for every state that keeps the invariant, every input, and any settings within
their bounds; *table* properties are looked at row by row.  The invariant itself is property 0.1: it holds at power-up
and every scan keeps it, so it holds in every reachable state.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any, Callable, Iterator, Optional, Sequence

import z3

from packwarden import packs
from packwarden.bench.scenario import settings_of
from packwarden.proof import cells, parts, rows, sequence
from packwarden.proof.model import Scan
from packwarden.proof.values import NotUnderstood, as_bool
from warden import elements, modes, permissives
from warden import sequence as tables

LIMIT_MS = 20000  # for one claim; a claim that takes longer counts as not proved
Packs = Sequence[tuple[str, Sequence[int]]]


@dataclass(frozen=True)
class Property:
    """One property.  `scan`, `cell`, `table`: the functions that give its claims."""

    number: str
    title: str
    scan: tuple[Callable[[Scan], Any], ...] = ()
    cell: tuple[Callable[[cells.Cells], Any], ...] = ()
    part: tuple[Callable[[Packs], Iterator[tuple[str, Any]]], ...] = ()
    table: tuple[Callable[[Packs], Iterator[rows.Finding]], ...] = ()


@dataclass
class Failure:
    """A claim that does not hold: where, and with what."""

    claim: str
    where: str
    state: dict[str, str]
    rows: tuple[str, ...] = ()

    def in_words(self) -> str:
        """For one line."""
        told = ", ".join("%s=%s" % kv for kv in self.state.items())
        return "%s%s%s" % (self.claim, ", %s" % self.where if self.where else "", ": " + told if told else "")


@dataclass
class Outcome:
    """What came of one property."""

    of: Property
    claims: int = 0
    failures: list[Failure] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)  # claims that no state at all puts to the test
    took_s: float = 0.0
    first: bool = False

    def fail(self, failure: Failure) -> None:
        """A claim is broken."""
        self.failures.append(failure)
        if self.first:
            raise _Enough(self)

    @property
    def holds(self) -> bool:
        """Every claim holds, and there was one."""
        return not self.failures and not self.empty and self.claims > 0


class _Enough(Exception):
    """The first broken claim was all that was asked for."""

    def __init__(self, outcome: Outcome) -> None:
        super().__init__()
        self.outcome = outcome


def _debounce(_packs: Packs) -> Iterator[tuple[str, Any]]:
    yield "any times", parts.Debounce()


def _letting_go(_packs: Packs) -> Iterator[tuple[str, Any]]:
    for mode, name in enumerate(modes.MODES):
        yield name, parts.LettingGo(mode)


def _curve(known: Packs) -> Iterator[tuple[str, Any]]:
    for name, values in known:
        yield name, parts.Curve(values)


def _plain(function: Callable[[], Iterator[rows.Finding]]) -> Callable[[Packs], Iterator[rows.Finding]]:
    return lambda _packs: function()


PROPERTIES = (
    Property("0.1", "the invariant holds at power-up, and every scan keeps it", scan=(sequence.keeps_on,),
             cell=(cells.waits, cells.counted), part=(_letting_go,), table=(_plain(parts.begins_safe),)),
    Property("1.1", "no power output in boot, rest or lockout, whatever the inputs", scan=(sequence.safe_modes,)),
    Property("1.2", "boot is left only after the self-test, or to lockout", scan=(sequence.self_test,)),
    Property("1.3", "every mode can be reached from power-up, and left again", table=(_plain(rows.reachable),)),
    Property("2.1", "the charger is never on with main, precharge or enable", scan=(sequence.two_doors,)),
    Property("2.2", "nothing of the drive path begins to close with a plug there, or within unplug_hold_ms of one",
             scan=(sequence.unplugged,)),
    Property("2.3", "a lost loop or a plug is what its element sees", scan=(sequence.flags,)),
    Property("2.4", "the charger is on only with the plug seen, main seen open and the key off",
             scan=(sequence.charging,)),
    Property("2.5", "a drive begins only on a new press of start with all that must be closed closed",
             scan=(sequence.starting,)),
    Property("3.1", "main begins to close only out of precharge, precharged", scan=(sequence.main_after_precharge,)),
    Property("3.2", "precharged means: within the band, not too early, and the curve judged right", part=(_curve,)),
    Property("3.3", "precharge ends by itself", scan=(sequence.precharge_ends,)),
    Property("4.1", "an opening trip puts every power output off in the same scan, from every mode",
             scan=(sequence.opens,)),
    Property("4.2", "a staged trip takes enable and limit at once; main opens at low current or after shed_ms",
             scan=(sequence.stages,)),
    Property("4.3", "nothing but a trip or the key ends a drive", scan=(sequence.drive_lasts,)),
    Property("4.4", "what is wrong is shown by lamp, trip lamp and buzzer", scan=(sequence.told,)),
    Property("4.5", "a derate only brings the limit down, and the limit stays within its bounds",
             scan=(sequence.less_power,)),
    Property("5.1", "what keeps a module from reversal watches the voltage as it is", table=(rows.floor_as_it_is,)),
    Property("5.2", "every protection required is given, in its modes and in time; an element acts when it must",
             cell=(cells.acts, cells.releases), table=(rows.protections,)),
    Property("5.3", "no row acts that no protection asks for", table=(_plain(rows.needed),)),
    Property("6.1", "a reading that is not believed holds nothing off and clears nothing", cell=(cells.doubts,)),
    Property("6.2", "every fault of a measurement alarms, and trips when it lasts", table=(_plain(rows.measurements),)),
    Property("7.1", "every trip is latched in the scan in which it operates", scan=(sequence.latches,)),
    Property("7.2", "a lockout ends only with causes gone, key off, and a new press of reset or a code",
             scan=(sequence.leaves_lockout,)),
    Property("7.3", "a latch outlives power, and damage to the memory counts as one",
             scan=(sequence.powers_up_latched,), table=(_plain(parts.image_survives),)),
    Property("8.1", "time is exact across the wrap of the clock", scan=(sequence.time_wraps,)),
    Property("8.2", "a late scan is counted, and its element sees it", scan=(sequence.late,)),
    Property("9.1", "nothing on the wire puts a power output on", scan=(sequence.wire_adds_nothing,),
             table=(_plain(parts.wire_touches),)),
    Property("9.2", "a reset by wire clears no more than the button", scan=(sequence.wire_reset,)),
    Property("10.1", "no dropout meets its pickup, for any settings within bounds", table=(_plain(rows.hysteresis),)),
    Property("10.2", "rest lasts min_dwell_ms before anything closes", scan=(sequence.dwells,)),
    Property("10.3", "closings are limited", scan=(sequence.closings,)),
    Property("10.4", "no row of any table is dead or there twice", table=(_plain(rows.alive), _plain(rows.matters))),
    Property("10.5", "an input is believed after its time: no sooner, no later", part=(_debounce,)),
)  # fmt: skip

BY_NUMBER = {p.number: p for p in PROPERTIES}
Tell = Callable[[str, int, int], None]


class Prover:
    """Settles properties.  `known`: the packs whose own settings are looked at, as (name, values)."""

    def __init__(self, known: Optional[Packs] = None) -> None:
        self.known = known or [(name, settings_of(packs.load_pack(name))) for name in packs.shipped()]
        self._scans: dict[int, tuple[Scan, z3.Solver]] = {}
        self._cells: dict[int, tuple[cells.Cells, z3.Solver]] = {}

    def run(self, wanted: Sequence[Property], tell: Optional[Tell] = None) -> list[Outcome]:
        """Settle these.  tell(number, how many are done, of how many)."""
        out = []
        for n, each in enumerate(wanted):
            if tell:
                tell(each.number, n, len(wanted))
            out.append(self.settle(each))
        return out

    def settle(self, each: Property, first: bool = False) -> Outcome:
        """One property.  first: no further than the first claim that is broken."""
        try:
            return self._settle(each, first)
        except _Enough as enough:
            return enough.outcome

    def _settle(self, each: Property, first: bool) -> Outcome:
        started = time.perf_counter()
        outcome = Outcome(each, first=first)
        tested: dict[str, bool] = {}
        try:
            for function in each.scan:
                for mode in range(len(modes.MODES)):
                    scan, solver = self._scan(mode)
                    self._claims(outcome, solver, function(scan), modes.MODES[mode], tested)
            for ask in each.cell:
                for mode in range(len(modes.MODES)):
                    cell, solver = self._cell(mode)
                    self._claims(outcome, solver, ask(cell), modes.MODES[mode], tested)
            for make in each.part:
                for where, part in make(self.known):
                    solver = _solver(part.given())
                    self._claims(outcome, solver, part.claims(), where, tested)
            for look in each.table:
                for finding in look(self.known):
                    outcome.claims += 1
                    if not finding.holds:
                        about = (finding.row,) if finding.row else ()
                        state = {"why": finding.why} if finding.why else {}
                        outcome.fail(Failure(finding.what, "", state, about))
        except NotUnderstood as error:
            outcome.failures.append(Failure("the source is one that can be walked", "", {"but": str(error)[:200]}))
        outcome.empty = sorted(name for name, seen in tested.items() if not seen)
        outcome.took_s = time.perf_counter() - started
        return outcome

    def _scan(self, mode: int) -> tuple[Scan, z3.Solver]:
        if mode not in self._scans:
            scan = Scan(mode)
            self._scans[mode] = scan, _solver(scan.given())
        return self._scans[mode]

    def _cell(self, mode: int) -> tuple[cells.Cells, z3.Solver]:
        if mode not in self._cells:
            cell = cells.Cells(mode)
            self._cells[mode] = cell, _solver(cell.given())
        return self._cells[mode]

    def _claims(self, outcome: Outcome, solver: z3.Solver, claims: Any, where: str, tested: dict[str, bool]) -> None:
        for name, claim in claims:
            outcome.claims += 1
            formula = as_bool(claim)
            solver.push()
            solver.add(z3.Not(formula))
            found = solver.check()
            if found != z3.unsat:
                gave_up = {"solver": "gave up: %s" % solver.reason_unknown()}
                state = _state(solver.model()) if found == z3.sat else gave_up
                outcome.fail(Failure(name, where, state))
            solver.pop()
            # A claim `if A then B` says nothing where A can't be: it has to be possible somewhere.
            kind = name.rpartition(": ")[2]  # of claims about one thing after the other
            if not tested.get(kind):
                tested[kind] = not z3.is_implies(formula) or solver.check(formula.arg(0)) == z3.sat


def _solver(given: Sequence[z3.BoolRef]) -> z3.Solver:
    solver = z3.Solver()
    solver.set("timeout", LIMIT_MS)
    solver.add(*given)
    if solver.check() != z3.sat:
        raise NotUnderstood("what is taken for granted contradicts itself")
    return solver


# Of a state that breaks a claim, what a person can use.
_TOLD = ("raw", "bits", "word", "outputs", "mode_ms", "dt_ms", "latched", "now_ms", "last_ms", "ma", "link_mv",
         "string_mv", "asked", "released", "start_open", "unplug_ms", "clear_ms", "state0", "timer0", "x0", "known",
         "pickup0", "dropout0", "delay0", "awake0", "action0")  # fmt: skip


def _state(model: z3.ModelRef) -> dict[str, str]:
    out = {}
    for d in model.decls():
        name = d.name().partition("!")[0]
        if d.arity() == 0 and name in _TOLD:
            value = model[d]
            if isinstance(value, z3.BitVecNumRef) and name in ("raw", "bits", "word", "outputs"):
                table = modes.OUTPUTS if name == "outputs" else modes.BITS
                set_bits = [word for word, bit, _ in table if value.as_long() & bit]
                out[name] = "+".join(set_bits) or "none"
            else:
                out[name] = str(value)
    return out


def covered(outcomes: Sequence[Outcome]) -> str:
    """What the run covered, for people."""
    return (
        "%d claims: for each of %d modes every value of %d input and fact bits and of every measurement, any timers, "
        "any time between scans, any settings within their bounds; %d table rows one by one"
        % (sum(o.claims for o in outcomes), len(modes.MODES), len(modes.BITS), table_rows())
    )


def table_rows() -> int:
    """Rows of the firmware's tables that were looked at."""
    return len(elements.ACTION) + len(tables.TRANSITIONS) + len(tables.OUTPUTS) + len(permissives.TABLE)
