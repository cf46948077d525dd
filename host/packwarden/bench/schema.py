"""What a scenario file may say: one table of sections and keys, and the checking of a file against it.

The reference in docs/bench.md is made from the table by `reference()`.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from typing import Any, Dict, List, Mapping, Optional, Sequence, Tuple

from packwarden.bench.faults import KINDS
from packwarden.bench.verdict import FIGURES, HAPPENINGS
from packwarden.errors import InputError
from warden import modes, settings


class _Required:
    def __repr__(self) -> str:
        return "required"


REQUIRED = _Required()
DAY_S = 86400.0
TOTAL_S_MAX = 10 * DAY_S  # the relay's ticks wrap once in 12 days: longer runs could not be told apart
EACH_MAX = 64  # entries of any one list
TEXT_MAX = 400
NEAR_MAX = 24  # known words that a hint lists, at most
WORD_MAX = 60  # characters of a word that are compared with known ones
DOINGS = ("drive", "idle", "park", "charge", "reset")
HANDS = ("key", "start", "unplug", "interlock", "estop", "crash", "service", "reset", "pedal")


@dataclass(frozen=True)
class Key:
    """One key: `form` is text, whole, number or flag; `allowed` (low, high), words, or None."""

    name: str
    form: str
    unit: str
    allowed: Optional[Tuple[Any, ...]]
    default: Any  # REQUIRED, or None where leaving it out means something of its own
    about: str


@dataclass(frozen=True)
class Section:
    """A table of the file.  `many`: it comes any number of times, as [[name]]."""

    name: str
    many: bool
    about: str
    keys: Tuple[Key, ...]


WHEN = (
    Key("at_s", "number", "s", (0, TOTAL_S_MAX), 0.0,
        "when: from the start, or from what `after` or `when_mode` names"),
    Key("after", "text", "", None, None, "count at_s from the start of the first phase of this name"),
    Key("when_mode", "text", "", modes.MODES, None, "count at_s from the relay's first entry into this mode"),
)  # fmt: skip

SECTIONS = (
    Section("scenario", False, "What is run.", (
        Key("name", "text", "", None, REQUIRED, "the file's name without .toml"),
        Key("about", "text", "", None, REQUIRED, "one sentence: what it shows"),
        Key("pack", "text", "", None, REQUIRED,
            "a pack that comes with packwarden, or a file beside this one"),
        Key("seed", "whole", "", (0, 2**31 - 1), 1, "seed of every random number in the run"),
        Key("scan_ms", "whole", "ms", (10, 100), 10, "scan interval"),
    )),
    Section("start", False, "The state of the pack when the run begins.", (
        Key("charge_state", "number", "of full", (0, 1), 0.9, "charge state of every module"),
        Key("temp_c", "number", "degC", (-40, 80), 20.0, "temperature of every module"),
        Key("ambient_c", "number", "degC", (-40, 60), 20.0, "temperature round the boxes"),
    )),
    Section("start.module.N", False, "Module N (from 1) differs from the others.", (
        Key("capacity", "number", "of rated", (0.01, 2), 1.0, "its capacity"),
        Key("resistance", "number", "of rated", (0.1, 50), 1.0, "its resistance"),
        Key("charge_state", "number", "of full", (0, 1), None,
            "its charge state; as the others when left out"),
        Key("self_discharge", "number", "of rated", (0, 10000), 1.0, "its self-discharge"),
    )),
    Section("course", True, "What the person does, one phase after the other.", (
        Key("do", "text", "", DOINGS, REQUIRED,
            "drive: key on, start held until precharge begins, then follow the road; idle: key on, no start; "
            "park: key off; charge: key off and plugged in; reset: key off, reset button held"),
        Key("name", "text", "", None, None, "name for `after`; the `do` word when left out"),
        Key("for_s", "number", "s", (0.1, 7 * DAY_S), None,
            "how long; the whole cycle and the start when left out"),
        Key("cycle", "text", "", None, None, "drive: a standard cycle to follow"),
        Key("speed_kmh", "number", "km/h", (0, 150), None, "drive: hold this speed"),
        Key("power_w", "number", "W", (-200000, 200000), None, "drive: ask for this power at the link"),
        Key("grade_percent", "number", "%", (-30, 30), 0.0, "drive: slope of the road"),
        Key("repeat", "whole", "", (1, 100), 1, "drive: follow the cycle this many times"),
        Key("plug", "flag", "", None, None, "a charging plug is in, mains live; true for charge, else false"),
        Key("key", "flag", "", None, None, "the key is on; true for drive and idle, else false"),
        Key("scan_ms", "whole", "ms", (10, 1000), None,
            "coarser scans in the quiet of this phase; fine ones return round every event"),
    )),
    Section("input", True, "A hand on a switch, over what the person does.", WHEN + (
        Key("name", "text", "", HANDS, REQUIRED, "which input"),
        Key("value", "whole", "", (0, 1), REQUIRED, "its raw state; unplug = 0 puts a live plug in"),
        Key("for_s", "number", "s", (0.01, TOTAL_S_MAX), None, "how long; for good when left out"),
    )),
    Section("send", True, "Bytes on the relay's serial line.", WHEN + (
        Key("command", "text", "", None, None, "a command and its fields, such as \"get name=n_modules\"; "
            "number and CRC are added"),
        Key("raw", "text", "", None, None, "these characters as they are"),
        Key("count", "whole", "", (1, 1000), 1, "how many times, one a scan"),
    )),
    Section("power_cycle", True, "The relay loses its supply and starts again; its memory is kept.", WHEN + (
        Key("off_s", "number", "s", (0, DAY_S), 0.1,
            "how long the supply is gone; outputs are off meanwhile"),
    )),
    Section("fault", True, "A fault, from the table of faults.", WHEN + (
        Key("kind", "text", "", tuple(KINDS), REQUIRED, "which"),
        Key("module", "whole", "", (1, settings.MODULES_MAX), None,
            "where, for kinds that have a module as place"),
        Key("box", "whole", "", (1, settings.BOXES_MAX), None, "where, for kinds that have a box as place"),
        Key("size", "number", "by kind", None, None, "how large; meaning, range and default by kind"),
        Key("for_s", "number", "s", (0.01, TOTAL_S_MAX), None, "how long; for good when left out"),
    )),
    Section("expect", True, "What must be true.  Each has one of the first eight keys.", (
        Key("trip", "text", "", None, None,
            "this element trips and every power output goes off: \"27\" or \"27/floor\""),
        Key("alarm", "text", "", None, None, "this element operates a stage that does not trip"),
        Key("safe", "flag", "", (True,), None, "every power output is off within the time, and stays off"),
        Key("never", "text", "", tuple(HAPPENINGS), None, "this does not happen"),
        Key("happens", "text", "", tuple(HAPPENINGS), None, "this does happen"),
        Key("mode", "text", "", modes.MODES, None,
            "the relay is in this mode at at_s, by by_s, or at the end"),
        Key("line", "text", "", None, None, "the relay says a line of this kind with these fields, "
            "such as \"reply status=error\""),
        Key("figure", "text", "", tuple(FIGURES), None, "this figure lies between at_least and at_most"),
        Key("module", "whole", "", (1, settings.MODULES_MAX), None, "trip, alarm: at this module"),
        Key("box", "whole", "", (1, settings.BOXES_MAX), None, "trip, alarm: at this box"),
        Key("fault", "whole", "", (1, EACH_MAX), None, "times count from this fault's start (from 1)"),
        Key("input", "whole", "", (1, EACH_MAX), None, "times count from this input's start (from 1)"),
        Key("within_ms", "whole", "ms", (1, 10**9), None, "time allowed; the default budget when left out"),
        Key("before", "text", "", tuple(HAPPENINGS), None,
            "trip, alarm: and before this happens, if it does"),
        Key("at_s", "number", "s", (0, TOTAL_S_MAX), None, "mode: at this time"),
        Key("by_s", "number", "s", (0, TOTAL_S_MAX), None,
            "trip, alarm, mode, happens: at the latest at this time"),
        Key("from_s", "number", "s", (0, TOTAL_S_MAX), None,
            "never, happens, trip, alarm, line: only from this time on"),
        Key("until_s", "number", "s", (0, TOTAL_S_MAX), None, "never, happens: only up to this time"),
        Key("value", "number", "", None, None, "never, happens: the value compared with, where one is"),
        Key("count", "whole", "", (1, 10**6), 1, "line: at least this many such lines"),
        Key("at_least", "number", "", None, None, "figure: lowest allowed"),
        Key("at_most", "number", "", None, None, "figure: highest allowed; line: at most this many"),
    )),
)  # fmt: skip

CLAUSES = ("trip", "alarm", "safe", "never", "happens", "mode", "line", "figure")


# -- checking -----------------------------------------------------------------------------------------------


def section(name: str) -> Section:
    """The section of that name."""
    return next(s for s in SECTIONS if s.name == name)


def default_of(name: str, key: str) -> Any:
    """Default of a key of a section."""
    return next(k.default for k in section(name).keys if k.name == key)


def allowed_text(key: Key) -> str:
    """What a key may be, in words."""
    if key.form == "flag":
        return "true" if key.allowed else "true or false"
    if key.allowed is None:
        return {"text": "text", "whole": "a whole number", "number": "a number"}[key.form]
    if key.form == "text":
        return "one of " + ", ".join(key.allowed)
    kind = "a whole number from" if key.form == "whole" else "a number from"
    return ("%s %s to %s %s" % (kind, _plain(key.allowed[0]), _plain(key.allowed[1]), key.unit)).rstrip()


def near(word: str, words: Sequence[str]) -> str:
    """A hint: the known word that this one resembles, else all of them, or the nearest few where there are many."""
    close = difflib.get_close_matches(word[:WORD_MAX], list(words), n=1)
    if close:
        return "a known word; did you mean %s?" % close[0]
    if len(words) <= NEAR_MAX:
        return "one of " + ", ".join(words)
    few = difflib.get_close_matches(word[:WORD_MAX], list(words), n=5, cutoff=0.0)
    return "one of %d words, such as %s" % (len(words), ", ".join(few))


def check(file: str, path: str, table: Any, of: Section) -> Dict[str, Any]:
    """Every key of `of`, from `table` or by default.  InputError for what is missing, unknown or wrong."""
    if not isinstance(table, Mapping):
        raise InputError(file, path, table, "a table")
    names = [key.name for key in of.keys]
    for name in table:
        if name not in names:
            raise InputError(file, "%s.%s" % (path, name), table[name], near(str(name), names))
    out: Dict[str, Any] = {}
    for key in of.keys:
        where = "%s.%s" % (path, key.name)
        if key.name not in table:
            if key.default is REQUIRED:
                raise InputError(file, where, "(missing)", allowed_text(key))
            out[key.name] = key.default
            continue
        out[key.name] = _one(file, where, table[key.name], key)
    return out


def _one(file: str, where: str, value: Any, key: Key) -> Any:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if key.form == "flag":
        good = isinstance(value, bool) and (not key.allowed or value in key.allowed)
    elif key.form == "text":
        good = isinstance(value, str) and bool(value.strip()) and len(value) <= TEXT_MAX
        if good and key.allowed is not None and value not in key.allowed:
            raise InputError(file, where, value, near(value, key.allowed))
    elif key.form == "whole":
        good = number and isinstance(value, int)
    else:
        good = number and (isinstance(value, int) or math.isfinite(value))
    if good and key.form in ("whole", "number") and key.allowed is not None:
        good = bool(key.allowed[0] <= value <= key.allowed[1])
    if not good:
        raise InputError(file, where, value, allowed_text(key))
    if key.form != "number":
        return value
    try:
        return float(value)
    except OverflowError:  # a whole number beyond what a float holds
        raise InputError(file, where, value, allowed_text(key)) from None


def entries(file: str, data: Mapping[str, Any], name: str) -> List[Tuple[str, Dict[str, Any]]]:
    """(path, checked keys) of each [[name]], counted from 1."""
    tables = data.get(name, [])
    if not isinstance(tables, list):
        raise InputError(file, name, tables, "written as [[%s]], once for each" % name)
    if len(tables) > EACH_MAX:
        raise InputError(file, name, "%d entries" % len(tables), "at most %d" % EACH_MAX)
    of = section(name)
    out = []
    for n, table in enumerate(tables, 1):
        path = "%s[%d]" % (name, n)
        out.append((path, check(file, path, table, of)))
    return out


# -- documentation ------------------------------------------------------------------------------------------


def reference() -> str:
    """The format as Markdown: a heading and a table of keys for each section."""
    out: List[str] = []
    for part in SECTIONS:
        title = "[[%s]]" % part.name if part.many else "[%s]" % part.name
        out += [
            "### `%s`" % title,
            "",
            part.about,
            "",
            "| key | allowed | default | meaning |",
            "|---|---|---|---|",
        ]
        for key in part.keys:
            if key.default is REQUIRED:
                default = "*required*"
            elif key.default is None:
                default = ""
            else:
                default = "`%s`" % (str(key.default).lower() if key.form == "flag" else _plain(key.default))
            allowed = allowed_text(key)
            if key.name in ("kind", "never", "happens", "before", "figure") and key.allowed:
                allowed = "a word from the table below"
            out.append("| `%s` | %s | %s | %s |" % (key.name, allowed, default, key.about))
        out.append("")
    return "\n".join(out)


def _plain(value: Any) -> str:
    return "%g" % value if isinstance(value, float) else str(value)
