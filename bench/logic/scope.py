"""The names of one unit: declarations checked, each name bound to a mangled slot.

No word of the source text reaches generated code: variables become v0, v1, ... in declared order.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from bench.logic.blocks import STANDARD_BLOCKS, BlockType, Pin
from bench.logic.code import NOTHING, Code, constant
from bench.logic.diagnostics import Report, hint
from bench.logic.expressions import FUNCTIONS, Expressions
from bench.logic.literals import Value
from bench.logic.runtime import NAMESPACE
from bench.logic.tree import Call, Declaration, Name
from bench.logic.types import ELEMENTARY, REALS, UNKNOWN, WIDTHS

_ADDRESS = re.compile(r"%[IQM]([XBWDL]?)(?:[0-9]+(?:\.[0-9]+)*|\*)")
_VALUES_ONLY = ("VAR_INPUT", "VAR_OUTPUT", "VAR_TEMP", "VAR_EXTERNAL")
_ADDRESS_BITS = {"": 1, "X": 1, "B": 8, "W": 16, "D": 32, "L": 64}


@dataclass(frozen=True, slots=True)
class Symbol:
    """A declared variable, bound."""

    declaration: Declaration
    slot: str
    type: str
    block: BlockType | None
    initial: Value


@dataclass(frozen=True, slots=True)
class Target:
    """A readable or writable thing in generated code."""

    text: str
    type: str
    symbol: Symbol
    pin: Pin | None


class UnitScope:
    """Names of one PROGRAM or FUNCTION_BLOCK.

    Args:
        report: takes the mistakes.
        block_of: finds a function block type by upper-case name, or None.
        block_names: spellings for the nearest-word hint.
        damaged: some declaration could not be read, so an unknown name may be that one: stay silent.
    """

    def __init__(
        self,
        report: Report,
        block_of: Callable[[str], BlockType | None],
        block_names: Callable[[], list[str]],
        damaged: bool,
    ) -> None:
        self.symbols: dict[str, Symbol] = {}
        self.called: set[str] = set()
        self._report = report
        self._block_of = block_of
        self._block_names = block_names
        self._silent: set[str] = set()
        self._damaged = damaged
        self._expressions = Expressions(report, self)

    # declaring

    def declare(self, declaration: Declaration) -> None:
        """Bind one name; mistakes in it are reported and the name is known all the same."""
        key = declaration.name.upper()
        earlier = self.symbols.get(key)
        if earlier is not None:
            self._again(declaration, earlier)
            return
        if key in STANDARD_BLOCKS or key in FUNCTIONS:
            self._report.add(declaration, f"{declaration.name} is the name of a standard function or block")
        type_name, block = self._type(declaration)
        self._check_address(declaration, type_name)
        initial = self._initial(declaration, type_name)
        self.symbols[key] = Symbol(declaration, f"v{len(self.symbols)}", type_name, block, initial)

    def _again(self, declaration: Declaration, earlier: Symbol) -> None:
        first = earlier.declaration
        if declaration.section == "VAR_EXTERNAL" and first.section == "VAR_GLOBAL":
            if earlier.type and declaration.type.upper() != earlier.type.upper():
                sentence = f"{declaration.name} is {earlier.type} in VAR_GLOBAL, line {first.line}"
                self._report.add(declaration.type_place, sentence)
            return
        self._report.add(declaration, f"{declaration.name} is declared already, line {first.line}")

    def _type(self, declaration: Declaration) -> tuple[str, BlockType | None]:
        name = declaration.type
        if name in ELEMENTARY or name == UNKNOWN:
            return name, None
        block = self._block_of(name.upper())
        if block is not None and declaration.section in _VALUES_ONLY:
            sentence = f"{declaration.section} takes values; an instance of {block.name} belongs in VAR"
            self._report.add(declaration.type_place, sentence)
            return UNKNOWN, None
        if block is not None:
            return block.name, block
        near = hint(name, (*ELEMENTARY, *self._block_names()))
        self._report.add(declaration.type_place, f"{name} is not a type known here{near}")
        return UNKNOWN, None

    def _check_address(self, declaration: Declaration, type_name: str) -> None:
        address = declaration.address
        if address is None or type_name == UNKNOWN:
            return
        match = _ADDRESS.fullmatch(address)
        if match is None:
            self._report.add(declaration, f"{address}: expected an address such as %IX0.3, %QB1 or %IW2")
            return
        bits, width = _ADDRESS_BITS[match.group(1)], WIDTHS.get(type_name, 0)
        if address.endswith("*"):
            return
        if bits != width:
            self._report.add(declaration, f"{address} holds {bits} bits, {type_name} needs {width}")
        elif address[1] == "M":
            sentence = f"{address}: memory addresses do not overlap here; {declaration.name} stands alone"
            self._report.add(declaration, sentence, warning=True)

    def _initial(self, declaration: Declaration, type_name: str) -> Value:
        if declaration.initial is None:
            if declaration.constant and type_name:
                self._report.add(declaration, f"the constant {declaration.name} needs a value")
            return _zero(type_name)
        if type_name and type_name not in ELEMENTARY:
            self._report.add(declaration, f"{declaration.name}: a {type_name} takes its values in the call")
            return False
        return self.constant(declaration, type_name)

    def constant(self, declaration: Declaration, type_name: str) -> Value:
        """The initial value, computed now; only literals and constants may stand in it."""
        assert declaration.initial is not None
        purpose = f"initial value of {declaration.name}"
        return self.fold(
            self._expressions.value(declaration.initial, type_name, purpose), declaration, purpose
        )

    def fold(self, code: Code, at: Declaration | Name, purpose: str) -> Value:
        """The value of a piece of code that may hold nothing but constants."""
        if code.value is not None:
            return code.value
        if code.type == UNKNOWN:
            return 0
        if "s.v" in code.text:
            self._report.add(at, f"{purpose}: only literals and constants may stand here")
            return _zero(code.type)
        try:
            result: Value = eval(code.text, {"__builtins__": {}, **NAMESPACE})  # our own text, no name in it
        except (ArithmeticError, ValueError) as error:
            self._report.add(at, f"{purpose}: {error}")
            return _zero(code.type)
        return result

    # reading

    def target(self, name: Name) -> Target | None:
        """What a name stands for, or None after reporting."""
        symbol = self.symbols.get(name.path[0].upper())
        if symbol is None:
            self._unknown(name)
            return None
        if symbol.type == UNKNOWN:
            return None
        text = f"s.{symbol.slot}"
        if symbol.block is None:
            if len(name.path) > 1:
                self._report.add(name, f"{name.path[0]} is a {symbol.type}; it has no {name.path[1]}")
                return None
            return Target(text, symbol.type, symbol, None)
        return self._member(name, symbol, symbol.block, text)

    def _member(self, name: Name, symbol: Symbol, block: BlockType, text: str) -> Target | None:
        visible = [pin.name for pin in (*block.outputs, *block.inputs)]
        if len(name.path) == 1:
            example = f"; name an output, such as {name.text}.{visible[0]}" if visible else ""
            self._report.add(name, f"{name.text} is a {block.name}, not a value{example}")
            return None
        pin = block.pins.get(name.path[1].upper())
        if pin is None or pin.name not in visible:
            near = hint(name.path[1], visible)
            listed = ", ".join(visible)
            self._report.add(name, f"{block.name} has no {name.path[1]}; it has {listed}{near}")
            return None
        if len(name.path) > 2:
            self._report.add(name, f"{name.path[0]}.{pin.name} is a {pin.type}; it has no {name.path[2]}")
            return None
        return Target(f"{text}.{pin.attribute}", pin.type, symbol, pin)

    def _unknown(self, name: Name) -> None:
        key = name.path[0].upper()
        if key in self._silent or self._damaged:
            return
        self._silent.add(key)
        near = hint(name.path[0], (symbol.declaration.name for symbol in self.symbols.values()))
        self._report.add(name, f"{name.path[0]} is not declared{near}")

    def read(self, name: Name) -> Code:
        target = self.target(name)
        if target is None or target.type == UNKNOWN:
            return NOTHING
        if target.symbol.declaration.constant:
            return constant(target.type, target.symbol.initial)
        return Code(target.type, target.text)

    def describe_call(self, call: Call) -> str | None:
        symbol = self.symbols.get(call.name.upper())
        if symbol is not None and symbol.block is not None:
            return f"{call.name} is a {symbol.type}; call it in a statement of its own, then read its output"
        block = self._block_of(call.name.upper())
        if block is not None:
            return f"{block.name} is a function block; declare an instance and call that"
        return f"{call.name} is a variable, not a function" if symbol else None


def _zero(type_name: str) -> Value:
    return False if type_name == "BOOL" else 0.0 if type_name in REALS else 0
