"""The nearest valid word, for mistakes that are most often a slip of the finger."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_LISTED_AT_MOST = 8  # a longer list hides the sentence it belongs to


def nearest_word(word: str, valid: Iterable[str]) -> str | None:
    """The valid word most like `word`, letter case aside; None where nothing comes near."""
    by_folded: dict[str, str] = {}
    for candidate in valid:
        by_folded.setdefault(candidate.casefold(), candidate)
    close = difflib.get_close_matches(word.casefold(), list(by_folded), n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def hint(word: str, valid: Iterable[str]) -> str:
    """A tail for a sentence: `; did you mean 'clamp'?`, or the short list of what may stand there.

    Empty when nothing is near and the list is long or empty.
    """
    words = tuple(valid)
    near = nearest_word(word, words)
    if near is not None:
        return f"; did you mean {near!r}?"
    if 0 < len(words) <= _LISTED_AT_MOST:
        return f"; expected {listing(words)}"
    return ""


def listing(words: Iterable[str]) -> str:
    """Words as a person lists them: `'a'`, `'a' or 'b'`, `'a', 'b' or 'c'`."""
    quoted = [repr(word) for word in words]
    if len(quoted) < 2:
        return "".join(quoted)
    return f"{', '.join(quoted[:-1])} or {quoted[-1]}"
