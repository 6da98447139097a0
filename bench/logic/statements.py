"""Statements: checked and turned into lines of Python, each with the source line it came from."""

from __future__ import annotations

from collections.abc import Callable

from bench.logic.blocks import BlockType
from bench.logic.code import NOTHING, Code, constant, wrapped
from bench.logic.diagnostics import Placed, Report, hint
from bench.logic.expressions import Expressions, shown
from bench.logic.literals import Value
from bench.logic.scope import Symbol, Target, UnitScope
from bench.logic.tree import (
    Argument,
    Assign,
    Body,
    Call,
    CallStatement,
    Case,
    Expression,
    For,
    If,
    Jump,
    Label,
    Name,
    Repeat,
    Statement,
    While,
)
from bench.logic.types import BITS, INTEGERS, UNKNOWN

MAX_LOOPS = 15  # inside each other; Python allows 20 blocks


class Lines:
    """Generated lines with their origin: `origins[i]` belongs to line i + 1."""

    def __init__(self) -> None:
        self.text: list[str] = []
        self.origins: list[tuple[int, str]] = []

    def add(self, indent: int, text: str, line: int = 0, unit: str = "") -> None:
        self.text.append("    " * indent + text)
        self.origins.append((line, unit))

    def extend(self, other: Lines) -> None:
        self.text.extend(other.text)
        self.origins.extend(other.origins)


class Statements:
    """Writes the body of one unit.

    Args:
        leave: the Python statement for RETURN.
    """

    def __init__(self, report: Report, scope: UnitScope, unit: str, indent: int, leave: str) -> None:
        self.lines = Lines()
        self.counts = False  # whether the body needs the iteration counter n
        self._report = report
        self._scope = scope
        self._expressions = Expressions(report, scope)
        self._unit = unit
        self._indent = indent
        self._leave = leave
        self._loops: list[Callable[[], None] | None] = []
        self._controls: list[str] = []
        self._temporaries = 0

    def body(self, statements: Body) -> None:
        """Write statements, or `pass` for none."""
        before = len(self.lines.text)
        for statement in statements:
            self._statement(statement)
        if len(self.lines.text) == before:
            self._write("pass", 0)

    def _write(self, text: str, line: int) -> None:
        self.lines.add(self._indent, text, line, self._unit)

    def _block(self, statements: Body) -> None:
        self._indent += 1
        self.body(statements)
        self._indent -= 1

    def _statement(self, node: Statement) -> None:
        if isinstance(node, Assign):
            self._assign(node)
        elif isinstance(node, CallStatement):
            self._call(node.call)
        elif isinstance(node, If):
            self._if(node)
        elif isinstance(node, Case):
            self._case(node)
        elif isinstance(node, For):
            self._for(node)
        elif isinstance(node, While):
            self._while(node)
        elif isinstance(node, Repeat):
            self._repeat(node)
        else:
            self._jump(node)

    # assignments

    def _assign(self, node: Assign) -> None:
        target = self._writable(node.target)
        type_name = target.type if target else UNKNOWN
        value = self._expressions.value(node.value, type_name, f"value for {node.target.text}")
        if target is not None:
            self._write(f"{target.text} = {value.text}", node.line)

    def _writable(self, name: Name) -> Target | None:
        target = self._scope.target(name)
        if target is None:
            return None
        why = self._why_not(target, name)
        if why:
            self._report.add(name, why)
            return None
        declaration = target.symbol.declaration
        from_outside = declaration.section == "VAR_INPUT" or (declaration.address or "").startswith("%I")
        if from_outside and target.pin is None:
            self._report.add(
                name, f"{name.text} is an input; what is written here is overwritten", warning=True
            )
        return target

    def _why_not(self, target: Target, name: Name) -> str | None:
        if target.symbol.declaration.constant:
            return f"{name.text} is a constant"
        if target.pin is not None and target.pin.section != "VAR_INPUT":
            return f"{name.text} is an output of the block; only the block writes it"
        if target.pin is None and name.path[0].upper() in self._controls:
            return f"{name.text} controls a FOR that is open here; its body may not write it"
        return None

    # calls

    def _call(self, node: Call) -> None:
        symbol = self._scope.symbols.get(node.name.upper())
        if symbol is None or symbol.block is None:
            self._refuse_call(node, symbol)
            return
        self._scope.called.add(node.name.upper())
        inputs, outputs = self._sorted_arguments(node, symbol.block)
        instance = f"s.{symbol.slot}"
        if symbol.block.standard:
            given = [inputs.get(pin.name, f"{instance}.{pin.attribute}") for pin in symbol.block.inputs]
            self._write(f"{instance}.step({', '.join(['now_ns', *given])})", node.line)
        else:
            self.counts = True
            for pin in symbol.block.inputs:
                if pin.name in inputs:
                    self._write(f"{instance}.{pin.attribute} = {inputs[pin.name]}", node.line)
            self._write(f"n = {instance}.run(now_ns, n)", node.line)
        for line in outputs:
            self._write(line, node.line)

    def _refuse_call(self, node: Call, symbol: Symbol | None) -> None:
        for argument in node.arguments:
            self._expressions.code(argument.value)
        if symbol is not None and symbol.type == UNKNOWN:
            return
        sentence = self._scope.describe_call(node)
        if sentence is None:
            declared = [s.declaration.name for s in self._scope.symbols.values() if s.block]
            sentence = f"{node.name} is not a function block declared here{hint(node.name, declared)}"
        self._report.add(node, sentence)

    def _sorted_arguments(self, node: Call, block: BlockType) -> tuple[dict[str, str], list[str]]:
        """Texts of the inputs by pin, and the lines that store the outputs."""
        inputs: dict[str, str] = {}
        outputs: list[str] = []
        for position, argument in enumerate(node.arguments):
            if argument.output:
                line = self._output(node, argument, block)
                if line:
                    outputs.append(line)
                continue
            name = argument.name
            if not name and position < len(block.inputs):
                name = block.inputs[position].name
            pin = block.pins.get(name.upper())
            if pin is None or pin.section != "VAR_INPUT" or pin.name in inputs:
                self._report.add(argument, _wrong_input(node, argument, block))
                self._expressions.code(argument.value)
                continue
            purpose = f"{pin.name} of {node.name}"
            inputs[pin.name] = self._expressions.value(argument.value, pin.type, purpose).text
        return inputs, outputs

    def _output(self, node: Call, argument: Argument, block: BlockType) -> str | None:
        pin = block.pins.get(argument.name.upper())
        assert isinstance(argument.value, Name)
        target = self._writable(argument.value)
        if pin is None or pin.section != "VAR_OUTPUT":
            names = [each.name for each in block.outputs]
            listed = ", ".join(names)
            near = hint(argument.name, names)
            self._report.add(argument, f"{block.name} has no output {argument.name}; it has {listed}{near}")
            return None
        if target is None:
            return None
        symbol = self._scope.symbols[node.name.upper()]
        source = Code(pin.type, f"s.{symbol.slot}.{pin.attribute}")
        purpose = f"{pin.name} of {node.name} to {argument.value.text}"
        return f"{target.text} = {self._expressions.fit(source, target.type, argument, purpose).text}"

    # branches

    def _if(self, node: If) -> None:
        word = "if"
        for condition, body in node.branches:
            code = self._condition(condition, word.upper().replace("ELIF", "ELSIF"))
            self._write(f"{word} {code.text}:", condition.line)
            self._block(body)
            word = "elif"
        if node.otherwise:
            self._write("else:", node.line)
            self._block(node.otherwise)

    def _condition(self, node: Expression, word: str) -> Code:
        return self._expressions.value(node, "BOOL", f"condition of {word}")

    def _case(self, node: Case) -> None:
        selector = wrapped(self._expressions.code(node.selector))
        if selector.type not in (UNKNOWN, *INTEGERS, *BITS):
            self._report.add(
                node.selector, f"CASE needs a variable of a whole number type, got {shown(selector)}"
            )
            selector = NOTHING
        name = self._temporary()
        self._write(f"{name} = {selector.text}", node.line)
        word, seen = "if", dict[tuple[Value, Value], int]()
        for labels, body in node.arms:
            tests = [self._label(label, name, selector.type, seen) for label in labels]
            line = labels[0].line if labels else node.line
            self._write(f"{word} {' or '.join(tests) or 'False'}:", line)
            self._block(body)
            word = "elif"
        if node.otherwise:
            self._write("else:" if node.arms else "if True:", node.line)
            self._block(node.otherwise)

    def _label(self, label: Label, name: str, type_name: str, seen: dict[tuple[Value, Value], int]) -> str:
        low = self._label_value(label.low, type_name, label)
        high = low if label.high is None else self._label_value(label.high, type_name, label)
        if low is None or high is None:
            return "False"
        if low > high:
            self._report.add(label, f"the range {low}..{high} is empty")
        if (low, high) in seen:
            sentence = f"the label {low} stands already at line {seen[low, high]}; this one is never reached"
            self._report.add(label, sentence, warning=True)
        seen.setdefault((low, high), label.line)
        if label.high is None:
            return f"{name} == {low!r}"
        return f"{low!r} <= {name} <= {high!r}"

    def _label_value(self, node: Expression, type_name: str, at: Placed) -> Value | None:
        code = self._expressions.value(node, type_name, "label")
        if code.type and code.value is None:
            self._report.add(at, "a label must be a literal or a constant")
        return code.value if code.type else None

    def _temporary(self) -> str:
        self._temporaries += 1
        return f"c{self._temporaries}"

    # loops

    def _loop(self, header: str, node: For | While | Repeat, on_continue: Callable[[], None] | None) -> None:
        """The head of a Python loop that counts its iterations; its body is still to be written."""
        if len(self._loops) == MAX_LOOPS:
            self._report.add(node, f"loops are nested deeper than {MAX_LOOPS}")
        self.counts = True
        self._write(header, node.line)
        self._indent += 1
        self._write("n -= 1", node.line)
        self._write("if n < 0: raise runaway()", node.line)
        self._indent -= 1
        self._loops.append(on_continue)
        self._block(node.body)
        self._loops.pop()

    def _for(self, node: For) -> None:
        control = self._writable(node.control)
        type_name = control.type if control else UNKNOWN
        if control is not None and type_name not in INTEGERS:
            self._report.add(node.control, f"FOR needs a variable of a whole number type, got {type_name}")
            control, type_name = None, UNKNOWN
        start = self._expressions.value(node.start, type_name, "start of FOR")
        end = self._expressions.value(node.end, type_name, "end of FOR")
        step = constant("INT", 1)
        if node.step is not None:
            step = self._expressions.value(node.step, type_name, "BY of FOR")
        if step.value == 0 and step.type and node.step is not None:
            self._report.add(node.step, "FOR with BY 0 never ends")
        text = control.text if control else "c0"
        first = self._temporary()
        self._write(f"{first} = {text} = {start.text}", node.line)
        self._controls.append(node.control.path[0].upper())
        self._loop(f"for {text} in forward({first}, {end.text}, {step.text}):", node, None)
        self._controls.pop()

    def _while(self, node: While) -> None:
        condition = self._condition(node.condition, "WHILE")
        self._loop(f"while {condition.text}:", node, None)

    def _repeat(self, node: Repeat) -> None:
        until = self._condition(node.until, "UNTIL")

        def leave_when_done() -> None:
            self._write(f"if {until.text}: break", node.until.line)

        self._loop("while True:", node, leave_when_done)
        self._indent += 1
        leave_when_done()
        self._indent -= 1

    def _jump(self, node: Jump) -> None:
        if node.word == "RETURN":
            self._write(self._leave, node.line)
            return
        if not self._loops:
            self._report.add(node, f"{node.word} stands outside of any loop")
            return
        if node.word == "EXIT":
            self._write("break", node.line)
            return
        before = self._loops[-1]
        if before is not None:
            before()
        self._write("continue", node.line)


def _wrong_input(node: Call, argument: Argument, block: BlockType) -> str:
    names = [pin.name for pin in block.inputs]
    listed = ", ".join(names)
    if not argument.name:
        return f"{block.name} takes {len(names)} inputs ({listed}); this one is too many or given twice"
    if argument.name.upper() in ("EN", "ENO"):
        return f"{node.name}: EN and ENO are not supported; write an IF"
    if argument.name.upper() in (name.upper() for name in names):
        return f"{argument.name} of {node.name} is given twice"
    near = hint(argument.name, names)
    return f"{block.name} has no input {argument.name}; it has {listed}{near}"
