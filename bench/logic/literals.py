"""Literals to values: numbers, typed literals and durations (IEC 61131-3 ed. 3, tables 5 and 8)."""

from __future__ import annotations

import re
from fractions import Fraction

from bench.logic.types import ANY_INT, ANY_REAL, BITS, ELEMENTARY, INTEGERS, REALS, limits

Value = bool | int | float

_UNITS_NS = {
    "d": 86_400_000_000_000,
    "h": 3_600_000_000_000,
    "m": 60_000_000_000,
    "s": 1_000_000_000,
    "ms": 1_000_000,
    "us": 1_000,
    "ns": 1,
}
_ORDER = list(_UNITS_NS)
_BELOW = {"h": 24, "m": 60, "s": 60, "ms": 1000, "us": 1000, "ns": 1000}
_PART = re.compile(r"([0-9]+(?:\.[0-9]+)?)(ms|us|ns|d|h|m|s)")
_MAX_DIGITS = 80  # no type holds more; keeps a hostile literal from costing time


class LiteralError(ValueError):
    """The literal means nothing; the text of the error is the sentence for the person."""


def number(kind: str, text: str) -> tuple[str, Value]:
    """An untyped number (`int`, `based` or `real` token) as (type, value)."""
    digits = text.replace("_", "")
    if len(digits) > _MAX_DIGITS:
        raise LiteralError(f"a number of {len(digits)} characters fits no type")
    if kind == "real":
        value = float(digits)
        if value in (float("inf"), float("-inf")):
            raise LiteralError(f"{text} does not fit LREAL")
        return ANY_REAL, value
    if kind == "int":
        return ANY_INT, int(digits)
    base, _, body = digits.partition("#")
    if base not in ("2", "8", "16"):
        raise LiteralError(f"{text}: the base must be 2, 8 or 16")
    try:
        return ANY_INT, int(body, int(base))
    except ValueError:
        raise LiteralError(f"{text}: {body} is not a number of base {base}") from None


def typed(text: str) -> tuple[str, Value]:
    """`INT#5`, `WORD#16#FF`, `REAL#1.5`, `BOOL#1` as (type, value)."""
    prefix, _, body = text.partition("#")
    type_name = prefix.upper()
    if type_name not in ELEMENTARY:
        raise LiteralError(f"{text}: typed literals of {prefix} are not supported")
    if type_name == "BOOL":
        return type_name, _bool(text, body.upper())
    sign = -1 if body.startswith("-") else 1
    body = body.lstrip("+-")
    kind = "based" if "#" in body else "int" if body.replace("_", "").isdigit() else "real"
    if not body[:1].isdigit():
        raise LiteralError(f"{text}: {body} is not a number")
    try:
        value = sign * number(kind, body)[1]
    except LiteralError:
        raise
    except ValueError:
        raise LiteralError(f"{text}: {body} is not a number") from None
    return type_name, fitted(type_name, value, text)


def fitted(type_name: str, value: Value, text: str) -> Value:
    """The value as the type holds it; raises LiteralError where it does not fit."""
    if type_name in REALS:
        if type_name == "REAL" and abs(value) > 3.4028235677973366e38:  # rounds to more than the largest
            raise LiteralError(f"{text} does not fit REAL")
        return float(value)
    if isinstance(value, float):
        raise LiteralError(f"{text} has a fraction; {type_name} holds whole numbers")
    low, high = limits(type_name)
    if type_name in BITS or type_name in INTEGERS:
        if not low <= value <= high:
            raise LiteralError(f"{text} does not fit {type_name} ({low}..{high})")
        return value
    raise LiteralError(f"{text} is not a {type_name}")


def _bool(text: str, body: str) -> bool:
    if body not in ("0", "1", "TRUE", "FALSE"):
        raise LiteralError(f"{text}: expected BOOL#TRUE, BOOL#FALSE, BOOL#1 or BOOL#0")
    return body in ("1", "TRUE")


def duration_ns(text: str) -> int:
    """`T#1s500ms`, `TIME#-2.5h`, `T#25h_15m` in nanoseconds.

    Only the most significant unit may exceed its natural range, only the last may have a fraction.
    """
    body = text.partition("#")[2].lower().replace("_", "")
    sign = -1 if body.startswith("-") else 1
    body = body.lstrip("+-")
    if len(body) > _MAX_DIGITS:
        raise LiteralError(f"a duration of {len(body)} characters fits no type")
    parts = _PART.findall(body)
    if not parts or "".join(amount + unit for amount, unit in parts) != body:
        raise LiteralError(f"{text}: expected a duration such as T#1s500ms, with units d h m s ms us ns")
    total = Fraction(0)
    for position, (amount, unit) in enumerate(parts):
        if position and _ORDER.index(unit) <= _ORDER.index(parts[position - 1][1]):
            raise LiteralError(f"{text}: units go from d to ns, each once")
        if position and Fraction(amount) >= _BELOW[unit]:
            raise LiteralError(f"{text}: only the first unit may exceed its range; {amount}{unit} does")
        if "." in amount and position != len(parts) - 1:
            raise LiteralError(f"{text}: only the last unit may have a fraction")
        total += Fraction(amount) * _UNITS_NS[unit]
    if total.denominator != 1:
        raise LiteralError(f"{text} is finer than 1 ns")
    if total > limits("TIME")[1]:
        raise LiteralError(f"{text} does not fit TIME (64 bits of nanoseconds)")
    return sign * int(total)
