"""What generated code calls: 32-bit rounding, division, conversion, and the traps that stop a scan."""

from __future__ import annotations

import math
from collections.abc import Callable
from struct import Struct

_SINGLE = Struct("<f")
_pack, _unpack = _SINGLE.pack, _SINGLE.unpack
_NS_PER_MS = 1_000_000


class Trap(ArithmeticError):
    """Generated code cannot go on; the instance turns it into a LogicFault with file and line."""


def real(value: float) -> float:
    """The nearest 32-bit value (IEC 60559 single); beyond its range an infinity."""
    try:
        return _unpack(_pack(value))[0]  # type: ignore[no-any-return]
    except OverflowError:
        return math.copysign(math.inf, value)


def divide(left: int, right: int) -> int:
    """Integer division that truncates toward zero (IEC 61131-3 ed. 3, table 29, DIV)."""
    quotient = abs(left) // abs(right)
    return quotient if (left < 0) == (right < 0) else -quotient


def modulo(left: int, right: int) -> int:
    """IN1 - (IN1/IN2)*IN2, and 0 where IN2 = 0, as IEC 61131-3 ed. 3, table 29 defines MOD."""
    return left - divide(left, right) * right if right else 0


def power(base: float, exponent: float) -> float:
    """`**`; too large is an infinity, a result that is no real number stops the scan."""
    try:
        return math.pow(base, exponent)
    except OverflowError:
        return math.inf
    except ValueError:
        raise Trap(f"{base:g} ** {exponent:g} has no real value") from None


def nearest_int(value: float) -> int:
    """Round half to even, as *_TO_* of a real does (IEC 61131-3 ed. 3, 6.6.2.5.3)."""
    if not math.isfinite(value):
        raise Trap(f"{value} cannot become an integer")
    return round(value)


def ms_from_time(time_ns: int) -> int:
    """TIME to a number: whole milliseconds, a convention; the standard leaves the unit open."""
    return divide(time_ns, _NS_PER_MS)


def time_from_ms(value_ms: float) -> int:
    """A number of milliseconds to TIME; same convention."""
    return value_ms * _NS_PER_MS if isinstance(value_ms, int) else nearest_int(value_ms * _NS_PER_MS)


def limit(low: float, value: float, high: float) -> float:
    """LIMIT: MIN(MAX(IN, MN), MX) (IEC 61131-3 ed. 3, table 30)."""
    return min(max(value, low), high)


def runaway() -> Trap:
    """The trap of a loop that used up the iterations of its scan."""
    return Trap("the loop runs past its scan period")


def forward(start: int, end: int, step: int) -> range:
    """The values of a FOR loop, end included; bounds and step are evaluated once."""
    if step == 0:
        raise Trap("FOR with BY 0 never ends")
    return range(start, end + (1 if step > 0 else -1), step)


NAMESPACE: dict[str, Callable[..., object]] = {
    "range": range,
    "ArithmeticError": ArithmeticError,
    "ValueError": ValueError,
    "real": real,
    "divide": divide,
    "modulo": modulo,
    "power": power,
    "nearest_int": nearest_int,
    "ms_from_time": ms_from_time,
    "time_from_ms": time_from_ms,
    "limit": limit,
    "runaway": runaway,
    "forward": forward,
    "min": min,
    "max": max,
    "abs": abs,
    "float": float,
    "int": int,
}
