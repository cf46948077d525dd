"""One pack, one file of parts and the relay's settings, with what nearly every topic asks of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Mapping

from packwarden.bench import tables
from packwarden.bench.scenario import settings_of
from packwarden.plant.spec import PackSpec
from packwarden.sizing.parts import Adc, Parts


@dataclass(frozen=True)
class Job:
    """What is to be sized.  Voltages in V, currents in A, times in s."""

    pack: PackSpec
    parts: Parts
    settings: Mapping[str, tables.Value]

    @classmethod
    def of(cls, pack: PackSpec, parts: Parts) -> Job:
        """A job with the settings that the pack file gives.  Raises InputError for settings no firmware takes."""
        return cls(pack, parts, tables.named(settings_of(pack)))

    def whole(self, name: str) -> int:
        """A setting that has one value, as it is."""
        value = self.settings[name]
        if not isinstance(value, int):
            raise ValueError("setting %s has several values" % name)
        return value

    def milli(self, name: str) -> float:
        """A setting in mV, mA or ms as V, A or s; permille as a part of 1."""
        return self.whole(name) / 1000.0

    @property
    def adc(self) -> Adc:
        """The converter in use."""
        return self.parts.adc[self.parts.use_adc]

    @property
    def n(self) -> int:
        """Modules in the string."""
        return self.pack.n_modules

    @property
    def open_v(self) -> float:
        """String voltage full, at rest, 25 degC."""
        return float(self.n * self.pack.module.chemistry.ocv_v[-1])

    @property
    def nominal_v(self) -> float:
        """String voltage by the settings' nominal voltage of a module."""
        return self.n * self.milli("module_nominal_mv")

    @property
    def charging_module_v(self) -> float:
        """The most that the charger brings a module to, in the cold."""
        c = self.pack.charger
        each: float = max(c.absorption_v, c.equalise_v) + c.v_per_c * min(0.0, self.parts.ambient.low_c - 25.0)
        return each

    @property
    def charged_v(self) -> float:
        """The most that the charger brings the string to, in the cold: what the link may be charged to."""
        return self.n * self.charging_module_v

    @property
    def highest_v(self) -> float:
        """The most that the string ever shows: charging in the cold, or every module where 59 high acts."""
        return self.n * max(self.charging_module_v, self.milli("v59_high_mv"))

    @property
    def string_ohm(self) -> float:
        """Lowest resistance of the string with its cables and joints: full, warm, modules at the low end."""
        m, bus = self.pack.module, self.pack.bus
        low = max(0.5, 1.0 - 3.0 * m.resistance_spread / self.n**0.5)
        return float(self.n * (m.resistance_ohm * low + bus.joint_ohm) + bus.cable_ohm)

    def warmest_off_k(self) -> float:
        """Largest distance from the temperature of calibration, K."""
        a = self.parts.ambient
        return max(a.high_c - a.calibrated_c, a.calibrated_c - a.low_c)
