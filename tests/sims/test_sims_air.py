"""ISO 6358 flow against values computed apart from this code, and against an ideal nozzle."""

from __future__ import annotations

from math import sqrt

import pytest
from fluids.safety_valve import API520_A_g

from sims.air import R_J_KG_K, RHO0_KG_M3, mass_flow_kg_s, parallel, phi, series, volume_flow_m3_s

# C dm3/(s bar), b, p1 bar, T1 K, p2 bar, q_m kg/s, L/min ANR; the ISO 6358 formula worked by hand
FLOWS = [
    (1.0, 0.3, 7.0, 293.15, 1.0, 8.29500e-3, 420.000),
    (1.0, 0.3, 7.0, 313.15, 1.0, 8.025741e-3, 406.367),
    (1.0, 0.3, 7.0, 293.15, 6.0, 5.021826e-3, 254.270),
    (1.0, 0.3, 7.0, 293.15, 5.0, 6.686250e-3, 338.544),
    (1.0, 0.3, 7.0, 273.15, 6.0, 5.202427e-3, 263.414),
    (2.0, 0.5, 7.0, 293.15, 6.0, 1.161058e-2, 587.878),
    (0.5, 0.2, 5.0, 293.15, 3.0, 2.565600e-3, 129.904),
    (1.0, 0.3, 7.0, 293.15, 6.9, 1.667271e-3, 84.419),
    (1.0, 0.3, 7.01325, 293.15, 6.01325, 5.027116e-3, 254.538),
]
# C1, b1, C2, b2, C12, b12; 1 is upstream
SERIES = [
    (1.0, 0.3, 1.0, 0.3, 0.75722, 0.19727),
    (0.5, 0.2, 1.0, 0.4, 0.47054, 0.15865),
    (2.0, 0.4, 1.0, 0.3, 0.93102, 0.26321),
    (0.06, 0.35, 0.8, 0.35, 0.06000, 0.34634),
    (0.8, 0.35, 0.66, 0.35, 0.54503, 0.25502),
]


@pytest.mark.parametrize(("c", "b", "p1", "t1", "p2", "q", "litres"), FLOWS)
def test_flow_follows_iso_6358(
    c: float, b: float, p1: float, t1: float, p2: float, q: float, litres: float
) -> None:
    got = mass_flow_kg_s(c * 1e-8, b, p1 * 1e5, p2 * 1e5, t1, b_lam=1.0)
    assert [got, got / RHO0_KG_M3 * 6e4] == [pytest.approx(q, rel=1e-6), pytest.approx(litres, rel=3e-6)]


@pytest.mark.parametrize(("c1", "b1", "c2", "b2", "c12", "b12"), SERIES)
def test_series_pair(c1: float, b1: float, c2: float, b2: float, c12: float, b12: float) -> None:
    c, b = series(c1, b1, c2, b2)
    assert (c, b) == pytest.approx((c12, b12), abs=6e-6)


@pytest.mark.parametrize(("c1", "b1", "c2", "b2", "c12", "b12"), SERIES)
def test_series_pair_against_the_pressure_between(
    c1: float, b1: float, c2: float, b2: float, c12: float, b12: float
) -> None:
    c, b = series(c1, b1, c2, b2)
    errors = []
    for p2 in range(1, 66):
        low, high = p2 / 10, 7.0
        for _ in range(60):
            middle = 0.5 * (low + high)
            more = c1 * 7.0 * phi(middle / 7.0, b1, 1.0) > c2 * middle * phi(p2 / 10 / middle, b2, 1.0)
            low, high = (middle, high) if more else (low, middle)
        exact = c1 * 7.0 * phi(low / 7.0, b1, 1.0)
        errors.append(abs(c * 7.0 * phi(p2 / 70, b, 1.0) / exact - 1.0))
    assert max(errors) < 0.0065


@pytest.mark.parametrize("c", [0.0, 1e-200])
def test_series_of_a_shut_element_is_shut(c: float) -> None:
    assert (series(c, 0.3, 1e-8, 0.3)[0], series(1e-8, 0.3, c, 0.3)[0]) == (0.0, 0.0)


def test_parallel_of_equal_b_keeps_b() -> None:
    assert parallel(0.6, 0.35, 0.06, 0.35) == pytest.approx((0.66, 0.35))


def test_laminar_line_meets_the_ellipse_and_zero() -> None:
    ends = (phi(0.99, 0.3), phi(1.0, 0.3), phi(0.995, 0.3))
    corner = sqrt(1.0 - (0.69 / 0.7) ** 2)
    assert ends == pytest.approx((corner, 0.0, 0.5 * corner))


@pytest.mark.parametrize("p2_pa", [101_325.0, 5.0e5, 6.0e5])
def test_ideal_nozzle_area_by_api_520(p2_pa: float) -> None:
    # 10 mm2 isentropic nozzle: C = 0.19891 dm3/(s bar) per mm2, b = (2/2.4)**3.5 = 0.528282
    q = mass_flow_kg_s(1.9891e-8, 0.528282, 7e5, p2_pa)
    area = API520_A_g(m=q, T=293.15, Z=1.0, MW=8314.4626 / R_J_KG_K, k=1.4, P1=7e5, P2=p2_pa, Kd=1.0)
    assert area * 1e6 == pytest.approx(10.0, rel=0.003)


def test_flow_of_60_l_min_from_5_bar_gauge() -> None:
    c = 1.0 / 6.01325 * 1e-8
    litres = [volume_flow_m3_s(c, 0.3, bar * 1e5 + 101_325.0, 101_325.0) * 6e4 for bar in (3, 4, 5, 6)]
    assert litres == pytest.approx([40.04, 50.02, 60.00, 69.98], abs=0.006)


def test_restrictors_in_series_published_pressure_between() -> None:
    # published handbook example: C1:C2 = 1:4, 72 psia to 14.7 psia, 20 psia between; both choked
    between = 72.0 * 1.0 / 4.0
    for _ in range(200):
        between = 72.0 * phi(between / 72.0, 0.528) / (4.0 * phi(14.7 / between, 0.528))
    assert between == pytest.approx(20.0, abs=0.2)
