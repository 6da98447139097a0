"""Collecting what is wrong with an EDS file, a bounded number of times."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from itertools import islice

from bench.errors import Mistake, WrongFiles

MOST_MISTAKES = 100  # nobody reads more, and a hostile file must not make more
_MOST_WORDS = 500
_LONGEST_WORD = 64
_SHOWN = 40


class Mistakes:
    """Mistakes of one file; raised all at once."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._found: dict[Mistake, None] = {}  # one parameter may be wrong for many connections

    def add(self, line: int, column: int, path: str, sentence: str) -> None:
        if len(self._found) < MOST_MISTAKES:
            self._found.setdefault(Mistake(self.file, line, column, path, sentence))

    @property
    def full(self) -> bool:
        return len(self._found) >= MOST_MISTAKES

    def raise_any(self) -> None:
        """WrongFiles with every mistake, in file order; nothing when there is none."""
        if self._found:
            raise WrongFiles(sorted(self._found))


def hint(word: str, valid: Iterable[str]) -> str:
    """`; did you mean 'Param1'?`, or nothing; the work is bounded whatever the file holds."""
    if len(word) > _LONGEST_WORD:
        return ""
    words = [text for text in islice(valid, _MOST_WORDS) if len(text) <= _LONGEST_WORD]
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def shown(text: str) -> str:
    """A piece of the file for a sentence, cut where it is long."""
    return ascii(text if len(text) <= _SHOWN else text[:_SHOWN] + "...")
