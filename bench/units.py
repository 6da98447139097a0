"""Conversions between the person's units and the bench's own: the one place that has them.

Bench time is an int of nanoseconds. A value that is not a whole number of nanoseconds is refused
rather than rounded, so that a time read back is the time that was written.
Pressures: files say bar gauge, the inside says pascal absolute. Flow: files say litres per minute
ANR (ISO 8778:2003 reference atmosphere), the inside says kg/s.
"""

from __future__ import annotations

from decimal import Context, Decimal, DecimalException, Inexact, InvalidOperation, Overflow

from bench.errors import LocalError

NS_PER_MS = 1_000_000
NS_PER_S = 1_000_000_000
ATMOSPHERE_PA = 101_325.0  # standard atmosphere, ISO 2533
# the common context would round a product to 28 digits, and so take some values finer than 1 ns
_EXACTLY = Context(prec=60, traps=[Inexact, InvalidOperation, Overflow])


def ns_from_ms(value_ms: int | float | str | Decimal) -> int:
    """Milliseconds to whole nanoseconds.

    Floats are taken at their shortest decimal form (0.1 means 1/10).

    Raises:
        LocalError: not a number, not finite, or finer than 1 ns.
    """
    return _exact(value_ms, NS_PER_MS, "ms")


def ns_from_s(value_s: int | float | str | Decimal) -> int:
    """Seconds to whole nanoseconds; raises as `ns_from_ms`."""
    return _exact(value_s, NS_PER_S, "s")


def _exact(value: int | float | str | Decimal, scale: int, unit: str) -> int:
    try:
        number = Decimal(str(value))
    except InvalidOperation:
        raise LocalError(f"{value!r} {unit} is not a number") from None
    try:
        scaled = _EXACTLY.multiply(number, Decimal(scale))
    except DecimalException:
        scaled = Decimal("NaN")
    if not scaled.is_finite() or scaled != scaled.to_integral_value():
        raise LocalError(f"{value} {unit} is not a whole number of nanoseconds")
    return int(scaled)


def ms_text(t_ns: int) -> str:
    """Nanoseconds as milliseconds with three decimals, for people: `12.345`."""
    return f"{t_ns / NS_PER_MS:.3f}"


def pa_from_bar_gauge(pressure_bar: float) -> float:
    """bar gauge to pascal absolute."""
    return pressure_bar * 1e5 + ATMOSPHERE_PA


def bar_gauge_from_pa(pressure_pa: float) -> float:
    """Pascal absolute to bar gauge."""
    return (pressure_pa - ATMOSPHERE_PA) / 1e5


def conductance_si(c_dm3_s_bar: float) -> float:
    """ISO 6358 sonic conductance, dm3/(s bar) as catalogues print it, to m3/(s Pa)."""
    return c_dm3_s_bar * 1e-8
