"""The syntax tree: what the text says, before types and names are known."""

from __future__ import annotations

from dataclasses import dataclass

from bench.logic.literals import Value


@dataclass(frozen=True, slots=True)
class Node:
    """Anything with a place in the text."""

    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Literal(Node):
    type: str
    value: Value
    text: str


@dataclass(frozen=True, slots=True)
class Name(Node):
    path: tuple[str, ...]

    @property
    def text(self) -> str:
        return ".".join(self.path)


@dataclass(frozen=True, slots=True)
class Unary(Node):
    op: str
    operand: Expression
    depth: int


@dataclass(frozen=True, slots=True)
class Binary(Node):
    op: str
    left: Expression
    right: Expression
    depth: int


@dataclass(frozen=True, slots=True)
class Argument(Node):
    """`name` is empty for a positional argument; `output` marks `name => target`."""

    name: str
    value: Expression
    output: bool


@dataclass(frozen=True, slots=True)
class Call(Node):
    name: str
    arguments: tuple[Argument, ...]
    depth: int


Expression = Literal | Name | Unary | Binary | Call


def depth_of(node: Expression) -> int:
    """How many levels of operators and calls hang below, itself included."""
    return node.depth if isinstance(node, Unary | Binary | Call) else 1


@dataclass(frozen=True, slots=True)
class Assign(Node):
    target: Name
    value: Expression


@dataclass(frozen=True, slots=True)
class CallStatement(Node):
    call: Call


@dataclass(frozen=True, slots=True)
class If(Node):
    branches: tuple[tuple[Expression, Body], ...]
    otherwise: Body


@dataclass(frozen=True, slots=True)
class Label(Node):
    low: Expression
    high: Expression | None


@dataclass(frozen=True, slots=True)
class Case(Node):
    selector: Expression
    arms: tuple[tuple[tuple[Label, ...], Body], ...]
    otherwise: Body


@dataclass(frozen=True, slots=True)
class For(Node):
    control: Name
    start: Expression
    end: Expression
    step: Expression | None
    body: Body


@dataclass(frozen=True, slots=True)
class While(Node):
    condition: Expression
    body: Body


@dataclass(frozen=True, slots=True)
class Repeat(Node):
    body: Body
    until: Expression


@dataclass(frozen=True, slots=True)
class Jump(Node):
    """EXIT, CONTINUE or RETURN."""

    word: str


Statement = Assign | CallStatement | If | Case | For | While | Repeat | Jump
Body = tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class Declaration(Node):
    """One declared name; `type` is empty where the type was refused already."""

    name: str
    type: str
    section: str
    constant: bool
    address: str | None
    initial: Expression | None
    type_place: Node


@dataclass(frozen=True, slots=True)
class Unit(Node):
    """A PROGRAM or FUNCTION_BLOCK; `damaged` when some declaration could not be read."""

    kind: str
    name: str
    declarations: tuple[Declaration, ...]
    body: Body
    damaged: bool


@dataclass(frozen=True, slots=True)
class SourceFile:
    units: tuple[Unit, ...]
    shared: tuple[Declaration, ...]
    damaged: bool
