"""The relay's own tables for whoever shows them: settings, elements, modes, and which target runs which Python.

The bench knows the relay; views and the command line come here for what they print.
"""

from __future__ import annotations

import platform
import subprocess
from array import array
from dataclasses import dataclass
from typing import Any, Dict, List, Mapping, NamedTuple, Sequence, Tuple, Union

from packwarden.bench.inprocess import InProcess
from packwarden.bench.interpreter import Interpreter
from packwarden.bench.plan import Scenario
from packwarden.bench.scenario import ELEMENTS, SETTING, WATCHED
from packwarden.bench.schema import near
from packwarden.bench.target import Target, TargetError
from packwarden.bench.verdict import budget_ms
from packwarden.errors import InputError
from warden import modes, settings

TARGETS = ("in-process", "interpreter")
OUTPUT_BITS: Tuple[Tuple[str, int, str], ...] = tuple(modes.OUTPUTS)  # name, bit, meaning
ACTION_BITS: Tuple[Tuple[str, int, str], ...] = tuple(modes.ACTIONS)
TRIPS = int(modes.TRIPS)

Value = Union[int, Tuple[int, ...]]


@dataclass(frozen=True)
class Setting:
    """One row of the settings table.  `default` has one value for each of `count`."""

    name: str
    count: int
    unit: str
    default: Value
    low: int
    high: int
    about: str


class Element(NamedTuple):
    """One stage of a protective element.  pickup, dropout, delay: the name of a setting, or a number."""

    number: str
    stage: str
    watches: str  # string, box or module
    over: bool  # picks up above the pickup, else below
    pickup: Union[str, int]
    dropout: Union[str, int]
    delay: Union[str, int]
    actions: Tuple[str, ...]
    trips: bool
    awake: Tuple[str, ...]  # modes
    switch: str  # setting that switches it off, or empty
    budget_ms: Union[int, None]  # default time allowed from a fault
    about: str


def setting_rows() -> List[Setting]:
    """Every setting, in the firmware's order."""
    return [Setting(*row[:7]) for row in SETTING.values()]


def element_rows() -> List[Element]:
    """Every stage of every element, in the firmware's order."""
    out = []
    for number, stage, watches, _quantity, sign, pickup, dropout, delay, action, awake, switch, about in ELEMENTS:
        out.append(
            Element(
                number, stage, WATCHED[watches], sign > 0, pickup, dropout, delay,
                tuple(name for name, bit, _ in ACTION_BITS if action & bit), bool(action & TRIPS),
                tuple(mode for n, mode in enumerate(modes.MODES) if awake >> n & 1), switch,
                budget_ms(number, stage, settings.defaults()), about,
            )
        )  # fmt: skip
    return out


def named(values: Sequence[int]) -> Dict[str, Value]:
    """Setting values in the firmware's order as name -> value, a tuple where a setting has several."""
    out: Dict[str, Value] = {}
    at = 0
    for row in setting_rows():
        out[row.name] = values[at] if row.count == 1 else tuple(values[at : at + row.count])
        at += row.count
    return out


def values_of(scenario: Scenario) -> Dict[str, Value]:
    """The settings that a scenario runs with, by name."""
    return named(scenario.values)


def defaults() -> "array[int]":
    """Every setting at its default, in the firmware's order."""
    values: "array[int]" = settings.defaults()
    return values


def digest(values: Sequence[int]) -> str:
    """The digest that the relay names these settings by, as it writes it."""
    return "%x" % settings.digest(values)


def image(values: Sequence[int]) -> bytes:
    """The image of settings as the relay keeps it."""
    out = bytearray(settings.IMAGE_BYTES)
    settings.pack(values, out)
    return bytes(out)


def image_name() -> str:
    """The name that a board keeps it under: another for each layout of the table (firmware/boards/base.py)."""
    return "settings-%04x" % settings.LAYOUT


def checked(values: Sequence[int], file: str) -> str:
    """The digest of settings that the firmware takes.  InputError for those it does not."""
    try:
        settings.check(values)
    except settings.SettingError as error:
        raise InputError(file, error.key, error.value, str(error.allowed)) from None
    return digest(values)


def placed(values: Any, given: Mapping[str, Any], file: str) -> List[str]:
    """Put `given` (name or name.k -> whole number, name -> list) into `values`; the keys that it changed.

    InputError for an unknown name or a value out of bounds.  Rules between settings are for `checked`.
    """
    changed = []
    for name, value in given.items():
        row = SETTING.get(name.partition(".")[0])
        several = row is not None and row[1] > 1 and isinstance(value, list)
        if row is not None and several and len(value) != row[1]:
            raise InputError(file, name, value, "a list of %d whole numbers, or %s.0 = ..." % (row[1], name))
        each = [("%s.%d" % (name, k), v) for k, v in enumerate(value)] if several else [(name, value)]
        for key, one in each:
            try:
                at = settings.index_of(key)
            except settings.SettingError as error:
                allowed = str(error.allowed) if row else near(name, list(SETTING))
                raise InputError(file, key, one, allowed) from None
            assert row is not None
            if isinstance(one, bool) or not isinstance(one, int) or not row[4] <= one <= row[5]:
                raise InputError(file, key, one, "a whole number from %d to %d %s" % (row[4], row[5], row[2]))
            if values[at] != one:
                values[at] = one
                changed.append(key)
    return changed


def settings_data(data: Mapping[str, Any], file: str) -> Mapping[str, Any]:
    """What a settings file gives: at its top, or under [settings].  InputError for anything beside that."""
    if not isinstance(data.get("settings"), dict):
        return data
    others = [key for key in data if key != "settings"]
    if others:
        raise InputError(file, others[0], data[others[0]], "nothing beside [settings]")
    given: Mapping[str, Any] = data["settings"]
    return given


def make_target(name: str) -> Target:
    """A target by its name, one of TARGETS, not started.  TargetError when this machine has none."""
    return InProcess() if name == "in-process" else Interpreter()


def python_of(target: Target) -> str:
    """Which Python runs the relay: its name and version."""
    if not isinstance(target, Interpreter):
        return "%s %s" % (platform.python_implementation(), platform.python_version())
    code = "import sys; v = sys.implementation; print(v.name, '.'.join([str(n) for n in v.version[:3]]))"
    try:
        said = subprocess.run(
            [*target.command, "-c", code], capture_output=True, text=True, timeout=20, check=True
        ).stdout
    except (OSError, subprocess.SubprocessError) as error:
        raise TargetError("%s does not run: %s" % (target.command[0], error)) from None
    return said.strip().replace("micropython", "MicroPython")
