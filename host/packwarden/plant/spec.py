"""Every number of a vehicle, with its bounds and meaning.  packs.py fills these from a TOML file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Dict, Tuple


def number(default: Any, low: float, high: float, about: str) -> Any:
    """A field with bounds; the loader checks them."""
    return field(default=default, metadata={"low": low, "high": high, "about": about})


@dataclass(frozen=True)
class Chemistry:
    """What blocks of one make-up share, whatever their size.  Values and their sources are in chemistries/*.toml.

    Tables run over charge state; V are of a whole block.
    """

    name: str = ""
    kind: str = "lead"  # "lead" or "lfp"
    charge_state: Tuple[float, ...] = (0.0, 1.0)  # of the two tables below, rising
    ocv_v: Tuple[float, ...] = (11.8, 12.8)  # of a block at 25 degC
    r_factor: Tuple[float, ...] = (1.0, 1.0)  # series resistance against full
    charge_factor: Tuple[float, ...] = (1.0, 1.0)  # charging reaction's resistance, against r2
    ocv_v_per_c: float = number(0.0, -0.1, 0.1, "change of open-circuit voltage with temperature, V/degC")
    r_per_c: float = number(-0.01, -0.1, 0.0, "relative change of resistance per degC below 25")
    r1_factor: float = number(0.3, 0.0, 5.0, "first RC pair's resistance against the series resistance")
    tau1_s: float = number(3.0, 0.1, 60.0, "first RC pair's time constant")
    r2_factor: float = number(0.4, 0.0, 5.0, "second RC pair's resistance")
    tau2_s: float = number(60.0, 5.0, 3600.0, "second RC pair's time constant")
    charge_fast: float = number(0.6, 0.0, 1.0, "part of the charging reaction's voltage that comes with the first pair")
    well_c: float = number(0.62, 0.05, 1.0, "kinetic model: part of the charge at hand (1: no second well)")
    well_k_per_h: float = number(2.0, 0.01, 100.0, "kinetic model: rate constant")
    well_gain: float = number(1.04, 1.0, 2.0, "whole charge of both wells against the 20 h capacity")
    capacity_per_c: float = number(0.006, 0.0, 0.02, "relative loss of capacity per degC below 25")
    gas_a_per_ah: float = number(0.001, 0.0, 0.1, "gassing current at gas_v per ampere-hour")
    gas_v: float = number(14.1, 10.0, 20.0, "block voltage at which gassing is that")
    gas_scale_v: float = number(0.55, 0.05, 5.0, "gassing grows e-fold in this")
    gas_v_per_c: float = number(0.0, -0.1, 0.0, "change of gas_v with temperature, V/degC")
    overfull_v: float = number(12.0, 0.0, 200.0, "rise of open-circuit voltage beyond full, V for each capacity")
    knee: float = number(0.006, 0.0005, 0.05, "width of the collapse at the end, in parts of the charge at hand")
    self_discharge_per_day: float = number(0.001, 0.0, 0.05, "part of capacity lost in a day at 25 degC")  # x2 / 10 K
    reversal_v: float = number(6.0, 0.5, 15.0, "plateau below zero of a reversed block")
    heat_j_per_k_ah: float = number(280.0, 10.0, 2000.0, "heat capacity per ampere-hour of a block")


@dataclass(frozen=True)
class ModuleSpec:
    """One block."""

    chemistry: Chemistry = Chemistry()
    capacity_ah: float = number(110.0, 1.0, 1000.0, "capacity at the 20 h rate, Ah")
    resistance_ohm: float = number(0.0035, 0.00005, 0.2, "series resistance when full at 25 degC, ohm")
    capacity_spread: float = number(0.02, 0.0, 0.3, "standard deviation of capacity between modules, relative")
    resistance_spread: float = number(0.05, 0.0, 0.5, "standard deviation of resistance, relative")
    loss_w_per_k: float = number(2.0, 0.01, 100.0, "heat a block loses to the air round its box, W/K")
    fan_gain: float = number(3.0, 1.0, 20.0, "that, with the fan on, against with it off")


@dataclass(frozen=True)
class BusSpec:
    """Contactors, link, controller, fuse, aux."""

    link_f: float = number(0.0022, 1e-5, 0.1, "link capacitor, F")
    precharge_ohm: float = number(100.0, 1.0, 5000.0, "precharge resistor, ohm")
    bleed_ohm: float = number(10000.0, 100.0, 1e6, "bleed resistor across the link, ohm")
    fuse_a: float = number(400.0, 5.0, 2000.0, "main fuse, rated current, A")
    fuse_a2s: float = number(120000.0, 10.0, 1e8, "main fuse, melting I2t above its rating, A2s")
    controller_a: float = number(350.0, 1.0, 2000.0, "controller's battery current limit, A")
    regen_a: float = number(80.0, 0.0, 1000.0, "controller's regeneration limit, A")
    controller_s: float = number(0.007, 0.0005, 1.0, "time constant with which the controller follows its inputs, s")
    controller_low_v: float = number(90.0, 0.0, 500.0, "link voltage below which the controller folds back, V")
    controller_high_v: float = number(195.0, 10.0, 800.0, "link voltage above which it gives nothing back, V")
    standby_w: float = number(8.0, 0.0, 500.0, "controller's draw when idle, W")
    main_pull_in_s: float = number(0.03, 0.001, 1.0, "main contactor, pull-in time, s")
    main_release_s: float = number(0.012, 0.001, 1.0, "main contactor, release time, s")
    main_ohm: float = number(0.0004, 0.0, 0.1, "main contactor, closed, ohm")
    joint_ohm: float = number(0.00005, 0.0, 0.1, "one joint, ohm")
    cable_ohm: float = number(0.003, 0.0, 1.0, "all cables of the string together, ohm")
    dcdc_v: float = number(13.8, 10.0, 16.0, "DC-DC output, V")
    dcdc_efficiency: float = number(0.88, 0.3, 1.0, "DC-DC output power per input power")
    aux_ah: float = number(40.0, 1.0, 500.0, "12 V battery, Ah")
    aux_ohm: float = number(0.012, 0.001, 1.0, "12 V battery, ohm")
    aux_load_a: float = number(3.0, 0.0, 100.0, "12 V load with the key on, A")
    leak_ohm: float = number(5e6, 1e3, 1e9, "healthy leak from each end of the pack to chassis, ohm")


@dataclass(frozen=True)
class ChargerSpec:
    """Constant current, absorption, float."""

    power_w: float = number(2000.0, 10.0, 50000.0, "power into the pack, W")
    current_a: float = number(14.0, 0.1, 500.0, "largest current, A")
    absorption_v: float = number(14.4, 3.0, 20.0, "absorption voltage for each module at 25 degC, V")
    float_v: float = number(13.6, 3.0, 20.0, "float voltage for each module at 25 degC, V")
    v_per_c: float = number(-0.018, -0.1, 0.0, "change of both for each module, V/degC")
    tail_a: float = number(1.1, 0.01, 50.0, "absorption ends below this current, A")
    absorption_h: float = number(4.0, 0.1, 24.0, "or after this time, h")
    equalise_v: float = number(0.0, 0.0, 20.0, "equalising voltage for each module, after absorption, V; 0: none")
    equalise_a: float = number(2.0, 0.0, 100.0, "largest equalising current, A")
    equalise_h: float = number(2.0, 0.0, 24.0, "equalising time, h")
    efficiency: float = number(0.90, 0.3, 1.0, "pack energy per wall energy")


@dataclass(frozen=True)
class VehicleSpec:
    """Road load and drivetrain of a car."""

    mass_kg: float = number(1350.0, 50.0, 40000.0, "mass as driven, kg")
    cd: float = number(0.42, 0.05, 2.0, "drag coefficient")
    frontal_m2: float = number(1.9, 0.1, 12.0, "frontal area, m2")
    crr: float = number(0.012, 0.002, 0.1, "rolling resistance coefficient")
    rotating_factor: float = number(1.04, 1.0, 1.5, "inertia with wheels and motor, against mass")
    drivetrain_efficiency: float = number(0.82, 0.2, 1.0, "wheel power per link power")
    regen_fraction: float = number(0.4, 0.0, 1.0, "part of braking that goes to the motor")
    air_kg_m3: float = number(1.2, 0.5, 1.6, "air density, kg/m3")
    accessory_w: float = number(150.0, 0.0, 20000.0, "constant draw while driving, W")


@dataclass(frozen=True)
class BoatSpec:
    """A displacement hull: power rises with the cube of speed."""

    power_w: float = number(4000.0, 10.0, 1e6, "link power at the speed below, W")
    speed_mps: float = number(3.0, 0.3, 20.0, "speed of that power, m/s")
    mass_kg: float = number(1200.0, 20.0, 100000.0, "mass with its added water, kg")


@dataclass(frozen=True)
class SensorSpec:
    """True errors of the measuring chain and its nominal gains."""

    tap_v_per_count: float = number(0.002, 1e-6, 0.016, "taps, V/count")
    string_v_per_count: float = number(0.006, 1e-6, 0.016, "string and link taps, V/count")
    iso_v_per_count: float = number(0.006, 1e-6, 0.016, "isolation taps, V/count")
    aux_v_per_count: float = number(0.0003125, 1e-6, 0.016, "aux tap, V/count")
    current_a_per_count: float = number(0.016, -0.02, 0.02, "current sensor, A/count")
    current_max_a: float = number(520.0, 1.0, 900.0, "current sensor saturates here, A")
    gain_error: float = number(0.0004, 0.0, 0.05, "standard deviation of a tap's gain after calibration, relative")
    offset_v: float = number(0.002, 0.0, 1.0, "standard deviation of a tap's offset, V")
    noise_counts: float = number(1.5, 0.0, 500.0, "noise of a voltage reading, counts")
    current_noise_a: float = number(0.08, 0.0, 20.0, "noise of a current reading, A")
    current_offset_a: float = number(0.15, 0.0, 20.0, "standard deviation of the current offset, A")
    filter_s: float = number(0.00637, 0.0, 10.0, "time constant of the filter behind each divider, s; 0: none")


@dataclass(frozen=True)
class PackSpec:
    """One vehicle."""

    name: str = ""
    about: str = ""
    boxes: Tuple[int, ...] = (5, 7)
    module: ModuleSpec = ModuleSpec()
    bus: BusSpec = BusSpec()
    charger: ChargerSpec = ChargerSpec()
    vehicle: VehicleSpec = VehicleSpec()
    boat: Any = None  # a BoatSpec, or None for a car
    sensors: SensorSpec = SensorSpec()
    settings: Dict[str, int] = field(default_factory=dict)
    file: str = ""  # where it was read from, for messages

    @property
    def n_modules(self) -> int:
        """Modules in the string."""
        return sum(self.boxes)
