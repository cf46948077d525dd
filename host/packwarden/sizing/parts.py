"""The hardware that a pack's relay is built from, as a file says it: one frozen dataclass for each table.

reference.toml has the reference hardware, and every default here is its value.  A file of one's own needs only what
differs.  Fields carry the file's own units in their names; calculations take SI.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Mapping

from packwarden.errors import InputError
from packwarden.packs import fill, only, read_toml, table
from packwarden.plant.spec import number

HERE = Path(__file__).parent
REFERENCE = HERE / "reference.toml"


@dataclass(frozen=True)
class Ambient:
    """Temperatures round the parts."""

    low_c: float = number(-20.0, -60.0, 60.0, "coldest, degC")
    high_c: float = number(50.0, -20.0, 100.0, "warmest, degC")
    calibrated_c: float = number(20.0, -10.0, 50.0, "where the taps were calibrated, degC")
    probe_c: float = number(1.0, 0.0, 10.0, "error of a temperature probe, degC")


@dataclass(frozen=True)
class Divider:
    """One sense lead's divider and filter: top resistor from the tap, bottom resistor and capacitor to box negative."""

    top_ohm: float = number(1.0e6, 1e3, 1e8, "resistance from the tap, ohm")
    top_parts: float = number(2.0, 1.0, 10.0, "how many equal resistors in series make it")
    bottom_ohm: float = number(32400.0, 10.0, 1e7, "resistance to the box's negative, ohm")
    tolerance: float = number(0.001, 0.0, 0.2, "tolerance of each resistor, relative")
    tempco_per_k: float = number(10e-6, 0.0, 0.01, "temperature coefficient of each, at most, 1/K")
    shared: float = number(0.5, 0.0, 1.0, "part of that coefficient that resistors of one value share")
    ageing: float = number(2e-4, 0.0, 0.05, "change of each since calibration, at most, relative")
    part_v: float = number(150.0, 1.0, 5000.0, "working voltage of one resistor, V")
    part_w: float = number(0.1, 0.01, 10.0, "power rating of one resistor at the warmest ambient, W")
    filter_f: float = number(220e-9, 0.0, 1e-3, "capacitor across the bottom resistor, F")
    filter_tolerance: float = number(0.1, 0.0, 0.5, "its tolerance, relative")


@dataclass(frozen=True)
class Adc:
    """A converter with its reference.  Its whole range is full_scale_v."""

    bits: float = number(16.0, 8.0, 24.0, "resolution, bits")
    full_scale_v: float = number(4.096, 0.5, 20.0, "largest input, V")
    offset_v_per_k: float = number(5e-6, 0.0, 0.01, "drift of the offset, V/K")
    inl_counts: float = number(3.0, 0.0, 200.0, "integral nonlinearity, its own counts, either way")
    noise_counts: float = number(0.75, 0.0, 200.0, "noise, root mean square, its own counts")
    ref_tempco_per_k: float = number(10e-6, 0.0, 0.01, "temperature coefficient of the reference, 1/K")
    ref_ageing: float = number(1e-4, 0.0, 0.05, "change of the reference since calibration, relative")
    input_a: float = number(1e-9, 0.0, 1e-3, "drift of the input current over the temperatures, A")


@dataclass(frozen=True)
class Calibration:
    """How the taps were calibrated."""

    meter: float = number(5e-4, 0.0, 0.05, "error of the meter that they were calibrated with, relative")
    residual: float = number(1e-4, 0.0, 0.05, "what calibration leaves in a gain, relative")
    residual_v: float = number(0.002, 0.0, 0.5, "what it leaves in an offset, V at the tap")


@dataclass(frozen=True)
class SenseLead:
    """The wire from a module's post to the head, and the fuse at its source."""

    fuse_a: float = number(0.5, 0.01, 10.0, "fuse, rated current, A")
    fuse_v: float = number(250.0, 10.0, 1500.0, "fuse, rated voltage on direct current, V")
    fuse_breaks_a: float = number(10000.0, 1.0, 200000.0, "fuse, breaking capacity at that voltage, A")
    fuse_a2s: float = number(0.5, 0.0001, 10000.0, "fuse, let-through I2t, A2s")
    fuse_ohm: float = number(0.4, 0.0, 100.0, "fuse, cold resistance, ohm")
    area_mm2: float = number(0.5, 0.05, 10.0, "wire, cross-section, mm2")
    length_m: float = number(3.0, 0.05, 50.0, "wire, length, m")
    wire_v: float = number(300.0, 10.0, 2000.0, "wire, rated voltage, V")


@dataclass(frozen=True)
class PowerResistor:
    """A resistor that is made for heat: the precharge resistor, the bleed."""

    tolerance: float = number(0.05, 0.0, 0.3, "tolerance, relative")
    power_w: float = number(50.0, 0.1, 5000.0, "continuous rating at the warmest ambient, W")
    pulse_j: float = number(500.0, 0.1, 1e6, "energy of one pulse that it takes cold, J")
    heat_j_per_k: float = number(15.0, 0.01, 1e5, "heat capacity, J/K")
    loss_w_per_k: float = number(0.3, 0.001, 100.0, "heat it loses to the air, W/K")
    high_c: float = number(275.0, 50.0, 600.0, "hottest it may get, degC")
    part_v: float = number(500.0, 10.0, 10000.0, "working voltage, V")


@dataclass(frozen=True)
class Link:
    """The link as the precharge meets it."""

    tolerance: float = number(0.2, 0.0, 0.5, "tolerance of the link capacitor, relative")
    label_s: float = number(60.0, 0.1, 3600.0, "waiting time that the label on the controller says, s")


@dataclass(frozen=True)
class Contactor:
    """Main contactor: contacts and coil."""

    carry_a: float = number(500.0, 1.0, 5000.0, "current carried without end, A")
    break_a: float = number(400.0, 1.0, 10000.0, "current it breaks again and again at break_v, A")
    break_once_a: float = number(2000.0, 1.0, 50000.0, "current it breaks once at break_v, A")
    make_a: float = number(650.0, 1.0, 50000.0, "current it makes again and again, A")
    break_v: float = number(320.0, 10.0, 1500.0, "voltage of those, V")
    withstand_a2s: float = number(1.5e6, 1.0, 1e9, "I2t that closed contacts stand without welding, A2s")
    coil_v: float = number(12.0, 3.0, 100.0, "coil, rated voltage, V")
    coil_ohm: float = number(12.0, 0.5, 10000.0, "coil, resistance at 20 degC, ohm")
    coil_h: float = number(0.09, 0.0001, 50.0, "coil, inductance with the armature in, H")
    let_go_a: float = number(0.15, 0.001, 20.0, "coil current at which it lets go, A")
    travel_s: float = number(0.006, 0.0, 0.5, "from letting go to open contacts, s")
    clamp_v: float = number(36.0, 0.3, 500.0, "clamp across the coil, V; 0.7 is a plain diode")
    clamp_j: float = number(0.6, 0.001, 100.0, "energy of one pulse that the clamp takes, J")
    driver_v: float = number(80.0, 10.0, 1000.0, "rated voltage of the coil driver, V")


@dataclass(frozen=True)
class MainFuse:
    """What the pack file does not say of the main fuse."""

    rated_v: float = number(250.0, 10.0, 1500.0, "rated voltage on direct current, V")
    breaks_a: float = number(20000.0, 100.0, 200000.0, "breaking capacity at that voltage, A")
    ambient_factor: float = number(0.9, 0.3, 1.0, "rated current at the warmest ambient, against its rating")


@dataclass(frozen=True)
class Cable:
    """Traction cable: all of the main current's way outside of the modules."""

    area_mm2: float = number(95.0, 0.5, 400.0, "cross-section, mm2")
    strand_class: float = number(5.0, 2.0, 5.0, "class of IEC 60228: 2 stranded or 5 flexible")
    length_m: float = number(9.0, 0.1, 200.0, "length there and back, m")
    insulation_mm: float = number(1.8, 0.2, 20.0, "thickness of insulation, mm")
    insulation_c: float = number(125.0, 50.0, 250.0, "hottest that the insulation may be, degC")
    loss_w_per_m2k: float = number(11.0, 3.0, 40.0, "heat given off by its surface, W/(m2 K)")
    adiabatic_k: float = number(143.0, 50.0, 250.0, "k of the adiabatic rule, A s^0.5/mm2")
    rated_v: float = number(600.0, 10.0, 2000.0, "rated voltage, V")


@dataclass(frozen=True)
class Bridge:
    """Isolation monitor: a meter from each end of the pack to the chassis, and a test resistor."""

    meter_ohm: float = number(2e6, 1e4, 1e9, "resistance of each meter, ohm")
    error: float = number(0.003, 0.0, 0.1, "error of a reading against the other, relative")
    test_tolerance: float = number(0.01, 0.0, 0.2, "tolerance of the test resistor, relative")
    test_w: float = number(0.5, 0.01, 50.0, "power rating of the test resistor, W")


@dataclass(frozen=True)
class Mains:
    """Where the charger plugs in."""

    volts: float = number(230.0, 90.0, 480.0, "mains voltage, V")
    breaker_a: float = number(16.0, 1.0, 125.0, "circuit's breaker, A")
    continuous: float = number(0.8, 0.3, 1.0, "part of it that may flow for hours")
    power_factor: float = number(0.98, 0.3, 1.0, "power factor of the charger")
    night_h: float = number(10.0, 1.0, 48.0, "time there is to charge, h")
    depth: float = number(0.8, 0.05, 1.0, "part of the capacity to put back")


@dataclass(frozen=True)
class Air:
    """Ventilation of the rooms that the boxes stand in."""

    float_ma_per_ah: float = number(0.0, 0.0, 100.0, "gassing current on float, mA per Ah; 0: by chemistry")
    boost_ma_per_ah: float = number(0.0, 0.0, 200.0, "gassing current on boost, mA per Ah; 0: by chemistry")
    opening_cm2: float = number(80.0, 0.0, 100000.0, "free area of each of a box's two openings, cm2")
    fan_m3_per_h: float = number(30.0, 0.0, 10000.0, "air that a box's fan moves, m3/h; 0: none")


@dataclass(frozen=True)
class Aux:
    """The 12 V side, beside what the pack file says."""

    dcdc_a: float = number(40.0, 1.0, 500.0, "current of the DC-DC, A")
    coils_a: float = number(2.1, 0.0, 50.0, "coils held in while driving, A")
    pull_in_a: float = number(3.6, 0.0, 100.0, "current of the main coil as it pulls in, A")
    fans_a: float = number(1.5, 0.0, 100.0, "fans, A")
    heads_a: float = number(0.4, 0.0, 20.0, "relay and heads, A")
    loads_a: float = number(18.0, 0.0, 300.0, "lights, wipers, heater fan and the rest, all on, A")
    resting_v: float = number(12.5, 9.0, 14.0, "12 V battery, resting, V")
    reserve_h: float = number(0.5, 0.0, 24.0, "time the 12 V battery must carry all of it alone, h")


@dataclass(frozen=True)
class Build:
    """Mass and place of what was built in.  Distances from the front axle, backward positive."""

    module_kg: float = number(0.0, 0.0, 1000.0, "mass of a module, kg; 0: from its capacity and chemistry")
    box_kg: float = number(14.0, 0.0, 1000.0, "mass of a box without its modules, kg")
    wheelbase_m: float = number(2.5, 0.5, 10.0, "wheelbase, m")
    front_share: float = number(0.55, 0.0, 1.0, "part of the car without pack that the front axle carries")
    front_max_kg: float = number(800.0, 50.0, 20000.0, "front axle's permitted load, kg")
    rear_max_kg: float = number(950.0, 50.0, 20000.0, "rear axle's permitted load, kg")
    wanted_km: float = number(0.0, 0.0, 1000.0, "range wanted in the city cycle, km; 0: none said")
    road_load_error: float = number(0.15, 0.0, 0.9, "uncertainty of the road load and losses, relative")
    capacity_error: float = number(0.1, 0.0, 0.9, "uncertainty of the capacity (age, temperature), relative")


@dataclass(frozen=True)
class BoxPlace:
    """Where a box stands."""

    at_m: float = number(1.25, -3.0, 15.0, "centre of the box behind the front axle, m")


@dataclass(frozen=True)
class Parts:
    """A whole file of parts."""

    name: str = "reference"
    about: str = ""
    use_adc: str = "wide"
    ambient: Ambient = Ambient()
    divider: Divider = Divider()
    string_tap: Divider = Divider(top_ohm=3.0e6, top_parts=4.0, bottom_ohm=31600.0)  # of string and link
    tap: Mapping[int, Divider] = field(default_factory=dict)  # by place in its box, from 1, where it differs
    adc: Mapping[str, Adc] = field(default_factory=lambda: {"wide": Adc()})
    calibration: Calibration = Calibration()
    sense_lead: SenseLead = SenseLead()
    precharge: PowerResistor = PowerResistor()
    bleed: PowerResistor = PowerResistor()
    link: Link = Link()
    contactor: Contactor = Contactor()
    main_fuse: MainFuse = MainFuse()
    cable: Cable = Cable()
    bridge: Bridge = Bridge()
    mains: Mains = Mains()
    air: Air = Air()
    aux: Aux = Aux()
    build: Build = Build()
    box: Mapping[int, BoxPlace] = field(default_factory=dict)
    file: str = ""

    def divider_at(self, place: int) -> Divider:
        """The divider of the tap at this place in its box, counted from 1."""
        return self.tap.get(place, self.divider)

    def box_at_m(self, box: int) -> float:
        """Where box number `box`, from 1, stands."""
        return self.box.get(box, BoxPlace()).at_m


ONE = (
    "ambient",
    "divider",
    "string_tap",
    "calibration",
    "sense_lead",
    "precharge",
    "bleed",
    "link",
    "contactor",
    "main_fuse",
    "cable",
    "bridge",
    "mains",
    "air",
    "aux",
    "build",
)
TEXTS = ("name", "about", "use_adc")


def load_parts(path: Path | None = None) -> Parts:
    """The reference hardware, changed by what a file says.  Raises InputError."""
    reference = _changed(Parts(), REFERENCE)
    return reference if path is None else _changed(reference, path)


def _changed(base: Parts, path: Path) -> Parts:
    data = read_toml(path, "parts", "a TOML file of parts")
    only(path, "", data, (*TEXTS, *ONE, "adc", "tap", "box"))
    new: dict[str, Any] = {"file": str(path)}
    for key in TEXTS:
        new[key] = data.get(key, getattr(base, key))
        if not isinstance(new[key], str):
            raise InputError(path, key, new[key], "text")
    for key in ONE:
        new[key] = fill(path, key, getattr(base, key), table(path, data, key))
    adc = dict(base.adc)
    for name, values in table(path, data, "adc").items():
        adc[name] = fill(path, "adc." + name, adc.get(name, Adc()), _values(path, "adc." + name, values))
    tap, box = dict(base.tap), dict(base.box)
    for name, values in table(path, data, "tap").items():
        n = _place(path, "tap." + name, name, 24)
        tap[n] = fill(path, "tap." + name, tap.get(n, new["divider"]), _values(path, "tap." + name, values))
    for name, values in table(path, data, "box").items():
        n = _place(path, "box." + name, name, 6)
        box[n] = fill(path, "box." + name, box.get(n, BoxPlace()), _values(path, "box." + name, values))
    out = dataclasses.replace(base, **new, adc=adc, tap=tap, box=box)
    _together(path, out)
    return out


def _values(path: Path, where: str, found: Any) -> dict[str, Any]:
    if not isinstance(found, dict):
        raise InputError(path, where, found, "a table: [%s]" % where)
    return found


def _place(path: Path, where: str, name: str, most: int) -> int:
    if not name.isdecimal() or not 1 <= int(name) <= most:
        raise InputError(path, where, name, "a whole number from 1 to %d" % most)
    return int(name)


def _together(path: Path, p: Parts) -> None:
    """What no field can say alone."""
    if p.use_adc not in p.adc:
        raise InputError(path, "use_adc", p.use_adc, "one of " + ", ".join(p.adc))
    a = p.ambient
    if not a.low_c < a.high_c:
        raise InputError(path, "ambient.low_c", a.low_c, "below ambient.high_c = %g" % a.high_c)
    if not a.low_c <= a.calibrated_c <= a.high_c:
        raise InputError(path, "ambient.calibrated_c", a.calibrated_c, "%g to %g, the ambient" % (a.low_c, a.high_c))
    whole = [("adc.%s.bits" % name, each.bits) for name, each in p.adc.items()]
    whole += [("divider.top_parts", p.divider.top_parts), ("string_tap.top_parts", p.string_tap.top_parts)]
    whole += [("tap.%d.top_parts" % n, each.top_parts) for n, each in p.tap.items()]
    for key, value in whole:
        if value != int(value):
            raise InputError(path, key, value, "a whole number")
    if p.cable.strand_class not in (2.0, 5.0):
        raise InputError(path, "cable.strand_class", p.cable.strand_class, "2 or 5")
    if p.cable.insulation_c <= a.high_c:
        raise InputError(path, "cable.insulation_c", p.cable.insulation_c, "above ambient.high_c = %g" % a.high_c)
    if p.contactor.let_go_a >= p.contactor.coil_v / p.contactor.coil_ohm:
        allowed = "below the coil's own current, %.3g A" % (p.contactor.coil_v / p.contactor.coil_ohm)
        raise InputError(path, "contactor.let_go_a", p.contactor.let_go_a, allowed)
