"""An EDS file as values: sections, entries, fields, each with its place in the text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum


class FieldKind(Enum):
    EMPTY = "an empty field"
    STRING = "a quoted string"
    WORD = "a word or number"
    SET = "a set in braces"


@dataclass(frozen=True, slots=True)
class Field:
    """One value between commas; `text` is without its quotes. Lines and columns count from 1."""

    text: str
    kind: FieldKind
    line: int
    column: int

    @property
    def number(self) -> int | None:
        """The whole number written here, decimal or 0x; None where it is none."""
        if self.kind is not FieldKind.WORD or len(self.text) > 20:  # no number of an EDS is longer
            return None
        text = self.text.lower()
        base = 16 if text.startswith("0x") else 10
        digits = text.removeprefix("0x").removeprefix("+" if base == 10 else "")
        if not digits.isascii() or not digits.isalnum():  # int() alone would take "1_0" and " 1"
            return None
        try:
            return int(digits, base)
        except ValueError:
            return None

    @property
    def empty(self) -> bool:
        return self.kind is FieldKind.EMPTY


@dataclass(frozen=True, slots=True)
class Entry:
    """`keyword = field, field;`"""

    keyword: str
    fields: tuple[Field, ...]
    line: int
    column: int

    def at(self, index: int) -> Field:
        """Field *index* from 0; a field that was left away at the end is an empty one."""
        if index < len(self.fields):
            return self.fields[index]
        return Field("", FieldKind.EMPTY, self.line, self.column)


@dataclass(frozen=True, slots=True)
class Section:
    """`[keyword]` and its entries in file order."""

    keyword: str
    line: int
    column: int
    entries: Mapping[str, Entry] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Eds:
    """A whole file: sections in file order; `file` names it in mistakes."""

    file: str
    sections: Mapping[str, Section]

    def entries(self, section: str) -> Mapping[str, Entry]:
        """The entries of a section; none where there is no such section."""
        found = self.sections.get(section)
        return found.entries if found else {}

    def value(self, section: str, keyword: str, index: int = 0) -> str:
        """The text of a field; empty where there is no such entry."""
        entry = self.entries(section).get(keyword)
        return entry.at(index).text if entry else ""
