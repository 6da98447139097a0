"""Filling and venting a vessel against closed forms (Dutton & Coverdill, IJEE 13, 1997)."""

from __future__ import annotations

from math import exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.air import P0_PA, PATM_PA, R_J_KG_K, T0_K
from sims.cylinder import exchange, port_pairs

VOLUME_M3 = 1e-3
C = 0.5e-8
TAU_S = VOLUME_M3 / (C * P0_PA)
H_S = 0.5e-3
PAIRS = port_pairs((C, 0.3), None, None, (C, 0.3))
ISOTHERMAL_W_K = 1e9


def vessel(p: float, port: float, seconds: float, wall: float) -> tuple[float, float]:
    m = p * VOLUME_M3 / (R_J_KG_K * T0_K)
    for _ in range(round(seconds / H_S)):
        p, m = exchange(p, m, VOLUME_M3, port, PAIRS, 1.0, H_S, wall)
    return p, p * VOLUME_M3 / (m * R_J_KG_K)


@pytest.mark.parametrize(
    ("seconds", "p", "t"), [(0.2, 609392.1, 281.767), (0.5, 497476.9, 265.896), (1.0, 359210.7, 242.273)]
)
def test_adiabatic_choked_vent(seconds: float, p: float, t: float) -> None:
    assert vessel(7e5, PATM_PA, seconds, 0.0) == pytest.approx((p, t), rel=1e-4)


def test_isothermal_choked_vent() -> None:
    p, t = vessel(7e5, PATM_PA, 1.0, ISOTHERMAL_W_K)
    assert (p, t) == pytest.approx((7e5 * exp(-1.0 / TAU_S), T0_K), rel=1e-3)


@pytest.mark.parametrize(("bar", "after_s"), [(2.0, 1.061808), (1.5, 1.695667), (1.2, 2.293237)])
def test_isothermal_subsonic_vent(bar: float, after_s: float) -> None:
    seconds = TAU_S * log(7e5 * 0.3 / PATM_PA) + after_s
    p, _ = vessel(7e5, PATM_PA, round(seconds / H_S) * H_S, ISOTHERMAL_W_K)
    assert p == pytest.approx(bar * 1e5, rel=1e-3)


def test_adiabatic_choked_fill() -> None:
    p, t = vessel(PATM_PA, 7e5, 0.2218, 0.0)
    steps = round(0.2218 / H_S) * H_S
    assert (p, t) == pytest.approx((PATM_PA + 490_000.0 * steps, 344.02), rel=1e-3)


@given(
    p=st.floats(5e4, 2e6),
    port=st.floats(9e4, 2e6),
    c=st.floats(0.0, 1e-7),
    volume=st.floats(1e-7, 1e-2),
    wall=st.floats(0.0, 1e5),
)
def test_pressure_never_passes_the_port(p: float, port: float, c: float, volume: float, wall: float) -> None:
    pairs = port_pairs((c, 0.3), None, None, (c, 0.3))
    m = p * volume / (R_J_KG_K * T0_K)
    after, kilograms = exchange(p, m, volume, port, pairs, 1.0, 0.02, 0.0)
    warmed, _ = exchange(p, m, volume, port, pairs, 1.0, 0.02, wall)
    low, high = sorted((p, port))
    inside = low * 0.999999 <= after <= high * 1.000001
    assert (inside, kilograms > 0.0, warmed > 0.0) == (True, True, True)
