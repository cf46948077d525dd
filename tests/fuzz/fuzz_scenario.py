"""Fuzz target: scenario files.  What loads must also run, for a moment.

An input is the file's bytes.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from telling import told_well

from packwarden import batch, packs
from packwarden.bench import scenario
from packwarden.bench.inprocess import InProcess
from packwarden.bench.plan import Scenario, When
from packwarden.bench.runner import Run
from packwarden.bench.target import TargetError
from packwarden.errors import InputError
from packwarden.plant.plant import PlantError

FILE = str(batch.SCENARIOS / "fuzz.toml")  # so that packs beside the shipped scenarios are found
RUN_S = 0.5
SOON_S = 0.2  # faults, inputs and the like come this soon, else none would
RAW_MAX = 20000


def trimmed(made: Scenario) -> Scenario:
    """The first moment of a scenario, with all that it injects in that moment."""
    phases = tuple(p for p in made.phases if p.start_s < RUN_S)
    phases = (*phases[:-1], replace(phases[-1], end_s=min(phases[-1].end_s, RUN_S)))

    def soon(each: tuple) -> tuple:  # type: ignore[type-arg]
        return tuple(replace(one, when=When(min(one.when.at_s, SOON_S), None)) for one in each)

    return replace(
        made, phases=phases, inputs=soon(made.inputs), faults=soon(made.faults),
        sends=tuple(replace(s, count=min(s.count, 3)) for s in soon(made.sends)), power_cycles=soon(made.power_cycles),
    )  # fmt: skip


def one_input(data: bytes) -> None:
    """Load, and run what loads; InputError, and PlantError or TargetError in the run, are the only errors."""
    try:
        found = packs.parse_toml(FILE, data[:RAW_MAX])
        head = found.get("scenario")
        name = head.get("name") if isinstance(head, dict) else None
        file = FILE if not isinstance(name, str) or name == "fuzz" else str(Path(FILE).with_name("other.toml"))
        made = scenario.from_data(file, found, Path(file).stem)
    except InputError as error:
        told_well(error)
        return
    try:
        Run(trimmed(made), InProcess(), None).go()
    except (PlantError, TargetError) as error:
        assert str(error)
