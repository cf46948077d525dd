"""The two-well kinetic model against its paper's equations, integrated by scipy.

Manwell and McGowan (1993), "Lead acid battery storage model for hybrid energy systems", Solar Energy 50(5), 399-405:
the equations are written here from the paper's definition (two tanks, a conductance between them), from memory.
"""

import pytest
from scipy.integrate import solve_ivp

from packwarden.packs import load_pack
from packwarden.plant.string import wells


def by_scipy(q1, q2, i, c, k, t):
    conductance = k * c * (1 - c)  # the paper's k'

    def flow(_t, q):
        between = conductance * (q[1] / (1 - c) - q[0] / c)
        return [-i + between, -between]

    done = solve_ivp(flow, (0, t), [q1, q2], rtol=1e-10, atol=1e-12)
    return done.y[0][-1], done.y[1][-1]


@pytest.mark.parametrize("i", [-20.0, 0.0, 5.5, 110.0])
@pytest.mark.parametrize("t", [0.1 / 3600, 0.1, 1.0, 5.0])
def test_one_step(i, t):
    ours = wells(60.0, 40.0, i, 0.62, 2.0, t)
    assert ours == pytest.approx(by_scipy(60.0, 40.0, i, 0.62, 2.0, t), rel=1e-7, abs=1e-7)


def test_many_small_steps_are_one_large_one():
    q1, q2 = 60.0, 40.0
    for _ in range(36000):
        q1, q2 = wells(q1, q2, 12.0, 0.62, 2.0, 0.1 / 3600)
    assert (q1, q2) == pytest.approx(wells(60.0, 40.0, 12.0, 0.62, 2.0, 1.0), rel=1e-9)


def test_charge_is_neither_made_nor_lost():
    q1, q2 = wells(60.0, 40.0, 13.0, 0.62, 2.0, 2.0)
    assert q1 + q2 == pytest.approx(100.0 - 26.0, abs=1e-9)


def hours_to_empty(i, whole, c, k):
    low, high = 0.0, whole / i
    for _ in range(60):
        middle = (low + high) / 2
        q1, _ = wells(whole * c, whole * (1 - c), i, c, k, middle)
        low, high = (middle, high) if q1 > 0 else (low, middle)
    return low


def test_capacity_falls_with_rate_as_in_the_paper():
    """q_max(I) = q k c t / (1 - exp(-k t) + c (k t - 1 + exp(-k t))), t = q_max/I: the paper's capacity formula."""
    import math

    c, k, whole = 0.48, 1.0, 116.0
    for i in (5.5, 20.0, 60.0, 110.0):
        t = hours_to_empty(i, whole, c, k)
        e = math.exp(-k * t)
        formula = whole * k * c * t / (1 - e + c * (k * t - 1 + e))
        assert i * t == pytest.approx(formula, rel=1e-6)


def test_the_orchard_trucks_blocks_give_their_rating():
    """110 Ah in 20 h, and about 0.6 of it in one hour (common practice, no source)."""
    module = load_pack("orchard-truck").module
    chem = module.chemistry
    whole = module.capacity_ah * chem.well_gain
    twenty = hours_to_empty(5.5, whole, chem.well_c, chem.well_k_per_h) * 5.5
    assert twenty == pytest.approx(110.0, rel=0.01)
    one = next(i for i in range(110, 10, -1) if hours_to_empty(i, whole, chem.well_c, chem.well_k_per_h) >= 1.0)
    assert one / 110.0 == pytest.approx(0.62, abs=0.03)
