"""Thermistor and isolation bridge: plant and firmware against published figures."""

import pytest

from packwarden.plant.isolation import Isolation
from packwarden.plant.sensors import ntc_ohm
from warden import sense


@pytest.mark.parametrize("temp_c, ohm", [(-40, 336103.2), (-20, 97006.9), (-10, 55303.9), (0, 32650.9)])
def test_thermistor_table(temp_c, ohm):
    """10K3MCD1 in the Campbell Scientific 109SS manual, appendix C-1; -20 and -10 were not used for the fit."""
    assert ntc_ohm(temp_c) == pytest.approx(ohm, rel=1e-5)


def test_thermistor_is_10k_at_25():
    assert ntc_ohm(25.0) == pytest.approx(10000.0, rel=1e-6)


def test_the_firmwares_table_is_made_from_the_curve():
    for n, counts in enumerate(sense.NTC_COUNTS):
        ohm = ntc_ohm(-40 + 5 * n)
        assert abs(counts - 65535.0 * ohm / (ohm + 10000.0)) <= 1.0


def test_the_firmware_reads_temperature_to_a_third_of_a_degree():
    worst = 0.0
    for tenth in range(-400, 1001):
        ohm = ntc_ohm(tenth / 10)
        got = sense.probe_dc(round(65535.0 * ohm / (ohm + 10000.0)))
        worst = max(worst, abs(got - tenth) / 10)
    assert worst <= 0.35


@pytest.mark.parametrize("pos, neg", [(5e6, 50e3), (30e3, 5e6), (200e3, 150e3), (1e6, 1e6)])
def test_isolation_by_the_formula_of_un_r100(pos, neg):
    """Ri = Ro Vb (1/V1' - 1/V1), V1 the higher side, Ro across it (UN R100 Rev. 2, annex 4B).  The meter's own 2 Mohm a
    side is in parallel with the leaks, and so in the result."""
    volts = 150.0

    def settled(bits):
        bridge = Isolation(1e9)
        bridge.leak_pos_ohm, bridge.leak_neg_ohm = pos, neg
        for _ in range(300):
            bridge.step(0.01, volts, [volts], bits)
        return bridge

    before = settled(0)
    side = "pos_v" if before.pos_v > before.neg_v else "neg_v"
    after = settled(1 << 8 if side == "pos_v" else 1 << 9)
    ri = 100e3 * volts * (1 / getattr(after, side) - 1 / getattr(before, side))
    # Worked out from the bridge: the formula gives the side that leaks most, the test resistor being on the other.
    leakiest = min(1 / (1 / pos + 1 / 2e6), 1 / (1 / neg + 1 / 2e6))
    assert ri == pytest.approx(leakiest, rel=0.002)
