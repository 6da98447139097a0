"""Conditions of scenarios: one IEC 61131-3 Boolean expression over names that the caller knows."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bench.errors import LogicFault
from bench.logic.code import NOTHING, Code
from bench.logic.diagnostics import Report, hint
from bench.logic.expressions import Expressions
from bench.logic.literals import Value
from bench.logic.parser import parse_expression
from bench.logic.runtime import NAMESPACE
from bench.logic.tree import Call, Name


class Condition:
    """A checked condition.

    `names` are the names it reads, as the caller spells them, in order of first use.
    """

    __slots__ = ("_evaluate", "_file", "_line", "names", "text")

    def __init__(
        self,
        text: str,
        names: tuple[str, ...],
        evaluate: Callable[[Mapping[str, Value]], bool],
        file: str,
        line: int,
    ) -> None:
        self.text = text
        self.names = names
        self._evaluate = evaluate
        self._file = file
        self._line = line

    def evaluate(self, values: Mapping[str, Value]) -> bool:
        """TRUE or FALSE for these values, keyed by `names`.

        Raises:
            LogicFault: division by zero, or a value without meaning.
        """
        try:
            return self._evaluate(values)
        except (ArithmeticError, ValueError) as error:
            sentence = "division by zero" if isinstance(error, ZeroDivisionError) else str(error)
            raise LogicFault(self._file, self._line, "condition", f"{sentence} in {self.text}") from None


def compile_condition(text: str, kinds: Mapping[str, str], *, file: str, line: int, column: int) -> Condition:
    """Check and compile one condition.

    Args:
        text: the expression, such as `clamp.position_mm > 98.0 AND NOT logic.Alarm`.
        kinds: every valid name, dotted or not, with its elementary type; letter case is ignored.
            A REAL is rounded to 32 bits before use, as in a program; LREAL is taken as it is.
        file, line, column: where the text starts, for the positions of mistakes.

    Raises:
        WrongFiles: every mistake in the expression.
    """
    report = Report(file, line, column)
    scope = _Names(kinds, report)
    tree = parse_expression(text, report)
    code = Expressions(report, scope).value(tree, "BOOL", "condition") if tree else NOTHING
    report.raise_if_failed()
    space: dict[str, object] = {"__builtins__": {}, **NAMESPACE, **scope.constants()}
    evaluate: Callable[[Mapping[str, Value]], bool] = eval(f"lambda v: {code.text}", space)
    return Condition(text, tuple(scope.used), evaluate, file, line)


class _Names:
    """The caller's names; in generated code the n-th one used is `v[k<n>]`."""

    def __init__(self, kinds: Mapping[str, str], report: Report) -> None:
        self.used: dict[str, str] = {}
        self._kinds = kinds
        self._canonical = {name.upper(): name for name in kinds}
        self._report = report

    def constants(self) -> dict[str, str]:
        """The keys by their mangled names."""
        return {key: name for name, key in self.used.items()}

    def read(self, name: Name) -> Code:
        canonical = self._canonical.get(name.text.upper())
        if canonical is None:
            near = hint(name.text, self._kinds)
            self._report.add(name, f"{name.text} is not a point, logic variable or quantity known here{near}")
            return NOTHING
        key = self.used.setdefault(canonical, f"k{len(self.used)}")
        kind = self._kinds[canonical]
        return Code(kind, f"real(v[{key}])" if kind == "REAL" else f"v[{key}]")

    def describe_call(self, call: Call) -> str | None:
        if call.name.upper() in self._canonical:
            return f"{call.name} is a value, not a function; an operator may be missing before the ("
        return None
