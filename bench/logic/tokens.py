"""Text to tokens. Letter case is kept; comments nest; pragmas are skipped.

IEC 61131-3 ed. 3: table 2 (identifiers), table 3 (comments), table 4 (pragmas), tables 5 to 8 (literals).
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from itertools import accumulate

from bench.logic.diagnostics import Report

_TOKEN = re.compile(
    r"""
      (?P<space>[\ \t\r\n\f\v]+)
    | (?P<note>//[^\n]*)
    | (?P<open>\(\*|/\*|\{)
    | (?P<time>L?T(?:IME)?\#[-+]?[0-9A-Za-z_]+(?:\.[0-9A-Za-z_]+)*)
    | (?P<typed>[A-Za-z_][A-Za-z0-9_]*\#[-+]?
        (?:[0-9][0-9_]*\.[0-9_]+(?:E[-+]?[0-9]+)?|[0-9A-Za-z_]+(?:\#[0-9A-Za-z_]+)?))
    | (?P<based>[0-9][0-9_]*\#[0-9A-Za-z_]+)
    | (?P<real>[0-9][0-9_]*(?:\.[0-9][0-9_]*(?:E[-+]?[0-9]+)?|E[-+]?[0-9]+))
    | (?P<int>[0-9][0-9_]*)
    | (?P<word>[A-Za-z_][A-Za-z0-9_]*)
    | (?P<address>%[A-Za-z0-9.*]+)
    | (?P<string>'(?:\$.|[^'$\n])*'|"(?:\$.|[^"$\n])*")
    | (?P<op>:=|=>|\*\*|<=|>=|<>|\.\.|[-+*/()<>=&;:,.\[\]^])
    """,
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)
_CLOSING = {"(*": "*)", "/*": "*/", "{": "}"}


@dataclass(frozen=True, slots=True)
class Token:
    """One word, sign or literal; `kind` is a group name of the pattern, `stray` or `end`."""

    kind: str
    text: str
    line: int
    column: int

    @property
    def upper(self) -> str:
        return self.text.upper()

    def __str__(self) -> str:
        """The token as a message names it."""
        if self.kind == "end":
            return "the end of the text"
        return self.text if len(self.text) <= 40 else self.text[:37] + "..."


@dataclass(frozen=True, slots=True)
class Place:
    """A position without a token."""

    line: int
    column: int


class _Positions:
    """Offsets to (line, column)."""

    def __init__(self, text: str) -> None:
        lengths = (len(line) + 1 for line in text.split("\n"))
        self._starts = [0, *accumulate(lengths)]

    def at(self, offset: int) -> Place:
        line = bisect_right(self._starts, offset)
        return Place(line, offset - self._starts[line - 1] + 1)


def tokens_of(text: str, report: Report) -> list[Token]:
    """All tokens, the last of kind `end`; characters that fit nothing are reported and come as `stray`."""
    found: list[Token] = []
    positions = _Positions(text)
    offset = 1 if text.startswith("\ufeff") else 0
    while offset < len(text):
        place = positions.at(offset)
        match = _TOKEN.match(text, offset)
        if match is None:
            behind = _skip_stray(text, offset, place, report)
            found.append(Token("stray", text[offset:behind], place.line, place.column))
            offset = behind
            continue
        kind = match.lastgroup or ""
        if kind == "open":
            offset = _skip_comment(text, offset, match.group(), place, report)
            continue
        offset = match.end()
        if kind not in ("space", "note"):
            found.append(Token(kind, match.group(), place.line, place.column))
    end = positions.at(len(text))
    found.append(Token("end", "", end.line, end.column))
    return found


def _skip_stray(text: str, offset: int, place: Place, report: Report) -> int:
    """Report a run of characters that belong to nothing once, and go past it."""
    if text[offset] in "'\"":
        report.add(place, "the text literal is not closed on its line")
        end = text.find("\n", offset)
        return len(text) if end < 0 else end
    end = offset + 1
    while end < len(text) and text[end] not in " \t\r\n'\"" and _TOKEN.match(text, end) is None:
        end += 1
    report.add(place, f"{text[offset:end][:20]!a} is not part of Structured Text")
    return end


def _skip_comment(text: str, offset: int, opening: str, place: Place, report: Report) -> int:
    closing = _CLOSING[opening]
    depth, at = 1, offset + len(opening)
    while depth:
        end = text.find(closing, at)
        if end < 0:
            what = "pragma" if opening == "{" else "comment"
            report.add(place, f"the {what} is not closed; expected {closing}")
            return len(text)
        inner = text.find(opening, at, end)
        if inner >= 0:
            depth, at = depth + 1, inner + len(opening)
        else:
            depth, at = depth - 1, end + len(closing)
    return at
