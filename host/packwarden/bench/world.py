"""The world of one run: plant, sensors, driver and the relay's first memory, made from a scenario."""

from __future__ import annotations

from typing import Dict

from packwarden.bench.plan import Phase, Scenario
from packwarden.cycles import load_cycle
from packwarden.plant import Commands, Plant, Sensors
from packwarden.plant.string import total
from packwarden.plant.vehicle import Driver, Steady, load_for
from warden import settings


class World:
    """`plant`, `sensors`, `commands`, `driver`; `image`: the non-volatile memory to power up with."""

    def __init__(self, scenario: Scenario, seeds: Dict[str, int]) -> None:
        spec = scenario.spec
        self.plant = Plant(spec, seeds["plant"], scenario.charge_state, scenario.temp_c)
        string = self.plant.string
        for k, differs in scenario.modules.items():
            string.capacity_scale[k] = differs.capacity
            string.resistance_scale[k] = differs.resistance
            string.self_discharge_scale[k] = differs.self_discharge
            state = scenario.charge_state if differs.charge_state is None else differs.charge_state
            string.set_charge_state(k, state)
        string.settle(0.0)
        self.plant.module_v = string.module_v
        self.plant.string_v = total(string.module_v)
        self.sensors = Sensors(spec, self.plant, seeds["sensors"])
        self.commands = Commands()
        self.commands.ambient_c = scenario.ambient_c
        self.driver = Driver(load_for(spec))
        image = bytearray(settings.IMAGE_BYTES)
        settings.pack(scenario.values, image)
        self.image = bytes(image)

    def set_out(self, phase: Phase) -> bool:
        """Point the driver down a phase's road.  False when the phase has none: the driver stops."""
        grade = phase.grade_percent / 100.0
        if phase.cycle is not None:
            self.driver.follow(load_cycle(phase.cycle), grade, phase.repeat)
        elif phase.speed_kmh is not None:
            self.driver.follow(Steady(phase.speed_kmh / 3.6), grade)
        elif phase.power_w is not None:
            self.driver.ask(phase.power_w, grade)
        else:
            self.driver.stop()
            return False
        return True
