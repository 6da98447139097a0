"""Tokens to expressions, by precedence climbing; the base of the statement parser.

IEC 61131-3 ed. 3, table 71, from the tightest: parentheses, calls, unary - + NOT, **, * / MOD, + -,
comparisons, = <>, & AND, XOR, OR. All of them group from the left; unary minus binds tighter than **.
"""

from __future__ import annotations

from typing import NoReturn

from bench.logic.diagnostics import Placed, Report, hint
from bench.logic.literals import LiteralError, duration_ns, number, typed
from bench.logic.tokens import Place, Token
from bench.logic.tree import Argument, Binary, Call, Expression, Literal, Name, Unary, depth_of

MAX_NESTING = 60  # parentheses and calls inside each other
MAX_DEPTH = 200  # operators of one expression, along its longest branch

OPERATOR_WORDS = frozenset({"AND", "OR", "XOR", "NOT", "MOD", "TRUE", "FALSE"})
_LEVELS = (
    ("OR",),
    ("XOR",),
    ("AND", "&"),
    ("=", "<>"),
    ("<", ">", "<=", ">="),
    ("+", "-"),
    ("*", "/", "MOD"),
    ("**",),
)
_PRECEDENCE = {op: level for level, ops in enumerate(_LEVELS) for op in ops}
_TIGHTEST = len(_LEVELS)
_FOREIGN = {"==": "=", "!": "NOT", "||": "OR", "&&": "AND", "!=": "<>"}


class SyntaxStop(Exception):
    """The parser cannot go on here; the mistake is reported already."""


class ExpressionParser:
    """Reads expressions from a list of tokens.

    Args:
        tokens: as `tokens_of` makes them.
        report: takes the mistakes.
        reserved: upper-case words that cannot name a variable.

    `numbered_members`: a whole number may follow a point, for names such as `clamp_valve.14`.
    """

    numbered_members = False

    def __init__(self, tokens: list[Token], report: Report, reserved: frozenset[str]) -> None:
        self._tokens = tokens
        self._at = 0
        self._nesting = 0
        self.report = report
        self._reserved = reserved

    @property
    def token(self) -> Token:
        return self._tokens[self._at]

    def peek(self, ahead: int = 1) -> Token:
        return self._tokens[min(self._at + ahead, len(self._tokens) - 1)]

    def advance(self) -> Token:
        token = self.token
        if token.kind != "end":
            self._at += 1
        return token

    def after_previous(self) -> Placed:
        """The place just behind the last token read, where a missing sign belongs."""
        if not self._at:
            return self.token
        previous = self._tokens[self._at - 1]
        return Place(previous.line, previous.column + len(previous.text))

    def complain(self, at: Placed, sentence: str) -> None:
        """Report, unless what stands here is a stray character, which is reported already."""
        if self.token.kind != "stray":
            self.report.add(at, sentence)

    def fail(self, at: Placed, sentence: str) -> NoReturn:
        self.complain(at, sentence)
        raise SyntaxStop

    def is_word(self, *words: str) -> bool:
        return self.token.kind == "word" and self.token.upper in words

    def is_op(self, *ops: str) -> bool:
        return self.token.kind == "op" and self.token.text in ops

    def accept_op(self, op: str) -> bool:
        if not self.is_op(op):
            return False
        self.advance()
        return True

    def expect_op(self, op: str, purpose: str) -> Token:
        if not self.is_op(op):
            self.fail(self.after_previous(), f"expected {op} {purpose}, got {self.token}")
        return self.advance()

    def is_name(self, token: Token | None = None) -> bool:
        token = token or self.token
        return token.kind == "word" and token.upper not in self._reserved

    def identifier(self, purpose: str) -> Token:
        if self.is_name():
            return self.advance()
        why = f"{self.token} is a reserved word" if self.token.kind == "word" else f"got {self.token}"
        self.fail(self.token, f"expected {purpose}, {why}")

    # expressions

    def expression(self) -> Expression:
        """One expression; raises SyntaxStop after reporting."""
        return self._climb(0)

    def _climb(self, lowest: int) -> Expression:
        left = self._unary()
        while True:
            op = self._operator()
            level = _PRECEDENCE.get(op, -1)
            if level < lowest:
                return left
            token = self.advance()
            right = self._climb(level + 1) if level + 1 < _TIGHTEST else self._unary()
            left = Binary(
                token.line,
                token.column,
                "AND" if op == "&" else op,
                left,
                right,
                self._depth(token, left, right),
            )

    def _operator(self) -> str:
        return self.token.upper if self.token.kind in ("op", "word") else ""

    def _depth(self, at: Token, *below: Expression) -> int:
        depth = max(map(depth_of, below), default=0) + 1
        if depth > MAX_DEPTH:
            self.fail(at, f"the expression has more than {MAX_DEPTH} operators in a row; split it")
        return depth

    def _unary(self) -> Expression:
        ops: list[Token] = []
        while self.is_op("-", "+") or self.is_word("NOT"):
            ops.append(self.advance())
        operand = self._primary()
        for token in reversed(ops):
            if token.text != "+":
                depth = self._depth(token, operand)
                operand = Unary(token.line, token.column, token.upper, operand, depth)
        return operand

    def _primary(self) -> Expression:
        token = self.token
        if token.kind in ("int", "real", "based", "time", "typed"):
            return self._literal(self.advance())
        if self.is_word("TRUE", "FALSE"):
            self.advance()
            return Literal(token.line, token.column, "BOOL", token.upper == "TRUE", token.text)
        if self.is_op("("):
            return self._parenthesis()
        if self.is_name():
            if self.peek().kind == "op" and self.peek().text == "(":
                return self.call(self.advance())
            return self.name()
        self._refuse_operand(token)

    def _refuse_operand(self, token: Token) -> NoReturn:
        if token.kind == "string":
            self.fail(token, f"{token} is a text; texts are not supported")
        if token.kind == "address":
            self.fail(
                token, f"{token}: addresses in statements are not supported; declare a variable AT {token}"
            )
        before = self._tokens[self._at - 1].text if self._at else ""
        if before + token.text in _FOREIGN:
            self.fail(token, f"{before}{token} is not an operator; write {_FOREIGN[before + token.text]}")
        self.fail(token, f"expected a value, a variable or (, got {token}")

    def _parenthesis(self) -> Expression:
        opening = self.advance()
        self._enter(opening)
        inner = self.expression()
        if not self.is_op(")"):
            self.fail(
                self.after_previous(),
                f"expected ) for the ( at line {opening.line} column {opening.column}, got {self.token}",
            )
        self.advance()
        self._nesting -= 1
        return inner

    def _enter(self, at: Token) -> None:
        self._nesting += 1
        if self._nesting > MAX_NESTING:
            self._nesting = 0
            self.fail(at, f"parentheses are nested deeper than {MAX_NESTING}; split the expression")

    def _literal(self, token: Token) -> Literal:
        try:
            if token.kind == "time":
                return Literal(token.line, token.column, "TIME", duration_ns(token.text), token.text)
            type_name, value = typed(token.text) if token.kind == "typed" else number(token.kind, token.text)
        except LiteralError as error:
            self.report.add(token, str(error))
            return Literal(token.line, token.column, "", 0, token.text)
        return Literal(token.line, token.column, type_name, value, token.text)

    def name(self) -> Name:
        """A variable, with members: `Step`, `T1.Q`."""
        first = self.identifier("a variable")
        path = [first.text]
        while self.is_op("."):
            self.advance()
            path.append(self._member(first))
        if self.is_op("["):
            self.fail(self.token, f"{'.'.join(path)}[...]: arrays are not supported")
        if self.is_op("^"):
            self.fail(self.token, f"{'.'.join(path)}^: references are not supported")
        return Name(first.line, first.column, tuple(path))

    def _member(self, first: Token) -> str:
        token = self.token
        if token.kind == "word":
            return self.advance().text
        if token.kind == "int" and self.numbered_members:
            return self.advance().text
        if token.kind in ("int", "address"):
            self.fail(token, f"{first.text}.{token.text}: access to single bits is not supported")
        self.fail(token, f"expected a member of {first.text} after the point, got {token}")

    def call(self, name: Token) -> Call:
        """The arguments of a call whose name was just read."""
        self._enter(self.advance())
        arguments: list[Argument] = []
        while not self.is_op(")"):
            arguments.append(self._argument())
            if not self.accept_op(","):
                break
        if not self.is_op(")"):
            self.fail(self.after_previous(), f"expected , or ) in the call of {name}, got {self.token}")
        self.advance()
        self._nesting -= 1
        depth = self._depth(name, *(argument.value for argument in arguments))
        return Call(name.line, name.column, name.text, tuple(arguments), depth)

    def _argument(self) -> Argument:
        token, follows = self.token, self.peek()
        if token.kind == "word" and follows.kind == "op" and follows.text in (":=", "=>"):
            self.advance()
            output = self.advance().text == "=>"
            value = self.name() if output else self.expression()
            return Argument(token.line, token.column, token.text, value, output)
        return Argument(token.line, token.column, "", self.expression(), False)

    def expect_end(self) -> None:
        """Nothing may follow a condition."""
        if self.token.kind != "end":
            near = hint(self.token.text, OPERATOR_WORDS) if self.token.kind == "word" else ""
            self.fail(self.token, f"expected an operator or the end of the condition, got {self.token}{near}")

    def reset_nesting(self) -> None:
        """After a recovery nothing is open any more."""
        self._nesting = 0
