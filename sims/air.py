"""Air: the reference atmosphere ANR and the flow through a restriction (ISO 6358).

A restriction is its sonic conductance C, m3/(s Pa), and its critical pressure ratio b, 0 <= b < 1.
Catalogues print C in dm3/(s bar) = 1e-8 m3/(s Pa). Every pressure is absolute.

The ellipse of ISO 6358 has an infinite slope at equal pressures, which no solver and no real valve has;
above the ratio B_LAM the flow is a straight line to zero, as it is in fact where it turns laminar.
"""

from __future__ import annotations

from math import sqrt

P0_PA = 100_000.0  # ANR, ISO 8778:2003: 100 kPa, 20 degC, 65 % relative humidity
T0_K = 293.15
RHO0_KG_M3 = 1.185
# Taken from the three values above, not from a table, so that pV = mRT and ANR litres never disagree.
R_J_KG_K = P0_PA / (RHO0_KG_M3 * T0_K)
GAMMA = 1.4
PATM_PA = 101_325.0  # standard atmosphere, ISO 2533
B_LAM = 0.99
SHUT = 1e-16  # m3/(s Pa); less than this is not a passage, and its square not a number to divide by


def phi(ratio: float, b: float, b_lam: float = B_LAM) -> float:
    """Share of the choked flow that passes at the pressure ratio p2/p1; 1 when choked, 0 from 1 up."""
    if ratio <= b:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    if ratio > b_lam > b:
        return phi(b_lam, b, 1.0) * (1.0 - ratio) / (1.0 - b_lam)
    u = (ratio - b) / (1.0 - b)
    return sqrt(1.0 - u * u)


def mass_flow_kg_s(
    c: float, b: float, p1_pa: float, p2_pa: float, t1_k: float = T0_K, b_lam: float = B_LAM
) -> float:
    """Mass flow from p1 to p2 through (c, b), ISO 6358-1; 0 when p2 >= p1.

    `t1_k` is the upstream stagnation temperature; `b_lam` = 1 switches the laminar line off.
    """
    return c * RHO0_KG_M3 * p1_pa * sqrt(T0_K / t1_k) * phi(p2_pa / p1_pa, b, b_lam)


def volume_flow_m3_s(c: float, b: float, p1_pa: float, p2_pa: float) -> float:
    """Volume flow in m3/s ANR through (c, b), upstream air at T0."""
    return c * p1_pa * phi(p2_pa / p1_pa, b)


def series(c1: float, b1: float, c2: float, b2: float) -> tuple[float, float]:
    """(C, b) of two restrictions in a row, the first one upstream (ISO 6358-3).

    The choked conductance is exact, the flow elsewhere within 0.65 % of solving for the pressure between.
    The published form divides by b1; this one has the division cancelled, so that b1 = 0 is allowed.
    """
    if c1 <= SHUT or c2 <= SHUT:
        return 0.0, min(b1, b2)
    a = c1 / c2
    if a <= b1:
        c = c1
    else:
        c = c1 * (a * b1 + (1.0 - b1) * sqrt(a * a + 1.0 - 2.0 * b1)) / (a * a + (1.0 - b1) ** 2)
    b = 1.0 - (1.0 - b1) * (c / c1) ** 2 - (1.0 - b2) * (c / c2) ** 2
    return c, max(b, 0.0)


def parallel(c1: float, b1: float, c2: float, b2: float) -> tuple[float, float]:
    """(C, b) of two restrictions side by side: C adds, and so does C/sqrt(1-b) (ISO 6358-3)."""
    c = c1 + c2
    if c <= SHUT:
        return 0.0, b1
    wide = c1 / sqrt(1.0 - b1) + c2 / sqrt(1.0 - b2)
    return c, max(1.0 - (c / wide) ** 2, 0.0)
