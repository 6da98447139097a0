"""Tokens to units: declarations and statements, with recovery so that one run finds every mistake.

Lenient where programs in the field are: no `;` is needed after END_x, empty statements and empty VAR
sections are fine, pragmas are skipped. What is not supported is refused by name.
"""

from __future__ import annotations

from bench.logic.diagnostics import Report, hint
from bench.logic.expression_parser import OPERATOR_WORDS, ExpressionParser, SyntaxStop
from bench.logic.statement_parser import STATEMENT_WORDS, StatementParser
from bench.logic.tokens import Token, tokens_of
from bench.logic.tree import Declaration, Expression, Node, SourceFile, Unit
from bench.logic.types import ELEMENTARY, REFUSED_TYPES, UNKNOWN

_SECTIONS = ("VAR", "VAR_INPUT", "VAR_OUTPUT", "VAR_EXTERNAL", "VAR_GLOBAL", "VAR_TEMP")
_REFUSED_SECTIONS = {
    "VAR_IN_OUT": "VAR_IN_OUT is not supported; use VAR_INPUT and VAR_OUTPUT",
    "VAR_ACCESS": "VAR_ACCESS is not supported; variables are read by name",
    "VAR_CONFIG": "VAR_CONFIG is not supported; write the address at the variable",
}
_REFUSED_UNITS = {
    "FUNCTION": "FUNCTION is not supported; write a FUNCTION_BLOCK",
    "TYPE": "TYPE is not supported; use the elementary types",
    "CONFIGURATION": "CONFIGURATION is not supported; the station file says what runs",
    "RESOURCE": "RESOURCE is not supported; the station file says what runs",
    "CLASS": "CLASS is not supported",
    "INTERFACE": "INTERFACE is not supported",
    "NAMESPACE": "NAMESPACE is not supported",
    "METHOD": "METHOD is not supported",
    "ACTION": "ACTION is not supported",
    "INITIAL_STEP": "sequential function charts are not supported; write a CASE",
}
_UNIT_WORDS = ("PROGRAM", "FUNCTION_BLOCK")
_QUALIFIERS = ("CONSTANT", "RETAIN", "NON_RETAIN", "PERSISTENT")
RESERVED = (
    OPERATOR_WORDS
    | STATEMENT_WORDS
    | frozenset(ELEMENTARY)
    | frozenset(_SECTIONS)
    | frozenset(_REFUSED_SECTIONS)
    | frozenset(_UNIT_WORDS)
    | frozenset(("END_VAR", "END_PROGRAM", "END_FUNCTION_BLOCK", "FUNCTION", "END_FUNCTION", "TYPE", "AT"))
)


def parse(text: str, report: Report) -> SourceFile:
    """The whole file as a tree; mistakes go to the report, nothing is raised."""
    return _FileParser(tokens_of(text, report), report).file()


def parse_expression(text: str, report: Report) -> Expression | None:
    """One expression that is the whole text, or None with the mistake reported."""
    parser = ExpressionParser(tokens_of(text, report), report, OPERATOR_WORDS)
    parser.numbered_members = True  # a valve's coils are named by their ports: clamp_valve.14
    try:
        tree = parser.expression()
        parser.expect_end()
    except SyntaxStop:
        return None
    return tree


class _FileParser(StatementParser):
    def __init__(self, tokens: list[Token], report: Report) -> None:
        super().__init__(tokens, report, RESERVED)
        self._damaged = False

    def file(self) -> SourceFile:
        units: list[Unit] = []
        shared: list[Declaration] = []
        file_damaged = False
        while self.token.kind != "end":
            self.report.unit = ""
            self._damaged = False
            if self.is_word(*_UNIT_WORDS):
                units.append(self._unit())
            elif self.is_word("VAR_GLOBAL"):
                shared.extend(self._section())
                file_damaged |= self._damaged
            else:
                self._refuse_unit()
        self.report.unit = ""
        return SourceFile(tuple(units), tuple(shared), file_damaged)

    def _refuse_unit(self) -> None:
        token = self.advance()
        if token.text == ";":
            return
        if token.kind == "word" and token.upper in _REFUSED_UNITS:
            self.report.add(token, _REFUSED_UNITS[token.upper])
            self._skip_past("END_" + token.upper)
            return
        near = hint(token.text, _UNIT_WORDS) if token.kind == "word" else ""
        self.report.add(token, f"expected PROGRAM, FUNCTION_BLOCK or VAR_GLOBAL, got {token}{near}")
        while self.token.kind != "end" and not self.is_word(*_UNIT_WORDS, "VAR_GLOBAL", *_REFUSED_UNITS):
            self.advance()

    def _skip_past(self, word: str) -> None:
        while self.token.kind != "end" and not self.is_word(word, *_UNIT_WORDS):
            self.advance()
        if self.is_word(word):
            self.advance()

    def _unit(self) -> Unit:
        opening = self.advance()
        name, declarations = "", []
        try:
            name = self.identifier(f"the name of the {opening.upper}").text
        except SyntaxStop:
            self._damaged = True
        self.report.unit = name
        if self.is_word("EXTENDS", "IMPLEMENTS"):
            self.report.add(self.token, f"{self.token.upper} is not supported")
            self.advance(), self.advance()
        self.accept_op(";")
        while self._at_section():
            declarations.extend(self._section())
        body = self.body(f"END_{opening.upper}", opening)
        return Unit(
            opening.line, opening.column, opening.upper, name, tuple(declarations), body, self._damaged
        )

    def _at_section(self) -> bool:
        if self.is_word(*_REFUSED_SECTIONS):
            self.report.add(self.token, _REFUSED_SECTIONS[self.token.upper])
            return True
        return self.is_word(*_SECTIONS)

    # declarations

    def _section(self) -> list[Declaration]:
        opening = self.advance()
        constant = False
        while self.is_word(*_QUALIFIERS):
            constant |= self.advance().upper == "CONSTANT"
        declarations: list[Declaration] = []
        while not self.is_word("END_VAR"):
            if self.token.kind == "end" or self.is_word(*_UNIT_WORDS, *_SECTIONS, "END_PROGRAM"):
                place = f"line {opening.line} column {opening.column}"
                self.report.add(
                    self.token, f"expected END_VAR for the {opening.upper} at {place}, got {self.token}"
                )
                self._damaged = True
                return declarations
            self._declaration_into(declarations, opening.upper, constant)
        self.advance()
        self.accept_op(";")
        return declarations

    def _declaration_into(self, found: list[Declaration], section: str, constant: bool) -> None:
        if self.accept_op(";"):
            return
        try:
            found.extend(self._declaration(section, constant))
        except SyntaxStop:
            self._damaged = True
            self.reset_nesting()
            self._skip_declaration()

    def _skip_declaration(self) -> None:
        """To behind the next `;`, or before what cannot be inside a declaration."""
        while self.token.kind != "end" and not self.is_word("END_VAR", *_UNIT_WORDS, *_SECTIONS):
            if self.advance().text == ";":
                return

    def _declaration(self, section: str, constant: bool) -> list[Declaration]:
        names = [self.identifier("the name of a variable")]
        while self.accept_op(","):
            names.append(self.identifier("the name of a variable"))
        address = self._address(names) if self.is_word("AT") else None
        if self.is_op(":="):
            self.fail(self.token, f"expected : and the type of {names[0]} before the initial value")
        self.expect_op(":", f"and a type after {names[-1]}")
        type_token = self.token
        type_name = self._type()
        initial = self._initial(type_token) if self.accept_op(":=") else None
        self._end_of_declaration(names[0])
        place = Node(type_token.line, type_token.column)
        return [
            Declaration(t.line, t.column, t.text, type_name, section, constant, address, initial, place)
            for t in names
        ]

    def _initial(self, type_token: Token) -> Expression:
        if self.is_op("("):
            follows, then = self.peek(), self.peek(2)
            if follows.kind == "word" and then.text == ":=":
                self.fail(
                    self.token,
                    f"initial values inside a {type_token} are not supported; set them in the call",
                )
        return self.expression()

    def _end_of_declaration(self, name: Token) -> None:
        if self.is_word("R_EDGE", "F_EDGE"):
            block = self.token.upper.replace("EDGE", "TRIG")
            self.fail(self.token, f"{self.token.upper} is not supported; use an {block}")
        if not self.is_op(";"):
            self.complain(
                self.after_previous(), f"expected ; after the declaration of {name}, got {self.token}"
            )
            if not self.is_name() and not self.is_word("END_VAR"):
                raise SyntaxStop
            return
        self.advance()

    def _address(self, names: list[Token]) -> str:
        self.advance()
        token = self.token
        if token.kind != "address":
            self.fail(token, f"expected an address such as %IX0.3 after AT, got {token}")
        if len(names) > 1:
            self.fail(token, f"one address cannot serve {len(names)} variables; declare them one by one")
        return self.advance().text.upper()

    def _type(self) -> str:
        token = self.token
        if token.kind != "word":
            self.fail(token, f"expected a type, got {token}")
        self.advance()
        if token.upper in REFUSED_TYPES:
            self.report.add(token, f"{token.upper}: {REFUSED_TYPES[token.upper]}")
            while not self.is_op(";", ":=") and self.token.kind != "end" and not self.is_word("END_VAR"):
                self.advance()
            if self.is_op(":="):
                self._skip_to_semicolon()
            return UNKNOWN
        if self.is_op("("):
            self.fail(self.token, f"{token}(...): subranges and enumerations are not supported")
        return token.text if token.upper not in ELEMENTARY else token.upper

    def _skip_to_semicolon(self) -> None:
        while not self.is_op(";") and self.token.kind != "end" and not self.is_word("END_VAR"):
            self.advance()
