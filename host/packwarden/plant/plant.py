"""One vehicle: string, bus, charger and isolation stepped together."""

from __future__ import annotations

from typing import List

from packwarden.plant.bus import OUT_CHARGER, OUT_ENABLE, OUT_FAN, Bus
from packwarden.plant.charger import Charger
from packwarden.plant.isolation import Isolation
from packwarden.plant.spec import PackSpec
from packwarden.plant.string import String


class PlantError(Exception):
    """The plant left its physical bounds; the text gives the state that led there."""


class Commands:
    """What acts on the plant in one step."""

    __slots__ = ("out_bits", "limit_permille", "demand_w", "mains", "ambient_c", "key")

    def __init__(self) -> None:
        self.out_bits = 0  # the relay's outputs
        self.limit_permille = 0
        self.demand_w = 0.0  # power asked of the controller at the link; braking negative
        self.mains = False  # plugged in and live
        self.ambient_c = 20.0
        self.key = False  # the car's 12 V loads are on


class Plant:
    """`step` advances everything; the readings are plain attributes, SI units, discharge current positive.

    t_s, module_v (between each module's taps), i_a, string_v, link_v, aux_v, box_temp_c, main, precharge, charger,
    isolation, bus, string.  Fault knobs are documented in each part.
    """

    def __init__(self, spec: PackSpec, seed: int, charge_state: float = 1.0, temp_c: float = 25.0) -> None:
        self.spec = spec
        self.t_s = 0.0
        self.string = String(spec, seed, charge_state, temp_c)
        self.bus = Bus(spec.bus)
        self.main, self.precharge = self.bus.main, self.bus.precharge
        self.charger = Charger(spec.charger, spec.n_modules)
        self.isolation = Isolation(spec.bus.leak_ohm)
        self.i_a = 0.0
        self.module_v: List[float] = self.string.module_v
        self.string_v = self.string.string_v
        self.isolation.chassis_v = 0.5 * self.string_v
        self.isolation.string_v = self.string_v
        self.discharged_j = 0.0
        self.charged_j = 0.0

    @property
    def link_v(self) -> float:
        """Link voltage, V."""
        return self.bus.link_v

    @property
    def aux_v(self) -> float:
        """Aux supply, V."""
        return self.bus.aux_v

    @property
    def box_temp_c(self) -> List[float]:
        """Temperature of each box, degC."""
        return self.string.box_temp_c

    def charge_state(self, k: int) -> float:
        """Charge state of module k, 0..1."""
        return self.string.charge_state(k)

    def step(self, dt_s: float, c: Commands) -> None:
        """Advance by dt_s under commands c.  PlantError when something leaves physical bounds."""
        string, bus = self.string, self.bus
        string.ambient_c = c.ambient_c
        bits = c.out_bits
        string.fan = bits & OUT_FAN != 0
        e_v, r_ohm = string.totals(dt_s)
        charging = c.mains and (bus.charger_relay.closed or self.charger.ignores_enable)
        bus.step_aux(dt_s, bits, bus.main.closed, charging, c.key)
        bus.controller(dt_s, c.demand_w, bool(bits & OUT_ENABLE), c.limit_permille, e_v, r_ohm)
        current = bus.step(dt_s, e_v, r_ohm)
        if charging:
            limit = c.limit_permille if bits & OUT_CHARGER else 1000
            current -= self.charger.step(dt_s, e_v - current * r_ohm, r_ohm, max(string.box_temp_c), limit)
        elif not c.mains:
            self.charger.unplugged()
        else:
            self.charger.current_a = 0.0
        string.step(dt_s, current)
        self.i_a = current
        self.module_v = string.module_v
        self.string_v = volts = string.string_v
        energy = volts * current * dt_s
        if energy >= 0.0:
            self.discharged_j += energy
        else:
            self.charged_j -= energy
        self.isolation.step(dt_s, volts, self.module_v, bits)
        self.t_s += dt_s
        n = string.n
        if not (-25.0 * n < volts < 40.0 * n and -3000.0 < current < 30000.0):
            raise PlantError(
                "at %.3f s the plant left its bounds: string %.3f V, current %.3f A, link %.3f V, power %.1f W,"
                " modules %s"
                % (self.t_s, volts, current, bus.link_v, bus.power_w, ["%.3f" % v for v in self.module_v])
            )
