"""EDS text to values, with every mistake at its line and column.

The form, as open EDS files and an open EDS parser show it: `$` starts a comment, `[name]` a section,
`keyword = field, field;` is an entry, strings are quoted and go on in the next quoted string, braces
hold a set. The text comes from anywhere, so every step here is bounded and linear in its length.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from bench.eds.document import Eds, Entry, Field, FieldKind, Section
from bench.eds.mistakes import Mistakes, hint, shown

MOST_CHARACTERS = 4_000_000

# No alternative can be matched in two ways, and none runs over the start of its like: linear.
_TOKEN = re.compile(
    r"""(?P<newline>\n)
    | (?P<space>[^\S\n]+)
    | (?P<comment>\$[^\n]*)
    | (?P<section>\[[^\[\]\n]*\])
    | (?P<string>"(?:[^"\\\n]|\\[^\n])*")
    | (?P<cut>"[^\n]*)
    | (?P<set>\{[^{}]*\})
    | (?P<mark>[=,;])
    | (?P<word>[^\s$=,;"\[\]{}]+)
    | (?P<stray>.)""",
    re.VERBOSE,
)
_ESCAPE = re.compile(r"\\(.)")
_ESCAPED = {"n": "\n", '"': '"', "\\": "\\"}
_KEYWORD = re.compile(r"[A-Za-z0-9_]+", re.ASCII)
_SECTION = re.compile(r"[A-Za-z0-9]+(?:[ /\-._][A-Za-z0-9]+)*", re.ASCII)
_KINDS = {"string": FieldKind.STRING, "word": FieldKind.WORD, "set": FieldKind.SET}

# Importers ask for these; the first three sections stand first, in this order.
_FIRST = ("File", "Device", "Device Classification")
_REQUIRED = {
    "File": ("DescText", "CreateDate", "CreateTime", "Revision"),
    "Device": ("VendCode", "VendName", "ProdType", "ProdTypeStr", "ProdCode", "MajRev", "MinRev", "ProdName"),
    "Device Classification": ("Class1",),
}


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str
    text: str
    line: int
    column: int


def read_eds(text: str, file: str = "EDS") -> Eds:
    """Read a whole file.

    Raises:
        WrongFiles: every mistake found, at most 100, each with line and column.
    """
    mistakes = Mistakes(file)
    if len(text) > MOST_CHARACTERS:
        mistakes.add(1, 1, "", f"{len(text)} characters; expected at most {MOST_CHARACTERS}")
        mistakes.raise_any()
    eds = Eds(file, _Reader(text, mistakes).read())
    _check_required(eds, mistakes)
    mistakes.raise_any()
    return eds


def _tokens(text: str, mistakes: Mistakes) -> Iterator[_Token]:
    line, start = 1, 0
    for match in _TOKEN.finditer(text):
        kind, found = str(match.lastgroup), match.group()
        column = match.start() - start + 1
        if kind == "newline":
            line, start = line + 1, match.end()
        elif kind == "string":
            yield _Token(kind, _ESCAPE.sub(_unescape, found[1:-1]), line, column)
        elif kind == "cut":
            mistakes.add(line, column, "", 'this string has no end; expected " on the same line')
            yield _Token("string", found[1:], line, column)
        elif kind == "stray":
            mistakes.add(line, column, "", f"{shown(found)} has no partner or no place here")
        elif kind not in ("space", "comment"):
            yield _Token(kind, found, line, column)
            if kind == "set" and "\n" in found:
                line, start = line + found.count("\n"), match.start() + found.rindex("\n") + 1


def _unescape(match: re.Match[str]) -> str:
    return _ESCAPED.get(match[1], match[0])


class _Reader:
    """Walks the tokens once; after a mistake it goes on at the next place that is sure."""

    def __init__(self, text: str, mistakes: Mistakes) -> None:
        self._mistakes = mistakes
        self._tokens = _tokens(text, mistakes)
        self._next: _Token | None = next(self._tokens, None)
        self._after: _Token | None = None  # what follows `_next`, when it was looked at already
        self._sections: dict[str, Section] = {}
        self._entries: dict[str, Entry] | None = None
        self._name = ""
        self._path = ""

    def read(self) -> dict[str, Section]:
        while (token := self._next) is not None and not self._mistakes.full:
            if token.kind == "section":
                self._section(self._take())
            elif token.kind == "word":
                self._entry(self._take())
            else:
                self._wrong(token, f"expected a section or an entry, got {shown(token.text)}")
                self._skip()
        return self._sections

    def _take(self) -> _Token:
        token = self._next
        assert token is not None
        self._next, self._after = self._after or next(self._tokens, None), None
        return token

    def _wrong(self, token: _Token, sentence: str) -> None:
        self._mistakes.add(token.line, token.column, self._path, sentence)

    def _skip(self) -> None:
        """To behind the next semicolon, or before the next section."""
        while self._next is not None and self._next.kind != "section":
            if self._take().text == ";":
                return

    def _section(self, token: _Token) -> None:
        name = token.text[1:-1].strip()
        self._name = self._path = name
        entries: dict[str, Entry] = {}
        self._entries = entries
        if not _SECTION.fullmatch(name):
            self._wrong(
                token, f"{shown(name)} is no section name; expected words as in [Device Classification]"
            )
        elif name in self._sections:
            first = self._sections[name].line
            self._wrong(token, f"a second [{name}]; the first is in line {first}, and one may stand")
        else:
            self._sections[name] = Section(name, token.line, token.column, entries)

    def _entry(self, token: _Token) -> None:
        self._path = f"{self._name}.{token.text[:40]}" if self._name else ""
        if self._entries is None:
            self._wrong(token, f"{shown(token.text)} stands before the first section; expected [File]")
        elif not _KEYWORD.fullmatch(token.text):
            self._wrong(token, f"{shown(token.text)} is no keyword; expected letters, digits and _")
        if self._next is None or self._next.text != "=" or self._next.kind != "mark":
            self._wrong(token, f"expected = after {shown(token.text)}")
            self._skip()
        else:
            self._take()
            self._keep(token, self._fields(token))
        self._path = self._name

    def _keep(self, token: _Token, fields: tuple[Field, ...]) -> None:
        if self._entries is None:
            return
        if token.text in self._entries:
            first = self._entries[token.text].line
            self._wrong(token, f"a second {token.text}; the first is in line {first}, and one may stand")
            return
        self._entries[token.text] = Entry(token.text, fields, token.line, token.column)

    def _fields(self, keyword: _Token) -> tuple[Field, ...]:
        fields: list[Field] = []
        pieces: list[_Token] = []
        while (token := self._next) is not None and token.kind != "section":
            if token.kind != "mark":
                pieces.append(self._take())
            elif token.text == "=":
                if not self._next_keyword(pieces, token):
                    continue
                break
            else:
                fields.append(self._field(pieces, self._take()))
                pieces = []
                if token.text == ";":
                    return tuple(fields)
        else:
            where = f"before [{token.text[1:-1]}]" if token else "before the end of the file"
            self._wrong(keyword, f"{shown(keyword.text)} is not closed; expected ; {where}")
        if pieces:
            fields.append(self._field(pieces, pieces[-1]))
        return tuple(fields)

    def _next_keyword(self, pieces: list[_Token], equals: _Token) -> bool:
        """An = in the middle of an entry: most often the semicolon before its keyword is missing."""
        if not pieces or pieces[-1].kind != "word":
            self._wrong(self._take(), "= has no place in a field; expected , or ;")
            return False
        name = pieces.pop()
        self._wrong(name, f"expected ; before {shown(name.text)}")
        self._next, self._after = name, equals
        return True

    def _field(self, pieces: list[_Token], end: _Token) -> Field:
        if not pieces:
            return Field("", FieldKind.EMPTY, end.line, end.column)
        first = pieces[0]
        if all(piece.kind == "string" for piece in pieces):
            text = "".join(piece.text for piece in pieces)
            return Field(text, FieldKind.STRING, first.line, first.column)
        if len(pieces) > 1:
            self._wrong(pieces[1], f"expected , or ; before {shown(pieces[1].text)}")
        return Field(first.text, _KINDS[first.kind], first.line, first.column)


def _check_required(eds: Eds, mistakes: Mistakes) -> None:
    order = list(eds.sections)
    for place, name in enumerate(_FIRST):
        section = eds.sections.get(name)
        if section is None:
            mistakes.add(1, 1, name, f"[{name}] is missing{hint(name, order)}")
            continue
        if order.index(name) != place and all(first in eds.sections for first in _FIRST):
            order_text = ", ".join(f"[{first}]" for first in _FIRST)
            mistakes.add(section.line, section.column, name, f"expected {order_text} first, in this order")
        spare = [keyword for keyword in section.entries if keyword not in _REQUIRED[name]]
        for keyword in _REQUIRED[name]:
            if keyword not in section.entries:
                near = hint(keyword, spare)
                mistakes.add(section.line, section.column, name, f"{keyword} is missing{near}")
