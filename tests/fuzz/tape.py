"""A byte string read as decisions, so that a fuzzer that knows bytes only can steer a whole session."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TypeVar

T = TypeVar("T")

_PLAIN_BELOW = 0xC0  # most things stay as they are valid, else no session would get far
_MOST_EDITS = 4


class Tape:
    """Reads from the front; behind the end everything is 0, which always means "the plain thing"."""

    __slots__ = ("_at", "_data")

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def byte(self) -> int:
        at = self._at
        self._at = at + 1
        return self._data[at] if at < len(self._data) else 0

    def number(self, size: int) -> int:
        """A whole number of *size* bytes, little-endian."""
        return int.from_bytes(self.take(size), "little")

    def take(self, size: int) -> bytes:
        """The next bytes, fewer at the end."""
        at = self._at
        self._at = at + size
        return self._data[at : at + size]

    def rest(self) -> bytes:
        return self.take(len(self._data))

    def pick(self, options: Sequence[T]) -> T:
        """One of *options*; the first is the plain one."""
        return options[self.byte() % len(options)]

    def steps(self, most: int) -> Iterator[tuple[int, Tape]]:
        """The tape as steps: a number, the length of its arguments, the arguments.

        So a step that is cut out or put in leaves the meaning of all others.
        """
        for _ in range(most):
            if self._at >= len(self._data):
                return
            number = self.byte()
            yield number, Tape(self.take(self.byte()))

    def bend(self, data: bytes) -> bytes:
        """*data*, most of the time; else with bytes replaced, cut off, put in or repeated."""
        plan = self.byte()
        if plan < _PLAIN_BELOW:
            return data
        for _ in range(1 + plan % _MOST_EDITS):
            data = self._edit(data)
        return data

    def _edit(self, data: bytes) -> bytes:
        kind = self.byte() % 5
        at = self.number(2) % (len(data) + 1)
        if kind == 0:
            return data[:at] + self.take(1) + data[at + 1 :]
        if kind == 1:
            return data[:at]
        if kind == 2:
            return data[:at] + self.take(self.byte() % 16) + data[at:]
        if kind == 3:
            return data[:at] + self.pick((b"\xff\xff", b"\0\0", b"\xff", b"\x80", b"\x7f")) + data[at + 2 :]
        return data[:at] + data[at : at + self.byte()] + data[at:]


def step(number: int, *arguments: int) -> bytes:
    """One step of a tape, for seeds."""
    return bytes((number, len(arguments), *arguments))
