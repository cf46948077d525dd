"""Scenarios: reading a file into frozen records with every value checked.

What a file may say is in schema.py, the records are in plan.py.  `load(path)` reads TOML (Python 3.11).
Every error is an InputError that names the file, the key, the value and what is allowed; nothing is guessed
and no key is passed over.
"""

from __future__ import annotations

from array import array
from pathlib import Path
from typing import Any, Dict, List, Mapping, Optional, Tuple

from packwarden import cycles
from packwarden.bench import schema
from packwarden.bench.faults import KINDS, problem
from packwarden.bench.plan import Expect, Fault, Hand, ModuleStart, Phase, PowerCycle, Scenario, Send, When
from packwarden.bench.verdict import VALUED
from packwarden.errors import InputError
from packwarden.plant.spec import PackSpec
from warden import elements, modes, records, settings

# The firmware's tables, made once: name -> row.
SETTING = {row[0]: row for row in settings.TABLE}
ELEMENTS = tuple(elements.TABLE)
WATCHED = {elements.STRING: "string", elements.BOX: "box", elements.MODULE: "module"}

# -- reading ------------------------------------------------------------------------------------------------

START_ALLOWANCE_S = 6.0  # a drive with a cycle lasts this longer than the cycle: key, hold-off, precharge


def load(path: Path) -> Scenario:
    """The scenario in the file at `path`.  InputError for everything that is not as the schema says."""
    # Read here and not above: TOML is what a Python 3.9 has no reader for.
    from packwarden.packs import read_toml

    return from_data(str(path), read_toml(path, "(file)", "a file that can be read"), path.stem)


def from_data(file: str, data: Mapping[str, Any], stem: str, spec: Optional[PackSpec] = None) -> Scenario:
    """The scenario that a file's data says.  `file`: its name in errors; packs are looked for beside it.

    spec: the pack that the data names, where it is known already: a Python 3.9 can read none.
    """
    known = sorted({s.name.split(".")[0] for s in schema.SECTIONS} | {"settings"})
    for name in data:
        if name not in known:
            raise InputError(file, str(name), data[name], schema.near(str(name), known))
    head = schema.check(file, "scenario", data.get("scenario", {}), schema.section("scenario"))
    if head["name"] != stem:
        raise InputError(file, "scenario.name", head["name"], "the file's name without .toml, %s" % stem)
    spec, values, changed = _pack(file, head["pack"], data.get("settings", {}), spec)
    start, modules = _start(file, data.get("start", {}), spec.n_modules)
    phases = _course(file, data, head["scan_ms"])
    whens = _Whens(file, phases)
    inputs = _inputs(file, data, whens)
    faults = _faults(file, data, whens, spec)
    return Scenario(
        name=head["name"],
        about=head["about"],
        pack=head["pack"],
        spec=spec,
        seed=head["seed"],
        scan_ms=head["scan_ms"],
        charge_state=start["charge_state"],
        temp_c=start["temp_c"],
        ambient_c=start["ambient_c"],
        modules=modules,
        phases=phases,
        inputs=inputs,
        sends=_sends(file, data, whens),
        power_cycles=tuple(
            PowerCycle(whens.of(path, e), e["off_s"]) for path, e in schema.entries(file, data, "power_cycle")
        ),
        faults=faults,
        expects=_expects(file, data, spec, len(faults), len(inputs)),
        settings=changed,
        values=values,
    )


def _pack(
    file: str, name: str, over: Any, spec: Optional[PackSpec]
) -> Tuple[PackSpec, Tuple[int, ...], Dict[str, int]]:
    """The pack, every setting as this scenario has it, and those that the scenario changes."""
    if not isinstance(over, Mapping):
        raise InputError(file, "settings", over, "a table")
    if spec is None:
        # Read here and not above: pack files are TOML, which a Python 3.9 has no reader for.
        from packwarden.packs import load_pack

        spec = load_pack(name, Path(file).parent)
    values = settings_of(spec)
    changed: Dict[str, int] = {}
    for key, value in over.items():
        where = "settings.%s" % key
        try:
            index = settings.index_of(str(key))
        except settings.SettingError as error:
            unknown = str(key).partition(".")[0] not in SETTING
            allowed = schema.near(str(key), sorted(SETTING)) if unknown else str(error.allowed)
            raise InputError(file, where, value, allowed) from None
        row = SETTING[str(key).partition(".")[0]]
        if isinstance(value, bool) or not isinstance(value, int) or not row[4] <= value <= row[5]:
            raise InputError(file, where, value, "a whole number from %d to %d %s" % (row[4], row[5], row[2]))
        values[index] = value
        changed[str(key)] = value
    _fits(file, values, spec)
    return spec, tuple(values), changed


def settings_of(spec: PackSpec) -> "array[int]":
    """Every firmware setting for a pack: the defaults, its boxes, and what its file says.

    InputError for a name or a value that no firmware takes, for values that don't go together, and for a count of
    modules or boxes that is not the pack's.
    """
    values: "array[int]" = settings.defaults()
    boxes = list(spec.boxes) + [0] * (settings.BOXES_MAX - len(spec.boxes))
    given = {
        "n_modules": spec.n_modules,
        **{"box_modules.%d" % b: n for b, n in enumerate(boxes)},
        **spec.settings,
    }
    for key, value in given.items():
        try:
            index = settings.index_of(key)
        except settings.SettingError as error:
            known = key.partition(".")[0] in SETTING
            allowed = str(error.allowed) if known else schema.near(key, list(SETTING))
            raise InputError(spec.file or spec.name, "settings.%s" % key, value, allowed) from None
        row = SETTING[key.partition(".")[0]]
        if not row[4] <= value <= row[5]:
            allowed = "%d to %d %s" % (row[4], row[5], row[2])
            raise InputError(spec.file or spec.name, "settings.%s" % key, value, allowed)
        values[index] = value
    _fits(spec.file or spec.name, values, spec)
    return values


def _fits(file: str, values: "array[int]", spec: PackSpec) -> None:
    """InputError unless the settings go together and speak of as many modules and boxes as the pack has."""
    try:
        settings.check(values)
    except settings.SettingError as error:
        raise InputError(file, "settings.%s" % error.key, error.value, str(error.allowed)) from None
    boxes = list(spec.boxes) + [0] * (settings.BOXES_MAX - len(spec.boxes))
    for b, n in enumerate(boxes):
        found = values[settings.BASE["box_modules"] + b]
        if found != n:
            allowed = "%d: the pack's boxes are %s" % (n, list(spec.boxes))
            raise InputError(file, "settings.box_modules.%d" % b, found, allowed)


def _start(file: str, table: Any, n: int) -> Tuple[Dict[str, Any], Dict[int, ModuleStart]]:
    if not isinstance(table, Mapping):
        raise InputError(file, "start", table, "a table")
    scalars = {k: v for k, v in table.items() if k != "module"}
    start = schema.check(file, "start", scalars, schema.section("start"))
    each = table.get("module", {})
    if not isinstance(each, Mapping):
        raise InputError(file, "start.module", each, "tables [start.module.1] to [start.module.%d]" % n)
    modules: Dict[int, ModuleStart] = {}
    for key, entry in each.items():
        where = "start.module.%s" % key
        if not (key.isdecimal() and key.isascii() and len(key) <= 3 and 1 <= int(key) <= n):
            raise InputError(file, where, entry, "a module of this pack, 1 to %d" % n)
        if int(key) - 1 in modules:
            raise InputError(file, where, entry, "each module once")
        modules[int(key) - 1] = ModuleStart(
            **schema.check(file, where, entry, schema.section("start.module.N"))
        )
    return start, modules


def _course(file: str, data: Mapping[str, Any], scan_ms: int) -> Tuple[Phase, ...]:
    phases: List[Phase] = []
    now_s = 0.0
    for path, e in schema.entries(file, data, "course"):
        drive = e["do"] == "drive"
        ways = [k for k in ("cycle", "speed_kmh", "power_w") if e[k] is not None]
        if drive and len(ways) != 1:
            raise InputError(file, path, " and ".join(ways) or "no road", "one of cycle, speed_kmh, power_w")
        for k in ("cycle", "speed_kmh", "power_w"):
            if not drive and e[k] is not None:
                raise InputError(file, "%s.%s" % (path, k), e[k], 'only where do = "drive"')
        for k in ("grade_percent", "repeat"):
            if not drive and e[k] != schema.default_of("course", k):
                raise InputError(file, "%s.%s" % (path, k), e[k], 'only where do = "drive"')
        length_s = e["for_s"]
        if e["cycle"] is not None:
            if e["cycle"] not in cycles.NAMES:
                raise InputError(
                    file, path + ".cycle", e["cycle"], schema.near(e["cycle"], sorted(cycles.NAMES))
                )
            whole_s = cycles.length_s(e["cycle"]) * e["repeat"] + START_ALLOWANCE_S
            length_s = whole_s if length_s is None else length_s
        elif e["repeat"] != 1:
            raise InputError(file, path + ".repeat", e["repeat"], "1 without a cycle")
        if length_s is None:
            raise InputError(file, path + ".for_s", "(missing)", "a length for a phase without a cycle")
        coarse_ms = scan_ms if e["scan_ms"] is None else e["scan_ms"]
        if coarse_ms < scan_ms:
            raise InputError(file, path + ".scan_ms", coarse_ms, "at least scenario.scan_ms = %d" % scan_ms)
        # Times in whole milliseconds: the relay's clock has no finer ones.
        end_s = round(now_s + length_s, 3)
        phases.append(
            Phase(
                do=e["do"],
                name=e["name"] or e["do"],
                start_s=now_s,
                end_s=end_s,
                cycle=e["cycle"],
                speed_kmh=e["speed_kmh"],
                power_w=e["power_w"],
                grade_percent=e["grade_percent"],
                repeat=e["repeat"],
                plug=e["do"] == "charge" if e["plug"] is None else e["plug"],
                key=e["do"] in ("drive", "idle") if e["key"] is None else e["key"],
                scan_ms=coarse_ms,
            )
        )
        now_s = end_s
    if not phases:
        raise InputError(file, "course", "(missing)", "at least one [[course]]")
    if now_s > schema.TOTAL_S_MAX:
        raise InputError(file, "course", "%g s in all" % now_s, "at most %g s in all" % schema.TOTAL_S_MAX)
    return tuple(phases)


class _Whens:
    """Times of a file's entries, against its phases."""

    def __init__(self, file: str, phases: Tuple[Phase, ...]) -> None:
        self.file = file
        self.phases = phases

    def of(self, path: str, e: Mapping[str, Any]) -> When:
        """The time an entry says.  InputError when it can't come within the run."""
        at_s = e["at_s"]
        if e["after"] is not None and e["when_mode"] is not None:
            raise InputError(self.file, path + ".when_mode", e["when_mode"], "not together with `after`")
        if e["after"] is not None:
            named = [p for p in self.phases if p.name == e["after"]]
            if not named:
                names = sorted({p.name for p in self.phases})
                raise InputError(self.file, path + ".after", e["after"], schema.near(e["after"], names))
            at_s += named[0].start_s
        if at_s >= self.phases[-1].end_s:
            raise InputError(
                self.file, path + ".at_s", e["at_s"], "within the run, before %g s" % self.phases[-1].end_s
            )
        return When(round(at_s, 3), e["when_mode"])


def _inputs(file: str, data: Mapping[str, Any], whens: _Whens) -> Tuple[Hand, ...]:
    return tuple(
        Hand(whens.of(path, e), e["name"], e["value"], e["for_s"])
        for path, e in schema.entries(file, data, "input")
    )


def _sends(file: str, data: Mapping[str, Any], whens: _Whens) -> Tuple[Send, ...]:
    out = []
    for path, e in schema.entries(file, data, "send"):
        given = [k for k in ("command", "raw") if e[k] is not None]
        if len(given) != 1:
            raise InputError(file, path, " and ".join(given) or "nothing to send", "one of command, raw")
        text = e[given[0]]
        if not text.isascii():
            raise InputError(
                file, "%s.%s" % (path, given[0]), text, "ASCII; other bytes come from the serial faults"
            )
        out.append(Send(whens.of(path, e), e["command"], e["raw"], e["count"]))
    return tuple(out)


def _faults(file: str, data: Mapping[str, Any], whens: _Whens, spec: PackSpec) -> Tuple[Fault, ...]:
    out = []
    for path, e in schema.entries(file, data, "fault"):
        kind = KINDS[e["kind"]]
        place = -1
        for word, most in (("module", spec.n_modules), ("box", len(spec.boxes))):
            at = e[word]
            if at is None and kind.place == word:
                raise InputError(
                    file, "%s.%s" % (path, word), "(missing)", "1 to %d: %s has a place" % (most, kind.name)
                )
            if at is not None and kind.place != word:
                raise InputError(
                    file, "%s.%s" % (path, word), at, "none: the place of %s is %s" % (kind.name, kind.place)
                )
            if at is not None:
                if at > most:
                    raise InputError(file, "%s.%s" % (path, word), at, "1 to %d in this pack" % most)
                place = at - 1
        size = kind.default if e["size"] is None else e["size"]
        if e["size"] is not None and kind.low == kind.high:
            raise InputError(file, path + ".size", size, "none: %s has no size" % kind.name)
        if not kind.low <= size <= kind.high:
            raise InputError(file, path + ".size", size, "%g to %g %s" % (kind.low, kind.high, kind.unit))
        if e["for_s"] is not None and not kind.undone:
            raise InputError(file, path + ".for_s", e["for_s"], "none: %s can't be undone" % kind.name)
        allowed = problem(kind.name, spec.boxes, place)
        if allowed:
            raise InputError(file, "%s.%s" % (path, kind.place), place + 1, allowed)
        out.append(Fault(whens.of(path, e), kind.name, place, float(size), e["for_s"]))
    return tuple(out)


def _expects(
    file: str, data: Mapping[str, Any], spec: PackSpec, faults: int, inputs: int
) -> Tuple[Expect, ...]:
    out = []
    for path, e in schema.entries(file, data, "expect"):
        given = [clause for clause in schema.CLAUSES if e[clause] is not None]
        if len(given) != 1:
            raise InputError(
                file, path, " and ".join(given) or "nothing expected", "one of " + ", ".join(schema.CLAUSES)
            )
        out.append(_expect(file, path, e, given[0], spec, faults, inputs))
    return tuple(out)


# Which of the other keys each clause reads; any other is an error, so that none is passed over.
READS = {
    "trip": ("module", "box", "fault", "input", "within_ms", "before", "by_s", "from_s", "value"),
    "alarm": ("module", "box", "fault", "input", "within_ms", "before", "by_s", "from_s", "value"),
    "safe": ("fault", "input", "within_ms"),
    "never": ("fault", "input", "from_s", "until_s", "value"),
    "happens": ("fault", "input", "within_ms", "from_s", "until_s", "by_s", "value"),
    "mode": ("at_s", "by_s", "from_s"),
    "line": ("from_s", "count", "at_most"),
    "figure": ("at_least", "at_most"),
}


def _expect(
    file: str, path: str, e: Mapping[str, Any], clause: str, spec: PackSpec, faults: int, inputs: int
) -> Expect:
    def wrong(key: str, allowed: str) -> InputError:
        return InputError(file, "%s.%s" % (path, key), "(missing)" if e[key] is None else e[key], allowed)

    for key, value in e.items():
        if key in schema.CLAUSES or value == schema.default_of("expect", key):
            continue
        if key not in READS[clause]:
            raise wrong(key, "only with " + ", ".join(c for c in READS if key in READS[c]))
    for key, most in (("fault", faults), ("input", inputs)):
        if e[key] is not None and e[key] > most:
            raise wrong(
                key,
                "1 to %d: there are %d [[%s]]" % (most, most, key)
                if most
                else "none: there is no [[%s]]" % key,
            )
    if e["fault"] is not None and e["input"] is not None:
        raise wrong("input", "not together with `fault`")
    origin = e["fault"] is not None or e["input"] is not None
    if e["within_ms"] is not None and not origin:
        raise wrong("within_ms", "only with `fault` or `input`, from whose start it counts")
    if e["from_s"] is not None and origin:
        raise wrong("from_s", "not together with `fault` or `input`")
    if clause == "safe" and (not origin or e["within_ms"] is None):
        raise wrong("within_ms" if origin else "fault", "safe needs within_ms and one of fault, input")
    if clause in ("trip", "alarm"):
        _element(file, path, e, clause, spec)
    if clause in ("never", "happens", "trip", "alarm"):
        what = e["before"] if clause in ("trip", "alarm") else e[clause]
        needs = VALUED.get(what or "")
        if needs and e["value"] is None:
            raise wrong("value", "a number of %s: %s is compared with it" % (needs, what))
        if not needs and e["value"] is not None:
            raise wrong("value", "only with " + ", ".join(sorted(VALUED)))
    if clause == "mode" and e["at_s"] is not None and e["by_s"] is not None:
        raise wrong("by_s", "not together with at_s")
    if clause == "mode" and e["from_s"] is not None and e["by_s"] is None:
        raise wrong("from_s", "only with by_s")
    if clause == "line":
        _line_words(file, path, e)
    if clause == "figure" and e["at_least"] is None and e["at_most"] is None:
        raise wrong("at_least", "a bound: at_least, at_most or both")
    # What can't be, and what would hold because nothing is looked at.
    for low, high in (("at_least", "at_most"), ("from_s", "until_s"), ("from_s", "by_s")):
        if e[low] is not None and e[high] is not None and e[low] > e[high]:
            raise wrong(low, "at most %s = %g" % (high, e[high]))
    kept = {k: e[k] for k in READS[clause] if k not in ("module", "box")}
    for key in ("fault", "input"):
        if kept.get(key) is not None:
            kept[key] -= 1
    ix = e["module"] if e["module"] is not None else e["box"]
    return Expect(clause=clause, what="" if clause == "safe" else e[clause], ix=ix, **kept)


def _element(file: str, path: str, e: Mapping[str, Any], clause: str, spec: PackSpec) -> None:
    """The element exists, has a stage that trips (or does not), and watches the place that is named."""
    number, slash, stage = e[clause].partition("/")
    where = "%s.%s" % (path, clause)
    numbers = list(dict.fromkeys(row[0] for row in ELEMENTS))
    if number not in numbers:
        raise InputError(file, where, e[clause], schema.near(number, numbers))
    rows = [row for row in ELEMENTS if row[0] == number and bool(row[8] & modes.TRIPS) == (clause == "trip")]
    stages = [row[1] for row in rows]
    if not rows:
        raise InputError(file, where, e[clause], "an element with a stage that %s" % (
            "trips" if clause == "trip" else "does not trip"))  # fmt: skip
    if slash and stage not in stages:
        raise InputError(file, where, e[clause], "one of " + ", ".join("%s/%s" % (number, s) for s in stages))
    watched = WATCHED[rows[0][2]]
    for word, most in (("module", spec.n_modules), ("box", len(spec.boxes))):
        if e[word] is not None and watched != word:
            raise InputError(
                file, "%s.%s" % (path, word), e[word], "none: %s watches each %s" % (number, watched)
            )
        if e[word] is not None and e[word] > most:
            raise InputError(file, "%s.%s" % (path, word), e[word], "1 to %d in this pack" % most)


def _line_words(file: str, path: str, e: Mapping[str, Any]) -> None:
    words = e["line"].split(" ")
    kinds = {kind: [f[0] for f in fields] for kind, fields in records.CATALOGUE}
    if words[0] not in kinds:
        raise InputError(file, path + ".line", e["line"], schema.near(words[0], sorted(kinds)))
    for word in words[1:]:
        name, equals, _ = word.partition("=")
        if not equals or name not in kinds[words[0]]:
            raise InputError(
                file, path + ".line", e["line"], "name=value, names " + ", ".join(kinds[words[0]])
            )
