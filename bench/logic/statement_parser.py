"""Tokens to statements (IEC 61131-3 ed. 3, table 72), with recovery at `;` and at END_x."""

from __future__ import annotations

from bench.logic.diagnostics import hint
from bench.logic.expression_parser import ExpressionParser, SyntaxStop
from bench.logic.tokens import Token
from bench.logic.tree import (
    Assign,
    Body,
    CallStatement,
    Case,
    Expression,
    For,
    If,
    Jump,
    Label,
    Literal,
    Name,
    Repeat,
    Statement,
    While,
)
from bench.logic.types import UNKNOWN

MAX_BLOCKS = 40  # statements inside each other

_OPENERS = ("IF", "CASE", "FOR", "WHILE", "REPEAT")
_JUMPS = ("EXIT", "CONTINUE", "RETURN")
_CLOSERS = ("END_IF", "END_CASE", "END_FOR", "END_WHILE", "END_REPEAT", "ELSE", "ELSIF", "UNTIL")
_UNIT_ENDS = ("END_PROGRAM", "END_FUNCTION_BLOCK", "PROGRAM", "FUNCTION_BLOCK")
_INNER = ("THEN", "DO", "OF", "TO", "BY")
_VAR_WORDS = ("VAR", "VAR_INPUT", "VAR_OUTPUT", "VAR_TEMP", "VAR_GLOBAL", "VAR_EXTERNAL", "VAR_IN_OUT")
STATEMENT_WORDS = frozenset((*_OPENERS, *_JUMPS, *_CLOSERS, *_UNIT_ENDS, *_INNER))


class StatementParser(ExpressionParser):
    """Adds statements; each reading method leaves the parser behind what it read."""

    _blocks = 0

    def body(self, end_word: str, opening: Token) -> Body:
        """The statements of a unit up to its END word, which is read too."""
        statements: list[Statement] = []
        while True:
            statements.extend(self._statements())
            if self.is_word(end_word):
                self.advance()
                return tuple(statements)
            if self.token.kind == "end" or self.is_word(*_UNIT_ENDS):
                self._missing(end_word, opening)
                if self.is_word("END_PROGRAM", "END_FUNCTION_BLOCK"):
                    self.advance()
                return tuple(statements)
            token = self.advance()
            if token.kind == "word" and token.upper in _CLOSERS:
                self.report.add(token, f"{token.upper} does not belong to any open statement")

    def _missing(self, word: str, opening: Token) -> None:
        place = f"line {opening.line} column {opening.column}"
        self.report.add(self.token, f"expected {word} for the {opening.upper} at {place}, got {self.token}")

    def _statements(self, in_case: bool = False) -> Body:
        """Statements up to a word that ends a list, or to a label where a CASE is open."""
        found: list[Statement] = []
        while self.token.kind != "end" and not self.is_word(*_CLOSERS, *_UNIT_ENDS):
            if in_case and self._at_label():
                break
            if self.accept_op(";"):
                continue
            try:
                found.extend(self._statement())
            except SyntaxStop:
                self.reset_nesting()
                self._recover()
        return tuple(found)

    def _recover(self) -> None:
        """To behind the next `;`, or before a word that starts or ends a statement."""
        while self.token.kind != "end":
            if self.is_word(*_OPENERS, *_CLOSERS, *_UNIT_ENDS):
                return
            if self.advance().text == ";":
                return

    def _at_label(self) -> bool:
        if self.token.kind in ("int", "based", "typed", "time") or self.is_op("-", "+"):
            return True
        return self.is_name() and self.peek().kind == "op" and self.peek().text in (":", ",", "..")

    def _statement(self) -> list[Statement]:
        token = self.token
        if token.kind == "word" and token.upper in _OPENERS:
            self._blocks += 1
            if self._blocks > MAX_BLOCKS:
                self._give_up(token)
            statement: Statement = getattr(self, f"_{token.upper.lower()}")(self.advance())
            self._blocks -= 1
            self.accept_op(";")
            return [statement]
        simple = self._simple(token)
        if not self.is_op(";"):
            self.complain(self.after_previous(), f"expected ; after the statement, got {self.token}")
            if not self._starts_statement():
                raise SyntaxStop
        return simple

    def _give_up(self, token: Token) -> None:
        """Too deep to go on: everything after it in the file is left unread."""
        self.report.add(token, f"statements are nested deeper than {MAX_BLOCKS}")
        self._at = len(self._tokens) - 1
        raise SyntaxStop

    def _starts_statement(self) -> bool:
        return self.is_name() or self.is_word(*_OPENERS, *_JUMPS, *_CLOSERS, *_UNIT_ENDS)

    def _simple(self, token: Token) -> list[Statement]:
        if token.kind == "word" and token.upper in _JUMPS:
            self.advance()
            return [Jump(token.line, token.column, token.upper)]
        if token.kind == "word" and token.upper in _VAR_WORDS:
            self.fail(token, f"{token.upper} must stand before the first statement")
        if not self.is_name():
            self._refuse_statement(token)
        if self.peek().kind == "op" and self.peek().text == "(":
            call = self.call(self.advance())
            return [CallStatement(token.line, token.column, call)]
        target = self.name()
        if not self.is_op(":="):
            self._refuse_assignment(target)
        self.advance()
        return [Assign(target.line, target.column, target, self.expression())]

    def _refuse_statement(self, token: Token) -> None:
        if token.kind == "address":
            self.fail(
                token, f"{token}: addresses in statements are not supported; declare a variable AT {token}"
            )
        self.fail(token, f"expected a statement, got {token}")

    def _refuse_assignment(self, target: Name) -> None:
        if self.is_op("="):
            self.fail(self.token, f"= compares; write := to assign to {target.text}")
        near = hint(target.text, (*_OPENERS, *_JUMPS, *_CLOSERS)) if self.token.kind in ("word", "op") else ""
        self.fail(self.token, f"expected := or ( after {target.text}, got {self.token}{near}")

    # statements with a body

    def _header(self, word: str) -> Expression:
        """A condition up to THEN, DO or OF; goes on behind that word even after a mistake."""
        at = self.token
        try:
            tree = self.expression()
            if not self.is_word(word):
                self.fail(self.after_previous(), f"expected {word}, got {self.token}")
        except SyntaxStop:
            self._skip_header(word)
            tree = _unread(at)
        if self.is_word(word):
            self.advance()
        return tree

    def _skip_header(self, word: str) -> None:
        self.reset_nesting()
        while self.token.kind != "end" and not self.is_word(word, *_OPENERS, *_CLOSERS, *_UNIT_ENDS):
            if self.advance().text == ";":
                return

    def _close(self, word: str, opening: Token) -> None:
        if self.is_word(word):
            self.advance()
        else:
            self._missing(word, opening)

    def _if(self, opening: Token) -> If:
        branches = [(self._header("THEN"), self._statements())]
        otherwise: Body = ()
        while self.is_word("ELSIF"):
            self.advance()
            branches.append((self._header("THEN"), self._statements()))
        if self.is_word("ELSE"):
            self.advance()
            otherwise = self._statements()
        self._close("END_IF", opening)
        return If(opening.line, opening.column, tuple(branches), otherwise)

    def _case(self, opening: Token) -> Case:
        selector = self._header("OF")
        arms: list[tuple[tuple[Label, ...], Body]] = []
        otherwise: Body = ()
        self.accept_op(";")
        while self._at_label():
            arms.append((self._labels(), self._statements(in_case=True)))
        if self.token.kind != "end" and not self.is_word("ELSE", "END_CASE") and not arms:
            self.report.add(self.token, f"expected a label such as 10: in the CASE, got {self.token}")
            self._statements(in_case=False)
        if self.is_word("ELSE"):
            self.advance()
            self.accept_op(":")
            otherwise = self._statements()
        self._close("END_CASE", opening)
        return Case(opening.line, opening.column, selector, tuple(arms), otherwise)

    def _labels(self) -> tuple[Label, ...]:
        labels: list[Label] = []
        try:
            while True:
                at = self.token
                low = self.expression()
                high = self.expression() if self.accept_op("..") else None
                labels.append(Label(at.line, at.column, low, high))
                if not self.accept_op(","):
                    break
            self.expect_op(":", "after the label")
        except SyntaxStop:
            self.reset_nesting()
            self._recover()
        return tuple(labels)

    def _for(self, opening: Token) -> For | While:
        header: tuple[Name, Expression, Expression, Expression | None] | None
        try:
            header = self._for_header()
        except SyntaxStop:
            header = None
            self._skip_header("DO")
        if self.is_word("DO"):
            self.advance()
        body = self._statements()
        self._close("END_FOR", opening)
        if header is None:  # reported; the body is still worth checking
            return While(opening.line, opening.column, _unread(opening), body)
        return For(opening.line, opening.column, *header, body)

    def _for_header(self) -> tuple[Name, Expression, Expression, Expression | None]:
        control = self.name()
        self.expect_op(":=", "in the FOR")
        start = self.expression()
        if not self.is_word("TO"):
            self.fail(self.after_previous(), f"expected TO in the FOR, got {self.token}")
        self.advance()
        end, step = self.expression(), None
        if self.is_word("BY"):
            self.advance()
            step = self.expression()
        if not self.is_word("DO"):
            self.fail(self.after_previous(), f"expected DO in the FOR, got {self.token}")
        return control, start, end, step

    def _while(self, opening: Token) -> While:
        condition, body = self._header("DO"), self._statements()
        self._close("END_WHILE", opening)
        return While(opening.line, opening.column, condition, body)

    def _repeat(self, opening: Token) -> Repeat:
        body = self._statements()
        until = _unread(opening)
        if self.is_word("UNTIL"):
            self.advance()
            until = self._until(until)
        else:
            self._missing("UNTIL", opening)
        self._close("END_REPEAT", opening)
        return Repeat(opening.line, opening.column, body, until)

    def _until(self, instead: Expression) -> Expression:
        try:
            tree = self.expression()
        except SyntaxStop:
            self._skip_header("END_REPEAT")
            return instead
        self.accept_op(";")
        return tree


def _unread(at: Token) -> Expression:
    """What stands for an expression that could not be read."""
    return Literal(at.line, at.column, UNKNOWN, 0, "")
