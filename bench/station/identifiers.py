"""Names that can stand in control logic: identifiers of IEC 61131-3 that are none of its words."""

from __future__ import annotations

import re

_FORM = re.compile(r"_?[A-Za-z0-9]+(_[A-Za-z0-9]+)*")

RESERVED = frozenset(
    """
    ABS ACTION ADAPTER AND ARRAY AT BOOL BY BYTE CASE CONFIGURATION CONSTANT CONTROLLER CTD CTU CTUD
    DATE DATE_AND_TIME DINT
    DO DT DWORD ELSE ELSIF END_ACTION END_CASE END_CONFIGURATION END_FOR END_FUNCTION END_FUNCTION_BLOCK
    END_IF END_PROGRAM END_REPEAT END_RESOURCE END_STEP END_STRUCT END_TRANSITION END_TYPE END_VAR
    END_WHILE EXIT FALSE FOR FUNCTION FUNCTION_BLOCK F_TRIG IF INT LIMIT LINT LOGIC LREAL LWORD MAX MIN MOD
    MUX NON_RETAIN NOT OF OR PROGRAM REAL REPEAT RESOURCE RETAIN RETURN RS R_TRIG SEL SINT SR STRING STRUCT
    TASK THEN TIME TIME_OF_DAY TO TOD TOF TON TP TRANSITION TRUE TYPE UDINT UINT ULINT UNTIL USINT VAR
    VAR_ACCESS VAR_CONFIG VAR_EXTERNAL VAR_GLOBAL VAR_INPUT VAR_IN_OUT VAR_OUTPUT VAR_TEMP WHILE WITH WORD
    WSTRING XOR
    """.split()
)
"""Keywords, elementary types and standard blocks of IEC 61131-3:2003, from memory; and LOGIC, ADAPTER
and CONTROLLER, which start names of their own in scenario files. Words the standard needs in a few places
only (ON, STEP, R_EDGE) may be names."""


def identifier_fault(name: str) -> str | None:
    """Why `name` cannot be a tag, device or module name; None where it can."""
    if not name.isascii() or not _FORM.fullmatch(name) or name[0].isdigit():
        return (
            f"{name!r} is not an IEC 61131-3 identifier: letters, digits and single underscores, "
            "no digit first, no underscore last"
        )
    if name.upper() in RESERVED:
        return f"{name!r} is a reserved word of the control language; take another name"
    return None
