"""A scenario as plain frozen records, every value checked.  scenario.py makes them from files.

Standard library and the plant's spec only, so that a scenario can go to any Python that runs the bench.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Mapping, Optional, Tuple

from packwarden.plant.spec import PackSpec


@dataclass(frozen=True)
class When:
    """A time that may hang on a phase or on the relay's mode.  `after_s`: the phase's start, once known."""

    at_s: float
    when_mode: Optional[str]  # None: at_s counts from the start of the run


@dataclass(frozen=True)
class ModuleStart:
    """How one module differs at the start.  charge_state None: as the others."""

    capacity: float = 1.0
    resistance: float = 1.0
    charge_state: Optional[float] = None
    self_discharge: float = 1.0


@dataclass(frozen=True)
class Phase:
    """One phase of the course; `start_s` to `end_s` in scenario time."""

    do: str
    name: str
    start_s: float
    end_s: float
    cycle: Optional[str]
    speed_kmh: Optional[float]
    power_w: Optional[float]
    grade_percent: float
    repeat: int
    plug: bool
    key: bool
    scan_ms: int


@dataclass(frozen=True)
class Hand:
    when: When
    name: str
    value: int
    for_s: Optional[float]


@dataclass(frozen=True)
class Send:
    when: When
    command: Optional[str]
    raw: Optional[str]
    count: int


@dataclass(frozen=True)
class PowerCycle:
    when: When
    off_s: float


@dataclass(frozen=True)
class Fault:
    """`place`: module or box from 0, or -1; `size` in the kind's unit."""

    when: When
    kind: str
    place: int
    size: float
    for_s: Optional[float]


@dataclass(frozen=True)
class Expect:
    """One expectation: `clause` is its kind, `what` its word; everything else None or as in the file."""

    clause: str
    what: str
    ix: Optional[int] = None  # module or box, from 1
    fault: Optional[int] = None  # from 0
    input: Optional[int] = None  # from 0
    within_ms: Optional[int] = None
    before: Optional[str] = None
    at_s: Optional[float] = None
    by_s: Optional[float] = None
    from_s: Optional[float] = None
    until_s: Optional[float] = None
    value: Optional[float] = None
    count: int = 1
    at_least: Optional[float] = None
    at_most: Optional[float] = None


@dataclass(frozen=True)
class Scenario:
    """A whole scenario, checked.  `values`: every firmware setting, in the order of the settings table."""

    name: str
    about: str
    pack: str
    spec: PackSpec
    seed: int
    scan_ms: int
    charge_state: float
    temp_c: float
    ambient_c: float
    modules: Mapping[int, ModuleStart]  # by module, from 0
    phases: Tuple[Phase, ...]
    inputs: Tuple[Hand, ...] = ()
    sends: Tuple[Send, ...] = ()
    power_cycles: Tuple[PowerCycle, ...] = ()
    faults: Tuple[Fault, ...] = ()
    expects: Tuple[Expect, ...] = ()
    settings: Mapping[str, int] = field(default_factory=dict)  # what differs from the defaults
    values: Tuple[int, ...] = ()

    @property
    def end_s(self) -> float:
        """Simulated length, s."""
        return self.phases[-1].end_s
