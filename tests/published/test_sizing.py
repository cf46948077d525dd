"""Sizing against what is not ours: standards, closed forms, ngspice, scipy, `uncertainties`; each names its source."""

from __future__ import annotations

import math
import random

import pytest
from scipy.integrate import quad, solve_ivp
from uncertainties import ufloat

from packwarden.plant.isolation import OUT_ISO_NEG, OUT_ISO_POS, Isolation
from packwarden.sizing import budget, charging, coil, conductors, drive, isolation, power, precharge
from packwarden.sizing.parts import Adc, Calibration, Divider, PowerResistor

# -- copper --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("area, class2, class5", [
    (1.5, 12.1, 13.3), (2.5, 7.41, 7.98), (4, 4.61, 4.95), (6, 3.08, 3.30), (10, 1.83, 1.91), (16, 1.15, 1.21),
    (25, 0.727, 0.780), (35, 0.524, 0.554), (50, 0.387, 0.386), (70, 0.268, 0.272), (95, 0.193, 0.206),
])  # fmt: skip
def test_resistance_by_iec_60228(area: float, class2: float, class5: float) -> None:
    """IEC 60228, plain copper at 20 degC, ohm/km.  (50 mm2 really has the lower value in class 5.)"""
    assert conductors.iec_ohm_per_m(area, 2) * 1e3 == pytest.approx(class2)
    assert conductors.iec_ohm_per_m(area, 5) * 1e3 == pytest.approx(class5)
    # The table is of real conductors: more than solid copper of that area, but not by a quarter.
    assert 1.0 < conductors.iec_ohm_per_m(area, 2) / conductors.copper_ohm_per_m(area * 1e-6) < 1.25


def test_a_size_that_is_not_in_the_table_is_not_made_up() -> None:
    with pytest.raises(ValueError, match="area_mm2 = 120: allowed 1.5, 2.5"):
        conductors.iec_ohm_per_m(120.0, 5)
    with pytest.raises(ValueError, match="strand_class"):
        conductors.iec_ohm_per_m(95.0, 3)


@pytest.mark.parametrize("gauge, name, mm2, ohm_per_km", [
    (-3, "4/0", 107.22, 0.1608), (2, "2", 33.63, 0.5127), (10, "10", 5.261, 3.277),
])  # fmt: skip
def test_american_wire_gauge(gauge: int, name: str, mm2: float, ohm_per_km: float) -> None:
    """ASTM B258: diameters by its formula, resistance of solid annealed copper at 20 degC."""
    area = conductors.awg_area_m2(gauge)
    assert area * 1e6 == pytest.approx(mm2, rel=2e-4)
    assert conductors.copper_ohm_per_m(area) * 1e3 == pytest.approx(ohm_per_km, rel=5e-4)
    assert conductors.awg_name(gauge) == name
    assert conductors.awg_for(area) == gauge
    assert conductors.awg_for(area * 1.001) == (gauge - 1 if gauge > -3 else None)


def test_temperature_of_copper() -> None:
    """IEC 60228's table of factors that bring a reading to 20 degC is 250 / (230 + t)."""
    for t in (0.0, 20.0, 75.0, 125.0):
        assert 1.0 / conductors.warm(t) == pytest.approx(250.0 / (230.0 + t))
    # The textbook's 254.5 / (234.5 + t) is nearly the same, and not the same.
    assert conductors.warm(125.0) == pytest.approx((234.5 + 125.0) / 254.5, rel=6e-3)


def test_what_a_cable_carries_is_what_heats_it_to_its_limit() -> None:
    """Heat balance there and back."""
    outer = conductors.outer_m(95e-6, 1.8e-3)
    amps = conductors.carries_a(0.206e-3, outer, 11.0, 125.0, 50.0)
    assert conductors.steady_c(amps, 0.206e-3, outer, 11.0, 50.0) == pytest.approx(125.0)
    assert conductors.steady_c(5000.0, 0.206e-3, outer, 11.0, 50.0) == math.inf, "heat grows faster than it leaves"


def test_heating_of_a_conductor_by_quadrature() -> None:
    """Closed form against scipy.integrate.quad of C A dT / (I^2 R(T))."""
    area, ohm, amps = 95e-6, 0.206e-3, 1000.0
    want, _ = quad(lambda t: conductors.HEAT_J_M3K * area / (amps**2 * ohm * (230.0 + t) / 250.0), 60.0, 125.0)
    assert conductors.time_to_s(amps, area, ohm, 60.0, 125.0) == pytest.approx(want)


# -- precharge and discharge ---------------------------------------------------------------------------------


@pytest.mark.parametrize("farad, t95_s, joules", [(470e-6, 0.1408, 4.8729), (1e-3, 0.299574, 10.368)])
def test_precharge_as_ngspice_has_it(farad: float, t95_s: float, joules: float) -> None:
    """ngspice 39: 144 V, 100 ohm; time to 95 % and heat in the resistor.  Its time of 470 uF was read to 4 digits."""
    assert precharge.charge_s(100.0, farad, 0.05) == pytest.approx(t95_s, rel=3e-4)
    assert precharge.energy_j(farad, 144.0) == pytest.approx(joules, rel=2e-5)
    points = precharge.curve(144.0, 100.0, farad, 1e9, 0.0, 12 * 100.0 * farad)
    assert precharge.reached_s(points, 0.95 * 144.0) == pytest.approx(t95_s, rel=3e-4)
    assert points[-1][2] == pytest.approx(joules, rel=2e-5)


def test_precharge_against_standby_and_bleed() -> None:
    """scipy.integrate.solve_ivp over the same circuit: 154 V, 100 ohm, 2.2 mF, 10 kohm, 8 W above 20 V."""

    def slope(_t: float, y: list[float]) -> list[float]:
        v = y[0]
        return [((154.0 - v) / 100.0 - v / 1e4 - (8.0 / v if v > 20.0 else 0.0)) / 2.2e-3, (154.0 - v) ** 2 / 100.0]

    want = solve_ivp(slope, (0.0, 1.5), [0.0, 0.0], rtol=1e-9, atol=1e-9, max_step=1e-3).y[:, -1]
    got = precharge.curve(154.0, 100.0, 2.2e-3, 1e4, 8.0, 1.5)[-1]
    assert got[1] == pytest.approx(want[0], rel=1e-5)
    assert got[2] == pytest.approx(want[1], rel=1e-3), "the step at 20 V costs the midpoint rule its second order"


def test_a_bleed_that_holds_the_link_below_the_band_is_an_error() -> None:
    assert precharge.charge_s(100.0, 1e-3, 0.05, 1e4) > precharge.charge_s(100.0, 1e-3, 0.05)
    with pytest.raises(ValueError, match="allowed above 1900"):
        precharge.charge_s(100.0, 1e-3, 0.05, 1800.0)


def test_discharge_closed_form() -> None:
    """Closed form: one time constant takes the link to 1/e."""
    assert precharge.discharge_s(1e4, 2.2e-3, 163.0969, 60.0) == pytest.approx(22.0, rel=1e-6)
    assert precharge.discharge_s(1e4, 2.2e-3, 50.0, 60.0) == 0.0


def test_repeated_pulses_by_geometric_series() -> None:
    """Closed form of the limit: E/C / (1 - exp(-t G / C))."""
    part = PowerResistor(heat_j_per_k=15.0, loss_w_per_k=0.3)
    limit = 40.0 / 15.0 / (1.0 - math.exp(-10.0 * 0.3 / 15.0))
    assert precharge.repeated_rise_k(40.0, 1, 10.0, part, 1000) == pytest.approx(limit)
    assert precharge.repeated_rise_k(40.0, 20, 10.0, part) == pytest.approx(20 * 40.0 / 15.0)


# -- divider -------------------------------------------------------------------------------------------------


def test_filter_as_ngspice_has_it() -> None:
    """ngspice 39: 1 Mohm over 68 kohm and 100 nF has its corner at 24.990 Hz."""
    assert 1.0 / (2.0 * math.pi * budget.filter_s(1e6, 68e3, 100e-9)) == pytest.approx(24.990, rel=5e-4)


def test_budget_against_uncertainties() -> None:
    """Standard deviation of a module's reading by the library `uncertainties`, from resistors up.

    Each half-width is of an even distribution, so its standard deviation is half / sqrt(3), and RSS / sqrt(3) is ours.
    """
    d, adc, cal = Divider(), Adc(), Calibration()
    off_k, upper_v, lower_v = 40.0, 100.8, 86.4
    root3 = math.sqrt(3.0)

    def even(half: float) -> object:
        return ufloat(0.0, half / root3)

    top_shared, bottom_shared = even(d.tempco_per_k * d.shared * off_k), even(d.tempco_per_k * d.shared * off_k)
    common = 1.0 + even(cal.meter) + even(adc.ref_tempco_per_k * off_k) + even(adc.ref_ageing)

    def reading(tap_v: float) -> object:
        own = d.tempco_per_k * (1.0 - d.shared) * off_k
        top = d.top_ohm * (1.0 + top_shared + even(own) + even(d.ageing))
        bottom = d.bottom_ohm * (1.0 + bottom_shared + even(own) + even(d.ageing))
        k = (d.top_ohm + d.bottom_ohm) / d.bottom_ohm
        count = adc.full_scale_v / 2**adc.bits
        pin = tap_v * bottom / (top + bottom) + even(adc.offset_v_per_k * off_k)
        pin = pin + even(adc.input_a * d.top_ohm * d.bottom_ohm / (d.top_ohm + d.bottom_ohm))
        pin = pin + even(adc.inl_counts * count) + even(count / 2)
        return pin * k * (common + even(cal.residual)) + even(cal.residual_v) + even(0.0005)

    t = budget.terms(d, adc, cal, off_k)
    for upper, lower in ((upper_v, lower_v), (14.4, 0.0)):
        want = (reading(upper) - reading(lower) if lower else reading(upper)).std_dev  # type: ignore[operator]
        got = budget.module_error(t, t if lower else None, upper, lower).rss_v / root3
        assert got == pytest.approx(want, rel=1e-3)


def test_noise_behind_the_relays_filter() -> None:
    """The filter's own arithmetic on white noise, seeded: within 2 % of the closed form."""
    rng = random.Random(27)
    for shift in (1, 2, 3):
        y, total, n = 0.0, 0.0, 60000
        for _ in range(n):
            y += (rng.gauss(0.0, 1.0) - y) / 2**shift
            total += y * y
        assert math.sqrt(total / n) == pytest.approx(budget.filtered(1.0, shift), rel=0.02)


# -- isolation -----------------------------------------------------------------------------------------------


def test_un_r100_by_hand() -> None:
    """UN R100 Rev. 2, annex 4B: 100 kohm, 150 V, 120 V before, 60 V after: 100e3 * 150 * (1/60 - 1/120) = 125 kohm."""
    assert isolation.resistance_ohm(100e3, 150.0, 120.0, 60.0) == pytest.approx(125e3)


@pytest.mark.parametrize("leak_ohm", [5e3, 15e3, 75e3, 400e3])
@pytest.mark.parametrize("side", ["pos", "neg"])
def test_reading_of_the_bench_bridge_lies_within_the_corners(leak_ohm: float, side: str) -> None:
    """The bench's bridge, settled, through the formula, against `reading_ohm` with and without errors."""

    def settled(bits: int) -> Isolation:
        bridge = Isolation(1e12)
        setattr(bridge, "leak_%s_ohm" % side, leak_ohm)
        for _ in range(400):
            bridge.step(0.01, 150.0, [150.0], bits)
        return bridge

    higher = "neg_v" if side == "pos" else "pos_v"
    before = getattr(settled(0), higher)
    after = getattr(settled(OUT_ISO_NEG if side == "pos" else OUT_ISO_POS), higher)
    read = isolation.resistance_ohm(100e3, 150.0, before, after)
    low, exact, high = isolation.reading_ohm(leak_ohm, 2e6, 100e3, 150.0, 0.003, 0.01)
    assert read == pytest.approx(exact, rel=1e-6)
    assert low < exact < high
    assert exact == pytest.approx(1.0 / (1.0 / leak_ohm + 1.0 / 2e6))


# -- air -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ma_per_ah, m3_per_h", [(5.0, 34.71), (50.0, 347.13)])
def test_the_worked_example_of_iec_62485_2(ma_per_ah: float, m3_per_h: float) -> None:
    """IEC 62485-2: 95 vented nickel-cadmium cells of 1450 Ah, float and boost."""
    assert charging.air_m3_per_h(95, ma_per_ah * 1e-3 * 1450.0) == pytest.approx(m3_per_h, rel=2e-4)


def test_hydrogen_by_faraday() -> None:
    """Faraday 1.2678e-7 m3/s for each ampere and cell at 25 degC; UFC 3-520-01 has 1.27e-7."""
    assert charging.hydrogen_m3_per_s(1, 1.0) == pytest.approx(1.2678e-7, rel=2e-4)
    assert charging.hydrogen_m3_per_s(1, 1.0) == pytest.approx(1.27e-7, rel=3e-3)


def test_the_standards_air_dilutes_the_hydrogen_to_a_fifth_of_what_burns() -> None:
    """IEC 62485-2 with Faraday: 4 % burns (from memory); s = 5 leaves 0.8 %, at 0 degC as the standard reckons."""
    share = charging.hydrogen_m3_per_s(6, 10.0) * 3600.0 * 273.15 / 298.15 / charging.air_m3_per_h(6, 10.0)
    assert share == pytest.approx(0.04 / 5, rel=0.05)


# -- coil, fuse ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("clamp_v", [0.7, 12.0, 36.0])
def test_release_of_a_coil_by_integration(clamp_v: float) -> None:
    """scipy.integrate.solve_ivp of L di/dt = -Vc - R i from the holding current."""

    def down(_t: float, y: list[float]) -> float:
        return y[0] - 0.15

    down.terminal = True  # type: ignore[attr-defined]
    def slope(_t: float, y: list[float]) -> list[float]:
        return [(-clamp_v - 12.0 * y[0]) / 0.09]

    found = solve_ivp(slope, (0.0, 1.0), [13.8 / 12.0], events=down, rtol=1e-10)
    assert coil.release_s(13.8, 12.0, 0.09, 0.15, clamp_v) == pytest.approx(found.t_events[0][0], rel=1e-6)


def test_energy_of_a_coil_goes_into_clamp_and_copper() -> None:
    """Closed form: what the clamp takes, Vc times the charge, is less than L I^2 / 2."""
    i0, tau = 13.8 / 12.0, 0.09 / 12.0
    end = tau * math.log((i0 + 3.0) / 3.0)
    charge, _ = quad(lambda t: (i0 + 3.0) * math.exp(-t / tau) - 3.0, 0.0, end)
    assert 0.5 * coil.clamp_j(13.8, 12.0, 0.09) < 36.0 * charge < coil.clamp_j(13.8, 12.0, 0.09)


def test_fuse_and_contactor_meet_where_their_times_do() -> None:
    """Closed form: at that current the fuse needs exactly the time the contactor takes."""
    amps = power.slowest_broken_a(400.0, 120000.0, 0.042, 1e6)
    assert power.melt_s(amps, 400.0, 120000.0) == pytest.approx(0.042)
    assert power.slowest_broken_a(400.0, 120000.0, 0.042, 1000.0) == 1000.0
    assert power.melt_s(400.0, 400.0, 120000.0) == math.inf


def test_axle_loads_are_statics() -> None:
    """Statics: a box over an axle loads that axle alone, one behind the rear axle lifts the front."""
    assert drive.axle_kg(2.5, 1000.0, 0.6, [(100.0, 0.0)]) == pytest.approx((700.0, 400.0))
    assert drive.axle_kg(2.5, 1000.0, 0.6, [(100.0, 2.5)]) == pytest.approx((600.0, 500.0))
    front, rear = drive.axle_kg(2.5, 1000.0, 0.6, [(100.0, 3.0)])
    assert front < 600.0 and front + rear == pytest.approx(1100.0)
