"""A running program: one scan at a time, with its variables readable by name.

Generated code derives one class from `Instance`; its slots are mangled, so access by name goes
through the program's table.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from types import TracebackType

from bench.errors import LocalError, LogicFault
from bench.logic.blocks import BlockType
from bench.logic.diagnostics import hint
from bench.logic.literals import LiteralError, Value, fitted
from bench.logic.runtime import real
from bench.logic.types import ELEMENTARY, REALS, limits

GENERATED = "<structured text>"  # file name of generated code in tracebacks


@dataclass(frozen=True, slots=True)
class Variable:
    """One declared variable, as the file spells it; line and column count from 1.

    `section` is the VAR word it stands under, `address` the %-address after AT in upper case.
    """

    name: str
    type: str
    section: str
    address: str | None
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Entry:
    """A variable in the table of a program."""

    variable: Variable
    slot: str
    block: BlockType | None
    constant: bool


@dataclass(frozen=True, slots=True)
class Table:
    """What an instance needs of its program; `entries` is keyed in upper case, in declared order."""

    file: str
    program: str
    entries: Mapping[str, Entry]
    origins: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class _Place:
    owner: object
    slot: str
    type: str
    writable: bool


class Instance:
    """A program with its memory. Variables hold their initial values until the first scan."""

    __slots__ = ("_limit", "_table")

    def __init__(self, table: Table, loop_limit: int) -> None:
        self._table = table
        self._limit = loop_limit

    def scan(self, now_ns: int) -> None:
        """Run the program once; the time is sampled here for every timer in it.

        Raises:
            LogicFault: a division by zero, a value without meaning, or a loop that uses up the
                iterations of one scan. Statements before the fault have had their effect.
        """
        raise NotImplementedError  # generated classes define it

    def get(self, name: str) -> Value:
        """The value of a variable or of a block's pin (`T1.Q`); times are nanoseconds.

        Raises:
            LocalError: no such name, or a block instance instead of a value.
        """
        place = self._place(name)
        value: Value = getattr(place.owner, place.slot)
        return value

    def set(self, name: str, value: Value) -> None:
        """Write a variable or a block's input.

        Raises:
            LocalError: no such name, a constant, an output of a block, or a value that does not fit.
        """
        self.setter(name)(value)

    def getter(self, name: str) -> Callable[[], Value]:
        """A fast reader, bound once; raises as `get`."""
        place = self._place(name)
        member = getattr(type(place.owner), place.slot)  # the slot's descriptor
        read: Callable[[], Value] = partial(member.__get__, place.owner)
        return read

    def setter(self, name: str) -> Callable[[Value], None]:
        """A fast writer, bound once; raises as `set`, for a wrong value when it is called."""
        place = self._place(name)
        if not place.writable:
            raise LocalError(
                f"{name} of {self._table.program} cannot be written: a constant or an output of a block"
            )
        write = partial(getattr(type(place.owner), place.slot).__set__, place.owner)
        fit = _fitter(place.type, name)

        def set_value(value: Value) -> None:
            write(fit(value))

        return set_value

    def names(self) -> tuple[str, ...]:
        """Every variable with a value, and the outputs of block instances, in declared order."""
        found: list[str] = []
        for entry in self._table.entries.values():
            name = entry.variable.name
            if entry.block is None:
                found.append(name)
            else:
                found.extend(f"{name}.{pin.name}" for pin in entry.block.outputs)
        return tuple(found)

    def types(self, name: str) -> str:
        """The elementary type of a readable name; raises as `get`."""
        return self._place(name).type

    def _place(self, name: str) -> _Place:
        first, *rest = name.split(".")
        entry = self._table.entries.get(first.upper())
        if entry is None:
            raise LocalError(f"{self._table.program} has no variable {name}{hint(name, self.names())}")
        owner: object = self
        slot, type_name, block, writable = entry.slot, entry.variable.type, entry.block, not entry.constant
        for word in rest:
            pin = block.pins.get(word.upper()) if block else None
            if pin is None:
                raise LocalError(f"{self._table.program} has no variable {name}{hint(name, self.names())}")
            owner = getattr(owner, slot)
            slot, type_name, block, writable = pin.attribute, pin.type, pin.block, pin.section == "VAR_INPUT"
        if type_name not in ELEMENTARY:
            example = hint(name, (known for known in self.names() if known.startswith(name)))
            raise LocalError(f"{name} of {self._table.program} is a {type_name}, not a value{example}")
        return _Place(owner, slot, type_name, writable)

    def _fault(self, error: Exception) -> LogicFault:
        """The fault that an error inside generated code means."""
        line, unit = self._origin(error.__traceback__)
        sentence = "division by zero" if isinstance(error, ZeroDivisionError) else str(error)
        return LogicFault(self._table.file, line, unit or self._table.program, sentence)

    def _origin(self, traceback: TracebackType | None) -> tuple[int, str]:
        """Source line and unit of the innermost generated frame."""
        origin = (0, "")
        while traceback is not None:
            if traceback.tb_frame.f_code.co_filename == GENERATED:
                origin = self._table.origins[traceback.tb_lineno - 1]
            traceback = traceback.tb_next
        return origin


def _fitter(type_name: str, name: str) -> Callable[[Value], Value]:
    """A function that brings a value into the type, or raises LocalError."""
    if type_name == "BOOL":
        return bool
    if type_name in REALS:
        return (lambda value: real(float(value))) if type_name == "REAL" else float
    low, high = limits(type_name)

    def whole(value: Value) -> Value:
        if value.__class__ is int and low <= value <= high:
            return value
        try:
            if type_name == "TIME":
                raise LiteralError(f"{value!r} is not a whole number of nanoseconds")
            return int(fitted(type_name, value, repr(value)))
        except LiteralError as error:
            raise LocalError(f"{name}: {error}") from None

    return whole
