"""Pieces of generated code: a typed Python expression, and conversion between types.

The text of a piece is made of mangled names, numbers and the helpers of `runtime` only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bench.logic.literals import Value
from bench.logic.types import ANY_INT, ANY_REAL, BITS, INTEGERS, REALS, UNKNOWN, WIDTHS, limits

# Python's own precedence of the pieces, loosest first
OR, AND, NOT, COMPARE, BIT_OR, BIT_XOR, BIT_AND, SUM, PRODUCT, SIGN, ATOM = range(11)


@dataclass(frozen=True, slots=True)
class Code:
    """A typed expression of generated code.

    `value` is known for constants; `loose` marks an integer that has left its type's range maybe and
    is still to be wrapped: + - and * of one type need it only once, at the end.
    """

    type: str
    text: str
    precedence: int = ATOM
    value: Value | None = None
    loose: bool = False

    def at(self, precedence: int) -> str:
        """The text, in parentheses where an operator of that precedence needs them."""
        return self.text if self.precedence >= precedence else f"({self.text})"


NOTHING = Code(UNKNOWN, "0")


def constant(type_name: str, value: Value) -> Code:
    """A known value as code."""
    if isinstance(value, float) and not math.isfinite(value):
        return Code(type_name, f'float("{value}")', ATOM, value)
    negative = not isinstance(value, bool) and value < 0
    return Code(type_name, repr(value), SIGN if negative else ATOM, value)


def wrapped(code: Code) -> Code:
    """The value brought back into its type's range, two's complement."""
    if not code.loose:
        return code
    low, high = limits(code.type)
    mask = high - low
    if low == 0:
        return replace(code, text=f"{code.at(BIT_AND)} & {mask}", precedence=BIT_AND, loose=False)
    text = f"({code.at(SUM)} + {-low} & {mask}) - {-low}"
    return replace(code, text=text, precedence=SUM, loose=False)


def rounded(type_name: str, text: str, precedence: int) -> Code:
    """A real result, rounded to 32 bits where the type is REAL."""
    if type_name == "REAL":
        return Code(type_name, f"real({text})")
    return Code(type_name, text, precedence)


def converted(code: Code, target: str) -> Code:
    """The value as another type, as X_TO_Y does it; the caller has decided that this is allowed."""
    code = wrapped(code)
    source = code.type
    if source == target:
        return code
    if target == "BOOL":
        return Code(target, f"{code.at(BIT_OR)} != 0", COMPARE)
    if target in REALS:
        return _to_real(code, target)
    if target == "TIME":
        return Code(target, f"time_from_ms({code.text})", loose=True)
    if source == "TIME":
        return Code(target, f"ms_from_time({code.text})", loose=True)
    if source == "BOOL":
        return Code(target, f"int({code.text})")
    if source in REALS:
        return Code(target, f"nearest_int({code.text})", loose=True)
    low, high = limits(target)
    source_low, source_high = limits(source)
    fits = low <= source_low and source_high <= high
    return Code(target, code.text, code.precedence, loose=not fits)


def _to_real(code: Code, target: str) -> Code:
    text = f"ms_from_time({code.text})" if code.type == "TIME" else code.text
    if target == "LREAL":
        return Code(target, text if code.type == "REAL" else f"float({text})")
    exact = WIDTHS[code.type] < 24 and code.type not in REALS
    return Code(target, f"float({text})" if exact else f"real({text})")


def is_number(type_name: str) -> bool:
    return type_name in INTEGERS or type_name in REALS or type_name in (ANY_INT, ANY_REAL)


def is_bits(type_name: str) -> bool:
    return type_name == "BOOL" or type_name in BITS
