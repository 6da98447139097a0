"""Collecting mistakes with their positions, and finding the nearest valid word."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Protocol

from bench.errors import Mistake, WrongFiles


class Placed(Protocol):
    """Anything that knows where it stands in the text; both count from 1."""

    @property
    def line(self) -> int: ...

    @property
    def column(self) -> int: ...


class Report:
    """Every mistake of one text, kept until all of them are known.

    Args:
        file: name that the mistakes carry.
        line, column: where the text starts inside that file; (1, 1) for a file of its own.
    """

    def __init__(self, file: str, line: int = 1, column: int = 1) -> None:
        self.file = file
        self.unit = ""
        self._line = line
        self._column = column
        self._mistakes: dict[Mistake, None] = {}

    def add(self, at: Placed, sentence: str, *, warning: bool = False) -> None:
        """Note one mistake at a token or node of the text."""
        column = at.column + (self._column - 1 if at.line == 1 else 0)
        line = at.line + self._line - 1
        self._mistakes[Mistake(self.file, line, column, self.unit, sentence, warning)] = None

    @property
    def failed(self) -> bool:
        return any(not mistake.warning for mistake in self._mistakes)

    def warnings(self) -> tuple[Mistake, ...]:
        """The warnings alone, in file order."""
        return tuple(sorted(mistake for mistake in self._mistakes if mistake.warning))

    def raise_if_failed(self) -> None:
        """Raise WrongFiles with everything noted, in file order, if anything is an error."""
        if self.failed:
            raise WrongFiles(sorted(self._mistakes))


def nearest(word: str, words: Iterable[str]) -> str | None:
    """The valid word closest in spelling, or None when nothing is near; letter case is ignored."""
    by_fold = {valid.casefold(): valid for valid in words}
    found = get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.5)
    return by_fold[found[0]] if found else None


def hint(word: str, words: Iterable[str]) -> str:
    """A clause to append to a sentence: `; nearest is Start`, or nothing."""
    near = nearest(word, words)
    return f"; nearest is {near}" if near else ""
