"""The elementary types: widths, ranges and which conversion happens unasked.

IEC 61131-3 ed. 3: table 10 (elementary data types), figures 11 and 12 (implicit conversion).
TIME is held as whole nanoseconds in 64 bits; its range is left to the implementer by the standard.
"""

from __future__ import annotations

SIGNED = {"SINT": 8, "INT": 16, "DINT": 32, "LINT": 64}
UNSIGNED = {"USINT": 8, "UINT": 16, "UDINT": 32, "ULINT": 64}
BITS = {"BYTE": 8, "WORD": 16, "DWORD": 32, "LWORD": 64}
INTEGERS = {**SIGNED, **UNSIGNED}
REALS = {"REAL": 32, "LREAL": 64}
ELEMENTARY = ("BOOL", *SIGNED, *UNSIGNED, *BITS, *REALS, "TIME")

# The type of a literal that has not met its context yet, and of what could not be typed.
ANY_INT = "ANY_INT"
ANY_REAL = "ANY_REAL"
UNKNOWN = ""

WIDTHS = {"BOOL": 1, "TIME": 64, **INTEGERS, **BITS, **REALS}

REFUSED_TYPES = {
    "STRING": "texts are not supported",
    "WSTRING": "texts are not supported",
    "CHAR": "texts are not supported",
    "WCHAR": "texts are not supported",
    "ARRAY": "arrays are not supported; declare one variable for each element",
    "STRUCT": "structures are not supported; declare one variable for each member",
    "DATE": "calendar types are not supported",
    "TOD": "calendar types are not supported",
    "TIME_OF_DAY": "calendar types are not supported",
    "DT": "calendar types are not supported",
    "DATE_AND_TIME": "calendar types are not supported",
    "LTIME": "use TIME, which counts nanoseconds here",
    "REF_TO": "references are not supported",
    "POINTER": "pointers are not supported",
    "REFERENCE": "references are not supported",
}


def limits(type_name: str) -> tuple[int, int]:
    """Lowest and highest value of an integer, bit string or TIME type."""
    width = WIDTHS[type_name]
    if type_name in SIGNED or type_name == "TIME":
        return -(1 << width - 1), (1 << width - 1) - 1
    return 0, (1 << width) - 1


def widens(source: str, target: str) -> bool:
    """True where the standard converts unasked, without loss (ed. 3, figures 11 and 12)."""
    if source == target:
        return True
    narrower = WIDTHS[source] < WIDTHS[target]
    if source in INTEGERS and target in REALS:
        # the mantissa of REAL holds 24 bits, of LREAL 53
        return INTEGERS[source] <= REALS[target] // 2
    if source in SIGNED:
        return target in SIGNED and narrower
    if source in UNSIGNED:
        return target in INTEGERS and narrower
    if source == "REAL":
        return target == "LREAL"
    return (source == "BOOL" or source in BITS) and target in BITS and narrower


def tolerated(source: str, target: str) -> bool:
    """True where the standard asks for a conversion function but programs commonly leave it out: warn."""
    if source in INTEGERS and target in REALS:
        return True
    if source in BITS and target in INTEGERS:
        return BITS[source] <= INTEGERS[target]
    return source in INTEGERS and target in BITS and INTEGERS[source] <= BITS[target]


def common(left: str, right: str) -> str | None:
    """The type in which two operands meet, or None."""
    for rule in (widens, tolerated):
        if rule(left, right):
            return right
        if rule(right, left):
            return left
    return None
