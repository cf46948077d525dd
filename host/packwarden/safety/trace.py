"""Hazards and requirements read from their files, and the trace between requirements and what shows them.

`problems` says everything that is wrong with the trace; a test holds it to nothing.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Iterable, Mapping, Sequence

from packwarden import batch
from packwarden.bench import relay_tables, tables, verdict
from packwarden.bench.faults import KINDS
from packwarden.errors import InputError

HERE = Path(__file__).parent

# How a requirement is met: rows of the firmware's own tables.
MEANS = ("elements", "permissives", "transitions", "outputs", "settings")
# What shows that it is: kinds that do not lean on each other.  Two at least for each requirement.
SHOWS = ("proofs", "tests", "scenarios", "rules", "campaign")
KINDS_MIN = 2
# Kinds of which every one that exists must be named by a requirement.  Settings, tests and budgets need not be.
WHOLE = ("elements", "permissives", "transitions", "outputs", "scenarios", "proofs", "rules", "faults", "budgets")

# The properties of the proof, by number; a test holds the numbers to those of packwarden.proof.
PROPERTIES = {
    "0.1": "the invariant holds at power-up, and every scan keeps it",
    "1.1": "no power output in boot, rest or lockout, whatever the word",
    "1.2": "boot is left only after the self-test, or to lockout",
    "1.3": "every mode can be reached from reset and left again",
    "2.1": "the charger is never on with main, precharge or enable",
    "2.2": "nothing of the drive path begins to close while the plug is there or was within unplug_hold_ms",
    "2.3": "a lost loop or a plug is what its element sees, so that a plug seen while driving ends it",
    "2.4": "the charger is on only with the plug seen, main seen open and the key off",
    "2.5": "a drive begins only on a new press of start with all that must be closed closed",
    "3.1": "main begins to close only out of precharge, with `precharged`",
    "3.2": "`precharged` means the link within the band, not before pre_fast_ms, and the curve judged right",
    "3.3": "precharge ends by itself",
    "4.1": "an opening trip puts every power output off in the same scan, from every mode",
    "4.2": "a staged trip takes enable and limit away in the same scan; main opens at low current or after shed_ms",
    "4.3": "nothing but a trip or the key off ends a drive",
    "4.4": "what is wrong is shown by lamp, trip lamp and buzzer",
    "4.5": "a derate only brings the limit down, and the limit stays within its bounds",
    "5.1": "the floor stage watches the voltage as it is",
    "5.2": "every protection required has a row that acts within its budget",
    "5.3": "no row acts that no protection asks for",
    "6.1": "a reading that is not believed never holds a timer off nor releases",
    "6.2": "every fault of a measurement alarms, and trips when it lasts",
    "7.1": "every trip is latched in the scan in which it operates",
    "7.2": "a lockout is left only with the cause gone, the key off and a deliberate new reset",
    "7.3": "a latched relay that powers up goes to lockout",
    "8.1": "elapsed time is exact across the wrap",
    "8.2": "a late scan is counted and no timer loses time",
    "9.1": "nothing on the wire adds a power output",
    "9.2": "a wire reset clears no more than the button does",
    "10.1": "no dropout meets its pickup for any settings within bounds",
    "10.2": "a mode that was entered is kept for min_dwell_ms before the next closing",
    "10.3": "closings are limited",
    "10.4": "no row of any table is dead or doubled",
    "10.5": "debounce: a permissive is believed lost after exactly its time",
}

# The rules of the oracle, by number; a test holds the numbers to those of tests/properties/oracle.py.
RULES = {
    "0.1": "with everything in order a driver who asks gets to drive",
    "0.2": "with everything in order a plugged car charges",
    "0.3": "nothing operates without a cause",
    "1.1": "every power output and the limit off from power-up until boot_ms",
    "1.2": "damaged settings never run",
    "1.3": "enable only with main commanded and its auxiliary contact closed",
    "1.4": "limit 0 outside drive and charge",
    "2.1": "charger never on with anything of the drive path",
    "2.2": "drive path not begun within unplug_hold_ms of a plug, nor of power-up",
    "2.3": "a plug seen with the drive path closed opens it",
    "2.4": "charger begins only with the link dead and the contactor open",
    "2.5": "charger off once unplugged, and at once when the auxiliary contact closes",
    "3.1": "main closes only out of a precharge that took its time, with the link truly up",
    "3.2": "a precharge never lasts beyond pre_slow_ms",
    "4.1": "enable off means main off within shed_ms, and at once at low current",
    "4.2": "a load is broken only after shed_ms, or for an immediate cause",
    "4.3": "key off takes the enable and the limit, then main",
    "4.4": "a derating cause brings the limit down",
    "4.5": "a limit is lifted slowly",
    "4.6": "a trip takes the enable at once",
    "5.1": "27 floor: open within 500 ms whatever the load",
    "5.2": "27 compensated: open within 5 s",
    "5.4": "a low module starts nothing",
    "5.3": "27 lets sag be: low by the load alone is no trip",
    "6.1": "an untrusted measurement alarms within 1 s",
    "6.2": "an untrusted measurement trips within 10 s (stale 10.5 s)",
    "6.3": "nothing starts on an untrusted measurement",
    "7.1": "a lockout ends only by cause gone, key off and a new reset or the right code",
    "7.2": "a lockout outlives power",
    "7.3": "a trip is in the journal, with its cause",
    "7.4": "no power output while a trip is latched",
    "8.1": "a scan far too late, or a clock that jumped, opens",
    "8.2": "late scans are told",
    "8.3": "a clock that stands still opens",
    "8.4": "the clock wraps with power on, and every other rule still holds",
    "9.1": "settings are changed only at rest",
    "9.2": "each whole command gets one reply, anything else none",
    "9.3": "nothing begins but by the right hands: key, a new start, pedal, loops; or the plug",
    "9.4": "a wrong code or a live cause clears nothing",
    "10.1": "beginnings are limited: twice ops_max in any window",
    "10.2": "nothing begins within min_dwell_ms of the last",
    "10.3": "in a world that stands still a row operates once",
    "10.4": "what operated releases only beyond its dropout, unknown readings included",
    "27X.1": "aux too low opens",
    "27X.2": "aux low alarms, and too low does not start",
    "48.1": "a precharge of the wrong shape locks out",
    "48.2": "a precharge that is too fast locks out",
    "49.1": "a hot box opens within 5 s",
    "49.2": "a cold box is not charged",
    "59.1": "59 high opens within 600 ms",
    "59.2": "59 time opens",
    "60.1": "a module away from the others alarms within 5 s",
    "64.1": "isolation lost on charge takes the charger",
    "64.2": "isolation lost starts nothing",
    "69.1": "emergency stop opens within 30 ms",
    "69.2": "crash and service disconnect open within 50 ms",
    "69.3": "interlock lost opens within 100 ms",
    "72.1": "a weld is seen within 1 s of the open command",
    "72.2": "a main that does not close, or lets go, opens",
    "72.3": "a main that chatters opens",
    "76.1": "76 instantaneous opens within 30 ms",
    "76.2": "76 time opens once the I2t is spent",
    "76.3": "76 time lets be what the I2t allows",
    "M12.1": "a button that is stuck alarms and starts nothing",
}


@dataclass(frozen=True)
class Hazard:
    """What can hurt whom.  `builder`: what must be there in hardware.  `cannot`: what the relay can't do about it."""

    id: str
    name: str
    happens: str
    whom: str
    causes: str
    builder: tuple[str, ...]
    cannot: str


@dataclass(frozen=True)
class Requirement:
    """One sentence that can be tested.  `means` and `shows`: kind -> references, as in MEANS and SHOWS."""

    id: str
    text: str
    why: str
    hazards: tuple[str, ...]
    budgets: tuple[str, ...]
    means: Mapping[str, tuple[str, ...]]
    shows: Mapping[str, tuple[str, ...]]

    def shown(self) -> list[tuple[str, str]]:
        """(kind, reference) of everything that shows it; a fault in each mode it is named with."""
        out = []
        for kind in SHOWS:
            for reference in self.shows[kind]:
                out += [(kind, cell) for cell in cells(reference)] if kind == "campaign" else [(kind, reference)]
        return out


def cells(reference: str) -> list[str]:
    """The cells "fault@mode" of "fault" (every mode that it can be in) or "fault@mode mode"."""
    fault, _, modes = reference.partition("@")
    if not modes:
        return ["%s@%s" % (fault, mode) for mode in KINDS[fault].modes] if fault in KINDS else [fault + "@?"]
    return ["%s@%s" % (fault, mode) for mode in modes.split()]


# -- reading --------------------------------------------------------------------------------------------------


def read(path: Path, name: str, wanted: Sequence[str], optional: Sequence[str] = ()) -> list[dict[str, Any]]:
    """The tables `name` of a TOML file, each with the keys `wanted` and perhaps `optional`, and no other."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise InputError(path, "TOML", str(error), "a TOML file") from None
    rows: list[dict[str, Any]] = data.get(name, [])
    for row in rows:
        where = "%s %s" % (name, row.get("id", "without an id"))
        for key in wanted:
            if not row.get(key):
                raise InputError(path, "%s: %s" % (where, key), row.get(key, "missing"), "not empty")
        for key, value in row.items():
            if key not in wanted and key not in optional:
                raise InputError(path, where, key, ", ".join((*wanted, *optional)))
            if not isinstance(value, str) and not (isinstance(value, list) and all(isinstance(v, str) for v in value)):
                raise InputError(path, "%s: %s" % (where, key), value, "text or a list of texts")
    return rows


@lru_cache(maxsize=1)
def hazards() -> tuple[Hazard, ...]:
    """Every hazard, in order."""
    keys = ("id", "name", "happens", "whom", "causes", "builder", "cannot")
    rows = read(HERE / "hazards.toml", "hazard", keys)
    return tuple(Hazard(**{**row, "builder": tuple(row["builder"])}) for row in rows)


@lru_cache(maxsize=1)
def requirements() -> tuple[Requirement, ...]:
    """Every requirement, in order."""
    wanted = ("id", "text", "why", "hazards")
    rows = read(HERE / "requirements.toml", "requirement", wanted, ("budgets", *MEANS, *SHOWS))
    return tuple(
        Requirement(
            row["id"], row["text"], row["why"], tuple(row["hazards"]), tuple(row.get("budgets", ())),
            {kind: tuple(row.get(kind, ())) for kind in MEANS}, {kind: tuple(row.get(kind, ())) for kind in SHOWS},
        )
        for row in rows
    )  # fmt: skip


# -- what exists ------------------------------------------------------------------------------------------------


def existing(tests: Iterable[str]) -> dict[str, frozenset[str]]:
    """kind -> every reference that can be made.  `tests`: node ids as collected, with or without parameters."""
    return {
        "elements": frozenset(relay_tables.element_names()),
        "permissives": frozenset(relay_tables.permissive_names()),
        "transitions": frozenset(relay_tables.transition_names()),
        "outputs": frozenset(relay_tables.output_names()),
        "settings": frozenset(row.name for row in tables.setting_rows()),
        "budgets": frozenset(budget_name(number, stage) for number, stage, _ms, _about in verdict.BUDGETS),
        "proofs": frozenset(PROPERTIES),
        "rules": frozenset(RULES),
        "scenarios": frozenset(path.stem for path in batch.shipped()),
        "faults": frozenset(KINDS),
        "campaign": frozenset("%s@%s" % (kind.name, mode) for kind in KINDS.values() for mode in kind.modes),
        "tests": frozenset(test.partition("[")[0] for test in tests),
    }


def budget_name(number: str, stage: str) -> str:
    """How a row of BUDGETS is referred to."""
    return "%s/%s" % (number, stage) if stage else number


def budget_text(name: str) -> str:
    """The time of a row of BUDGETS with its unit: "500 ms", or the name of the setting that it is."""
    for number, stage, ms, _about in verdict.BUDGETS:
        if budget_name(number, stage) == name:
            return "%d ms" % ms if isinstance(ms, int) else "%s and two scans" % ms
    raise KeyError(name)


def named(found: Iterable[Requirement]) -> dict[str, dict[str, list[str]]]:
    """The trace the other way: kind -> reference -> requirements that name it."""
    out: dict[str, dict[str, list[str]]] = {kind: {} for kind in (*MEANS, *SHOWS, "budgets", "faults")}
    for r in found:
        pairs = [(kind, x) for kind in MEANS for x in r.means[kind]] + r.shown() + [("budgets", x) for x in r.budgets]
        pairs += [("faults", x.partition("@")[0]) for x in r.shows["campaign"]]
        for kind, reference in pairs:
            who = out[kind].setdefault(reference, [])
            if r.id not in who:
                who.append(r.id)
    return out


def problems(dangers: Sequence[Hazard], found: Sequence[Requirement], there: Mapping[str, frozenset[str]]) -> list[str]:
    """Everything that is wrong with the trace, a sentence each.  `there`: as `existing` gives it."""
    out = []
    for letter, rows in (("H", [h.id for h in dangers]), ("R", [r.id for r in found])):
        if rows != ["%s%d" % (letter, n) for n in range(1, len(rows) + 1)]:
            out.append("%s1, %s2 ... are not numbered in order: %s" % (letter, letter, " ".join(rows)))
    known = {h.id for h in dangers}
    for r in found:
        out += ["%s names hazard %s, which is not there" % (r.id, h) for h in r.hazards if h not in known]
        kinds = [kind for kind in SHOWS if r.shows[kind]]
        if len(kinds) < KINDS_MIN:
            out.append("%s is shown by %s only" % (r.id, " and ".join(kinds) or "nothing"))
    out += ["%s has no requirement" % h.id for h in dangers if not any(h.id in r.hazards for r in found)]
    who = named(found)
    for kind, references in who.items():
        for reference in references:
            if reference not in there[kind]:
                out.append("%s: %s %s is not there" % (" ".join(references[reference]), kind, reference))
    for kind in WHOLE:
        out += ["%s %s is named by no requirement" % (kind, x) for x in sorted(there[kind]) if x not in who[kind]]
    return out
