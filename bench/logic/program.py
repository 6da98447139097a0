"""From text to a program: parse, check everything, write one Python module, load it."""

from __future__ import annotations

import builtins
from collections.abc import Callable, Mapping
from types import MappingProxyType

from bench.errors import LocalError, Mistake
from bench.logic.blocks import BLOCK_CLASSES, STANDARD_BLOCKS, BlockType, Pin
from bench.logic.code import constant
from bench.logic.diagnostics import Report, hint
from bench.logic.instance import GENERATED, Entry, Instance, Table, Variable
from bench.logic.parser import parse
from bench.logic.runtime import NAMESPACE
from bench.logic.scope import Symbol, UnitScope
from bench.logic.statements import Lines, Statements
from bench.logic.tokens import Place
from bench.logic.tree import Declaration, SourceFile, Unit


class Program:
    """A checked program, ready to be instantiated any number of times.

    `variables` is keyed by declared spelling, in declared order; `warnings` are what a reviewer
    would ask about. `source` is the generated Python, for the curious.
    """

    __slots__ = ("_maker", "_table", "file", "name", "source", "variables", "warnings")

    def __init__(
        self,
        table: Table,
        maker: Callable[[Table, int], Instance],
        warnings: tuple[Mistake, ...],
        source: str,
    ) -> None:
        self.name = table.program
        self.file = table.file
        self.variables: Mapping[str, Variable] = MappingProxyType(
            {entry.variable.name: entry.variable for entry in table.entries.values()}
        )
        self.warnings = warnings
        self.source = source
        self._table = table
        self._maker = maker

    def find(self, name: str) -> Variable:
        """The variable of that name, whatever its letter case; LocalError with the nearest name."""
        entry = self._table.entries.get(name.upper())
        if entry is None:
            raise LocalError(f"{self.name} has no variable {name}{hint(name, self.variables)}")
        return entry.variable

    def instance(self, loop_limit: int = 100_000) -> Instance:
        """A fresh instance; one scan may run `loop_limit` loop iterations in all, 1 at least."""
        if loop_limit < 1:
            raise LocalError(f"loop_limit is {loop_limit}; expected 1 or more")
        return self._maker(self._table, loop_limit)


def compile_program(text: str, file: str) -> Program:
    """Compile a file that holds one PROGRAM and any number of FUNCTION_BLOCKs.

    Args:
        text: Structured Text of IEC 61131-3.
        file: the name that mistakes and faults carry.

    Raises:
        WrongFiles: every mistake in the text, in file order.
    """
    report = Report(file)
    return _Builder(parse(text, report), report).program()


class _Builder:
    """Builds function blocks when they are first needed, then the program."""

    def __init__(self, source: SourceFile, report: Report) -> None:
        self._source = source
        self._report = report
        self._lines = Lines()
        self._built: dict[str, BlockType | None] = {}
        self._open: list[str] = []
        self._blocks: dict[str, Unit] = {}

    def program(self) -> Program:
        self._collect_blocks()
        for name in self._blocks:
            self._block_of(name)
        unit = self._one_program()
        scope = self._program_unit(unit) if unit else None
        self._report.raise_if_failed()
        assert unit is not None
        assert scope is not None
        return self._load(unit, scope)

    def _collect_blocks(self) -> None:
        for unit in self._source.units:
            if unit.kind != "FUNCTION_BLOCK" or not unit.name:
                continue
            key = unit.name.upper()
            if key in STANDARD_BLOCKS:
                self._report.add(unit, f"{unit.name} is the name of a standard function block")
            elif key in self._blocks:
                self._report.add(unit, f"FUNCTION_BLOCK {unit.name} stands twice in the file")
            else:
                self._blocks[key] = unit

    def _one_program(self) -> Unit | None:
        programs = [unit for unit in self._source.units if unit.kind == "PROGRAM"]
        for surplus in programs[1:]:
            self._report.unit = ""
            self._report.add(surplus, f"a second PROGRAM, {surplus.name}; one file holds one PROGRAM")
        if not programs and not self._report.failed:
            self._report.unit = ""
            self._report.add(Place(1, 1), "the file holds no PROGRAM")
        return programs[0] if programs else None

    def _block_of(self, key: str) -> BlockType | None:
        """The type of a function block, built on first use; None for unknown or for one inside itself."""
        if key in STANDARD_BLOCKS:
            return STANDARD_BLOCKS[key]
        unit = self._blocks.get(key)
        if unit is None:
            return None
        if key in self._open:
            self._report.add(unit, f"FUNCTION_BLOCK {unit.name} contains itself")
            return None
        if key not in self._built:
            self._open.append(key)
            outer, self._report.unit = self._report.unit, unit.name
            self._built[key] = self._block_unit(unit)
            self._report.unit = outer
            self._open.pop()
        return self._built[key]

    def _scope(self, unit: Unit, declarations: tuple[Declaration, ...]) -> UnitScope:
        names = [*STANDARD_BLOCKS, *(block.name for block in self._blocks.values())]
        damaged = unit.damaged or self._source.damaged
        scope = UnitScope(self._report, self._block_of, lambda: names, damaged)
        for declaration in declarations:
            if declaration.section in ("VAR_EXTERNAL", "VAR_GLOBAL") and unit.kind == "FUNCTION_BLOCK":
                sentence = f"{declaration.section} is not supported in a FUNCTION_BLOCK; use VAR_INPUT"
                self._report.add(declaration, sentence)
            scope.declare(declaration)
        return scope

    def _body(self, unit: Unit, scope: UnitScope, indent: int, leave: str) -> Statements:
        statements = Statements(self._report, scope, unit.name, indent, leave)
        statements.body(unit.body)
        for key, symbol in scope.symbols.items():
            if symbol.block and key not in scope.called:
                name = symbol.declaration.name
                self._report.add(symbol.declaration, f"{name} is declared but never called", warning=True)
        return statements

    def _block_unit(self, unit: Unit) -> BlockType:
        scope = self._scope(unit, unit.declarations)
        statements = self._body(unit, scope, 2, "return n")
        maker = f"B{len(self._built)}"
        out = Lines()
        out.add(0, f"class {maker}:")
        out.add(1, f"__slots__ = {_slots(scope)}")
        out.add(1, "def __init__(s):")
        _initialise(out, scope)
        out.add(1, "def run(s, now_ns, n):")
        _reset_temporaries(out, scope, 2)
        out.extend(statements.lines)
        out.add(2, "return n")
        self._lines.extend(out)
        pins = {key: _pin(symbol) for key, symbol in scope.symbols.items()}
        return BlockType(unit.name, maker, pins, standard=False)

    def _program_unit(self, unit: Unit) -> UnitScope:
        self._report.unit = unit.name
        scope = self._scope(unit, (*self._source.shared, *unit.declarations))
        statements = self._body(unit, scope, 3, "return")
        out = self._lines
        out.add(0, "class P(Instance):")
        out.add(1, f"__slots__ = {_slots(scope)}")
        out.add(1, "def __init__(s, table, limit):")
        out.add(2, "Instance.__init__(s, table, limit)")
        _initialise(out, scope)
        out.add(1, "def scan(s, now_ns):")
        out.add(2, "try:")
        if statements.counts:
            out.add(3, "n = s._limit")
        _reset_temporaries(out, scope, 3)
        out.extend(statements.lines)
        out.add(2, "except (ArithmeticError, ValueError) as error:")
        out.add(3, "raise s._fault(error) from None")
        return scope

    def _load(self, unit: Unit, scope: UnitScope) -> Program:
        source = "\n".join(self._lines.text) + "\n"
        # no builtins but the one that a class statement needs
        space: dict[str, object] = {
            "__builtins__": {"__build_class__": builtins.__build_class__},
            "__name__": __name__,
            "Instance": Instance,
            **NAMESPACE,
            **BLOCK_CLASSES,
        }
        exec(compile(source, GENERATED, "exec"), space)
        maker = space["P"]
        assert isinstance(maker, type)
        entries = {
            key: Entry(_variable(symbol), symbol.slot, symbol.block, symbol.declaration.constant)
            for key, symbol in scope.symbols.items()
        }
        table = Table(self._report.file, unit.name, entries, tuple(self._lines.origins))
        return Program(table, maker, self._report.warnings(), source)


def _slots(scope: UnitScope) -> str:
    return repr(tuple(symbol.slot for symbol in scope.symbols.values()))


def _initialise(out: Lines, scope: UnitScope) -> None:
    out.add(2, "pass")
    for symbol in scope.symbols.values():
        text = f"{symbol.block.maker}()" if symbol.block else constant(symbol.type, symbol.initial).text
        out.add(2, f"s.{symbol.slot} = {text}")


def _reset_temporaries(out: Lines, scope: UnitScope, indent: int) -> None:
    """VAR_TEMP starts anew at each call (IEC 61131-3 ed. 3, 6.5.2.2)."""
    for symbol in scope.symbols.values():
        if symbol.declaration.section == "VAR_TEMP" and symbol.block is None:
            out.add(indent, f"s.{symbol.slot} = {constant(symbol.type, symbol.initial).text}")


def _pin(symbol: Symbol) -> Pin:
    return Pin(symbol.declaration.name, symbol.type, symbol.slot, symbol.declaration.section, symbol.block)


def _variable(symbol: Symbol) -> Variable:
    at = symbol.declaration
    return Variable(at.name, symbol.type, at.section, at.address, at.line, at.column)
