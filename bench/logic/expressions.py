"""Expressions: types checked, names resolved, and Python text made of them, in one walk.

A mistake is reported once; what depends on it becomes `NOTHING` and stays silent.
"""

from __future__ import annotations

import operator
from collections.abc import Sequence
from typing import Protocol

from bench.logic import code as c
from bench.logic.code import NOTHING, Code, constant, converted, rounded, wrapped
from bench.logic.diagnostics import Placed, Report, hint
from bench.logic.literals import LiteralError, fitted
from bench.logic.runtime import divide, modulo, real
from bench.logic.tree import Argument, Binary, Call, Expression, Literal, Name, Unary
from bench.logic.types import (
    ANY_INT,
    ANY_REAL,
    BITS,
    ELEMENTARY,
    INTEGERS,
    REALS,
    UNKNOWN,
    UNSIGNED,
    common,
    limits,
    tolerated,
    widens,
)

MAX_PARENTHESES = 150  # of generated text; Python itself ends at 200

_PARAMETERS = {
    "ABS": ("IN",),
    "SEL": ("G", "IN0", "IN1"),
    "LIMIT": ("MN", "IN", "MX"),
}
FUNCTIONS = ("ABS", "MIN", "MAX", "SEL", "LIMIT")
_EXACT = {"+": operator.add, "-": operator.sub, "*": operator.mul, "/": divide, "MOD": modulo}
_PYTHON_WORDS = {"AND": ("and", c.AND, "&", c.BIT_AND), "OR": ("or", c.OR, "|", c.BIT_OR)}


class Scope(Protocol):
    """Where names get their meaning."""

    def read(self, name: Name) -> Code:
        """The value of a name; a mistake is reported by the scope."""
        ...

    def describe_call(self, call: Call) -> str | None:
        """Why a call of that name is wrong here, if the scope knows."""
        ...


class Expressions:
    """Turns expression trees into `Code`."""

    def __init__(self, report: Report, scope: Scope) -> None:
        self.report = report
        self._scope = scope

    def code(self, node: Expression) -> Code:
        """Any expression; literals may still be without a type."""
        if isinstance(node, Literal):
            return constant(node.type, node.value) if node.type else NOTHING
        if isinstance(node, Name):
            return self._scope.read(node)
        if isinstance(node, Unary):
            return self._unary(node)
        if isinstance(node, Binary):
            return self._binary(node)
        return self._call(node)

    def value(self, node: Expression, type_name: str, purpose: str) -> Code:
        """An expression that must end as `type_name`; `purpose` says for what."""
        result = wrapped(self.fit(self.code(node), type_name, node, purpose))
        if _parentheses(result.text) > MAX_PARENTHESES:
            self.report.add(node, "the expression is nested too deeply; split it")
            return NOTHING
        return result

    def fit(self, code: Code, target: str, at: Placed, purpose: str) -> Code:
        """The value converted unasked to `target`, or a mistake."""
        if UNKNOWN in (code.type, target):
            return NOTHING
        if code.type in (ANY_INT, ANY_REAL):
            return self._fit_literal(code, target, at, purpose)
        if widens(code.type, target):
            return self._implicit(code, target)
        if tolerated(code.type, target):
            function = f"{code.type}_TO_{target}"
            self.report.add(at, f"{purpose}: {code.type} becomes {target}; {function} says so", warning=True)
            return converted(code, target)
        convertible = code.type != "TIME" and target not in ("TIME", "BOOL") and code.type != "BOOL"
        remedy = f"; write {code.type}_TO_{target}(...)" if convertible else ""
        if target == "BOOL":
            remedy = "; compare it with a value, with = or >"
        self.report.add(at, f"{purpose}: expected {target}, got {code.type}{remedy}")
        return NOTHING

    def _implicit(self, code: Code, target: str) -> Code:
        if code.type == target:
            return code
        if code.value is None:
            return converted(code, target)
        return constant(target, float(code.value) if target in REALS else int(code.value))

    def _fit_literal(self, code: Code, target: str, at: Placed, purpose: str) -> Code:
        assert code.value is not None
        if target == "BOOL" and code.value in (0, 1) and code.type == ANY_INT:
            return constant("BOOL", bool(code.value))
        if target in ("BOOL", "TIME"):
            example = "TRUE or FALSE" if target == "BOOL" else "a duration such as T#500ms"
            self.report.add(at, f"{purpose}: expected {example}, got {code.value}")
            return NOTHING
        try:
            value = fitted(target, code.value, str(code.value))
        except LiteralError as error:
            self.report.add(at, f"{purpose}: {error}")
            return NOTHING
        return constant(target, real(value) if target == "REAL" else value)

    # operators

    def _unary(self, node: Unary) -> Code:
        operand = self.code(node.operand)
        if operand.type == UNKNOWN:
            return NOTHING
        if node.op == "NOT":
            return self._not(node, operand)
        if operand.type in (ANY_INT, ANY_REAL):
            assert operand.value is not None
            return constant(operand.type, -operand.value)
        if not c.is_number(operand.type) and operand.type != "TIME":
            self.report.add(node, f"- needs a number or a TIME, got {operand.type}")
            return NOTHING
        return Code(operand.type, f"-{operand.at(c.SIGN)}", c.SIGN, loose=operand.type not in REALS)

    def _not(self, node: Unary, operand: Code) -> Code:
        if operand.type == "BOOL":
            return Code("BOOL", f"not {operand.at(c.NOT)}", c.NOT)
        if operand.type in BITS:
            mask = limits(operand.type)[1]
            return Code(operand.type, f"{wrapped(operand).at(c.BIT_XOR)} ^ {mask}", c.BIT_XOR)
        self.report.add(node, f"NOT needs a BOOL or a bit string, got {shown(operand)}")
        return NOTHING

    def _binary(self, node: Binary) -> Code:
        left, right = self.code(node.left), self.code(node.right)
        if UNKNOWN in (left.type, right.type):
            return NOTHING
        if left.type == "TIME" and node.op in ("*", "/") and c.is_number(right.type):
            return self._scaled_time(node, left, right)
        if node.op == "**":
            return self._power(node, left, right)
        if left.type in (ANY_INT, ANY_REAL) and right.type in (ANY_INT, ANY_REAL):
            return self._of_literals(node, left, right)
        meeting = self._meeting(node, left, right)
        if meeting is None:
            return NOTHING
        left = self.fit(left, meeting, node.left, f"left of {node.op}")
        right = self.fit(right, meeting, node.right, f"right of {node.op}")
        return NOTHING if UNKNOWN in (left.type, right.type) else self._same_type(node, left, right)

    def _meeting(self, node: Binary, left: Code, right: Code) -> str | None:
        """The common type of two operands of which one at least has a type."""
        for literal, other in ((left, right), (right, left)):
            if literal.type == ANY_REAL and other.type in INTEGERS:
                return "REAL"
            if literal.type in (ANY_INT, ANY_REAL):
                return other.type
        found = common(left.type, right.type)
        if found is None:
            self.report.add(node, f"{node.op} cannot join {shown(left)} and {shown(right)}")
        return found

    def _of_literals(self, node: Binary, left: Code, right: Code) -> Code:
        """Two literals without a type: whole numbers are computed exactly, reals as LREAL or REAL do."""
        assert left.value is not None
        assert right.value is not None
        a, b = left.value, right.value
        if left.type == right.type == ANY_INT and node.op in _EXACT:
            assert isinstance(a, int)
            assert isinstance(b, int)
            if node.op == "/" and b == 0:
                self.report.add(node.right, "division by zero")
                return NOTHING
            return constant(ANY_INT, _EXACT[node.op](a, b))
        meeting = _type_of_literals((left, right))
        left = self.fit(left, meeting, node.left, f"left of {node.op}")
        right = self.fit(right, meeting, node.right, f"right of {node.op}")
        return NOTHING if UNKNOWN in (left.type, right.type) else self._same_type(node, left, right)

    def _same_type(self, node: Binary, left: Code, right: Code) -> Code:
        op = node.op
        if op in ("=", "<>", "<", ">", "<=", ">="):
            sign = {"=": "==", "<>": "!="}.get(op, op)
            return Code(
                "BOOL", f"{wrapped(left).at(c.BIT_OR)} {sign} {wrapped(right).at(c.BIT_OR)}", c.COMPARE
            )
        if op in ("AND", "OR", "XOR"):
            return self._logic(node, left, right)
        if left.type == "TIME" and op in ("+", "-"):
            return self._sum(op, left, right)
        if not c.is_number(left.type):
            self.report.add(node, f"{op} needs numbers, got {left.type}")
            return NOTHING
        if op in ("+", "-", "*"):
            return self._sum(op, left, right)
        return self._quotient(node, left, right)

    def _logic(self, node: Binary, left: Code, right: Code) -> Code:
        if not c.is_bits(left.type):
            self.report.add(node, f"{node.op} needs BOOL or bit strings, got {left.type}")
            return NOTHING
        left, right = wrapped(left), wrapped(right)
        if node.op == "XOR":
            return Code(left.type, f"{left.at(c.BIT_XOR)} ^ {right.at(c.BIT_AND)}", c.BIT_XOR)
        word, level, sign, sign_level = _PYTHON_WORDS[node.op]
        if left.type != "BOOL":
            word, level = sign, sign_level
        return Code(left.type, f"{left.at(level)} {word} {right.at(level + 1)}", level)

    def _sum(self, op: str, left: Code, right: Code) -> Code:
        level = c.PRODUCT if op == "*" else c.SUM
        text = f"{left.at(level)} {op} {right.at(level + 1)}"
        if left.type in REALS:
            return rounded(left.type, text, level)
        return Code(left.type, text, level, loose=True)

    def _quotient(self, node: Binary, left: Code, right: Code) -> Code:
        left, right = wrapped(left), wrapped(right)
        if node.op == "MOD":
            if left.type in REALS:
                self.report.add(node, f"MOD needs whole numbers, got {left.type}")
                return NOTHING
            return Code(left.type, f"modulo({left.text}, {right.text})")
        if right.value == 0:
            self.report.add(node.right, "division by zero")
            return NOTHING
        if left.type in REALS:
            return rounded(left.type, f"{left.at(c.PRODUCT)} / {right.at(c.SIGN)}", c.PRODUCT)
        if left.type in UNSIGNED:
            return Code(left.type, f"{left.at(c.PRODUCT)} // {right.at(c.SIGN)}", c.PRODUCT)
        return Code(left.type, f"divide({left.text}, {right.text})", loose=True)

    def _scaled_time(self, node: Binary, left: Code, right: Code) -> Code:
        if right.type in (ANY_INT, ANY_REAL):
            right = self.fit(
                right, "LINT" if right.type == ANY_INT else "LREAL", node.right, f"right of {node.op}"
            )
        if right.type == UNKNOWN:
            return NOTHING
        left, right = wrapped(left), wrapped(right)
        if node.op == "/" and right.value == 0:
            self.report.add(node.right, "division by zero")
            return NOTHING
        if right.type in REALS:
            text = f"{left.at(c.PRODUCT)} {node.op} {right.at(c.SIGN)}"
            return Code("TIME", f"nearest_int({text})", loose=True)
        if node.op == "*":
            return Code("TIME", f"{left.at(c.PRODUCT)} * {right.at(c.SIGN)}", c.PRODUCT, loose=True)
        return Code("TIME", f"divide({left.text}, {right.text})", loose=True)

    def _power(self, node: Binary, left: Code, right: Code) -> Code:
        if left.type in (ANY_INT, ANY_REAL):
            left = self.fit(left, "LREAL" if right.type == "LREAL" else "REAL", node.left, "left of **")
        if left.type not in REALS:
            if left.type:
                self.report.add(node, f"** needs a REAL on its left, got {left.type}")
            return NOTHING
        if right.type in (ANY_INT, ANY_REAL):
            right = self.fit(right, left.type, node.right, "right of **")
        if not c.is_number(right.type):
            if right.type:
                self.report.add(node, f"** needs a number on its right, got {right.type}")
            return NOTHING
        return rounded(left.type, f"power({left.text}, {wrapped(right).text})", c.ATOM)

    # functions

    def _call(self, node: Call) -> Code:
        name = node.name.upper()
        if any(argument.output for argument in node.arguments):
            self.report.add(node, f"{node.name}: => belongs to function block calls")
            return NOTHING
        if name in FUNCTIONS:
            values = self._arguments(node, name)
            return NOTHING if values is None else self._function(node, name, values)
        source, found, target = name.partition("_TO_")
        if not found and name.startswith("TO_"):
            source, target = "", name[3:]
        if (source in ELEMENTARY or not source) and target in ELEMENTARY:
            return self._conversion(node, source, target)
        sentence = self._scope.describe_call(node)
        near = hint(node.name, FUNCTIONS)
        self.report.add(node, sentence or f"{node.name} is not a function known here{near}")
        return NOTHING

    def _arguments(self, node: Call, name: str) -> list[Expression] | None:
        parameters = _PARAMETERS.get(name) or tuple(f"IN{n + 1}" for n in range(max(2, len(node.arguments))))
        placed: dict[str, Expression] = {}
        for position, argument in enumerate(node.arguments):
            pin = argument.name.upper() or (parameters[position] if position < len(parameters) else "")
            if pin not in parameters or pin in placed:
                self.report.add(argument, _wrong_argument(node.name, argument, parameters))
                return None
            placed[pin] = argument.value
        missing = [pin for pin in parameters if pin not in placed]
        if missing:
            self.report.add(node, f"{node.name} needs {', '.join(parameters)}; {missing[0]} is missing")
            return None
        return [placed[pin] for pin in parameters]

    def _function(self, node: Call, name: str, values: Sequence[Expression]) -> Code:
        if name == "SEL":
            selector = self.value(values[0], "BOOL", "G of SEL")
            zero, one = self._alike(node, values[1:])
            if UNKNOWN in (selector.type, zero.type):
                return NOTHING
            return Code(zero.type, f"({one.text} if {selector.text} else {zero.text})")
        operands = self._alike(node, values)
        type_name = operands[0].type
        if type_name == UNKNOWN:
            return NOTHING
        if not c.is_number(type_name) and (type_name != "TIME" or name == "ABS"):
            self.report.add(node, f"{name} needs numbers, got {type_name}")
            return NOTHING
        text = f"{name.lower()}({', '.join(operand.text for operand in operands)})"
        return Code(type_name, text, loose=name == "ABS" and type_name not in REALS)

    def _alike(self, node: Call, values: Sequence[Expression]) -> list[Code]:
        """All values in their common type; `NOTHING` for each where there is none."""
        codes = [self.code(value) for value in values]
        nothing = [NOTHING] * len(codes)
        types = [code.type for code in codes]
        if UNKNOWN in types:
            return nothing
        meeting = _type_of_literals(codes)
        known = [name for name in types if name not in (ANY_INT, ANY_REAL)]
        if known:
            meeting = "REAL" if ANY_REAL in types and known[0] in INTEGERS else known[0]
            for other in known[1:]:
                found = common(meeting, other)
                if found is None:
                    self.report.add(node, f"{node.name} cannot join {meeting} and {other}")
                    return nothing
                meeting = found
        fits = [
            wrapped(self.fit(code, meeting, value, f"in {node.name}"))
            for code, value in zip(codes, values, strict=True)
        ]
        return nothing if any(fit.type == UNKNOWN for fit in fits) else fits

    def _conversion(self, node: Call, source: str, target: str) -> Code:
        if len(node.arguments) != 1 or node.arguments[0].name.upper() not in ("", "IN"):
            self.report.add(node, f"{node.name} takes one value")
            return NOTHING
        argument = node.arguments[0].value
        code = self.value(argument, source, f"in {node.name}") if source else self.code(argument)
        if code.type in (ANY_INT, ANY_REAL):
            code = self.fit(code, "LINT" if code.type == ANY_INT else "LREAL", argument, f"in {node.name}")
        code = wrapped(code)
        if code.type == UNKNOWN:
            return NOTHING
        if {code.type, target} == {"BOOL", "TIME"}:
            self.report.add(node, f"{node.name}: {code.type} and {target} do not convert")
            return NOTHING
        return converted(code, target)


def _wrong_argument(name: str, argument: Argument, parameters: Sequence[str]) -> str:
    if not argument.name:
        return f"{name} takes {len(parameters)} values: {', '.join(parameters)}"
    if argument.name.upper() in ("EN", "ENO"):
        return f"{name}: EN and ENO are not supported; write an IF"
    if argument.name.upper() in parameters:
        return f"{name}: {argument.name} is given twice"
    return f"{name} has no {argument.name}; it takes {', '.join(parameters)}"


def shown(code: Code) -> str:
    """The type as a message names it."""
    return {ANY_INT: "a whole number", ANY_REAL: "a number with a fraction"}.get(code.type, code.type)


def _type_of_literals(codes: Sequence[Code]) -> str:
    """The type that numbers get which meet only each other: the smallest of INT, DINT, LINT, or REAL."""
    if any(code.type == ANY_REAL for code in codes):
        return "REAL"
    values = [int(code.value or 0) for code in codes]
    for type_name in ("INT", "DINT"):
        low, high = limits(type_name)
        if low <= min(values) and max(values) <= high:
            return type_name
    return "LINT"


def _parentheses(text: str) -> int:
    deepest = depth = 0
    for sign in text:
        if sign == "(":
            depth += 1
            deepest = max(deepest, depth)
        elif sign == ")":
            depth -= 1
    return deepest
