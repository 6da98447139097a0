"""Append-only record of every signal change, and its text form.

Text form: JSON lines in ASCII. The first line says what the file is; every further line is one change,
in the order it was recorded:

    {"format":"drycycle-trace","version":1,"time_unit":"ns","sha256":"0f3a..."}
    {"t_ns":412000000,"signal":"TrayClamped","value":true}

`sha256` is the digest of the lines of changes, each with its line feed; a reader that finds another one
refuses the file. The title of the scenario may follow it as `scenario`. The key order is fixed and floats
stand in their shortest exact form, so equal runs give equal bytes.
"""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from sys import maxsize
from typing import NoReturn, TypeAlias

from bench.errors import LocalError, Mistake, WrongFiles

Value: TypeAlias = bool | int | float | str

FORMAT = "drycycle-trace"
VERSION = 1
_HEADER = f'{{"format":"{FORMAT}","version":{VERSION},"time_unit":"ns"}}'


@dataclass(frozen=True, slots=True)
class Change:
    """`signal` took `value` at bench time `t_ns`."""

    t_ns: int
    signal: str
    value: Value


class Trace:
    """Every change of every signal, in the order recorded; times never decrease.

    Args:
        keep: forget the oldest changes, but never one of the newest `keep`; None forgets nothing.
    """

    __slots__ = ("_indexes", "_keep", "_last", "_log", "_most", "_newest_ns")

    def __init__(self, keep: int | None = None) -> None:
        # `add` runs about 10^4 times per simulated second, mostly with an unchanged value: that path is
        # one comparison and one dict look-up. `_indexes` finds a signal's changes in the common log.
        self._log: list[tuple[int, str, Value]] = []
        self._last: dict[str, Value] = {}
        self._indexes: dict[str, list[int]] = {}
        self._newest_ns = 0
        self._keep = keep or 0
        self._most = maxsize if keep is None else 2 * max(keep, 1)

    def __len__(self) -> int:
        """Number of changes recorded."""
        return len(self._log)

    def add(self, t_ns: int, signal: str, value: Value) -> None:
        """Record that `signal` has `value` from `t_ns` on; a value equal to the present one is ignored.

        Raises:
            LocalError: `t_ns` is before the newest change (or negative), or a float is not finite; the
                trace is as before.
        """
        if t_ns < self._newest_ns:
            self._refuse_time(t_ns, signal)
        if self._last.get(signal) == value:
            return
        if isinstance(value, float) and not isfinite(value):
            raise LocalError(f"{signal} at {t_ns} ns: {value} is not a finite number")
        self._newest_ns = t_ns
        self._last[signal] = value
        indexes = self._indexes.get(signal)
        if indexes is None:
            indexes = self._indexes[signal] = []
        indexes.append(len(self._log))
        self._log.append((t_ns, signal, value))
        if len(self._log) > self._most:
            self._forget()

    def _forget(self) -> None:
        gone = len(self._log) - self._keep
        del self._log[:gone]
        for signal, indexes in self._indexes.items():
            self._indexes[signal] = [index - gone for index in indexes if index >= gone]

    def _refuse_time(self, t_ns: int, signal: str) -> NoReturn:
        raise LocalError(f"{signal}: {t_ns} ns is before {self._newest_ns} ns, already in the trace")

    def value(self, signal: str) -> Value | None:
        """The newest value, or None for a signal never seen."""
        return self._last.get(signal)

    def value_at(self, signal: str, t_ns: int) -> Value | None:
        """The value at the end of instant `t_ns`, or None before the first one."""
        indexes = self._indexes.get(signal, [])
        after = bisect_right(indexes, t_ns, key=self._time_of)
        return self._log[indexes[after - 1]][2] if after else None

    def changes(self, signal: str, since_ns: int = 0) -> list[tuple[int, Value]]:
        """`(t_ns, value)` of each change at or after `since_ns`, oldest first; the first value counts."""
        indexes = self._indexes.get(signal, [])
        start = bisect_left(indexes, since_ns, key=self._time_of)
        log = self._log
        return [(log[index][0], log[index][2]) for index in indexes[start:]]

    def last_changes(self, signals: Iterable[str], count: int = 5) -> list[Change]:
        """The newest `count` changes among `signals` taken together, newest last."""
        if count <= 0:
            return []
        found: set[int] = set()
        for signal in signals:
            found.update(self._indexes.get(signal, [])[-count:])
        return [Change(*self._log[index]) for index in sorted(found)[-count:]]

    def count(self, signal: str, *, rising: bool) -> int:
        """How often the signal went from false (0, empty) to true, or the other way if not `rising`.

        The first value recorded is where the signal starts, not an edge.
        """
        states = [bool(self._log[index][2]) for index in self._indexes.get(signal, [])]
        return sum(new is rising and old is not rising for old, new in pairwise(states))

    def signals(self) -> tuple[str, ...]:
        """Names in the order they were first seen."""
        return tuple(self._indexes)

    def all_changes(self) -> Iterator[Change]:
        """Every change, in the order recorded."""
        return (Change(*entry) for entry in self._log)

    def lines(self, scenario: str = "") -> Iterator[str]:
        """The text form, without line ends: the header (with the scenario's title), one line a change."""
        title = f',"scenario":{json.dumps(scenario)}' if scenario else ""
        yield f'{_HEADER[:-1]},"sha256":"{self.digest()}"{title}}}'
        yield from self._change_lines()

    def digest(self) -> str:
        """SHA-256 over the change lines, each ended by a line feed; hex digits."""
        total = hashlib.sha256()
        for line in self._change_lines():
            total.update(line.encode("ascii"))
            total.update(b"\n")
        return total.hexdigest()

    def _change_lines(self) -> Iterator[str]:
        names = {signal: json.dumps(signal) for signal in self._indexes}
        dumps = json.dumps
        for t_ns, signal, value in self._log:
            yield f'{{"t_ns":{t_ns},"signal":{names[signal]},"value":{dumps(value)}}}'

    def _time_of(self, index: int) -> int:
        return self._log[index][0]


def read_lines(lines: Iterable[str], file: str) -> Trace:
    """The trace whose text form is `lines`; blank lines are skipped.

    Args:
        lines: with or without line ends.
        file: name for the messages.

    Raises:
        WrongFiles: every line that is not of the form above, with its line number.
    """
    trace = Trace()
    mistakes: list[Mistake] = []
    header: dict[str, object] | None = None
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            if header is None:
                header = {}
                header = _header_of(line)
            else:
                trace.add(*_change_of(line))
        except _BadLine as bad:
            mistakes.append(Mistake(file, number, bad.column, "", bad.sentence))
        except LocalError as refused:
            mistakes.append(Mistake(file, number, 1, "", str(refused)))
    if header is None:
        mistakes.append(Mistake(file, 1, 1, "", f"the file is empty; expected the line {_HEADER}"))
    elif not mistakes and header.get("sha256", trace.digest()) != trace.digest():
        sentence = f"the changes below have the digest {trace.digest()}: the file was changed or is cut off"
        mistakes.append(Mistake(file, 1, 1, "sha256", sentence))
    if mistakes:
        raise WrongFiles(mistakes)
    return trace


class _BadLine(Exception):
    def __init__(self, sentence: str, column: int = 1) -> None:
        self.sentence = sentence
        self.column = column
        super().__init__(sentence)


def _object_of(line: str) -> dict[str, object]:
    try:
        found = json.loads(line, parse_constant=_refuse_constant)
    except json.JSONDecodeError as bad:
        raise _BadLine(f"not a JSON object: {bad.msg}", bad.colno) from None
    except (ValueError, RecursionError):
        raise _BadLine("not a JSON object: a number too long or braces too deep") from None
    if not isinstance(found, dict):
        raise _BadLine("expected a JSON object in braces")
    return found


def _refuse_constant(word: str) -> NoReturn:
    raise _BadLine(f"{word} is not a value; expected a finite number")


def _header_of(line: str) -> dict[str, object]:
    header = _object_of(line)
    if header.get("format") != FORMAT:
        raise _BadLine(f"not a trace: expected the first line {_HEADER}")
    if header.get("version") != VERSION:
        raise _BadLine(f"trace version {header.get('version')!r} is not known; expected {VERSION}")
    return header


def _change_of(line: str) -> tuple[int, str, Value]:
    found = _object_of(line)
    if set(found) != {"t_ns", "signal", "value"}:
        names = ", ".join(found) or "none"
        raise _BadLine(f"expected the keys t_ns, signal, value; got {names}")
    t_ns, signal, value = found["t_ns"], found["signal"], found["value"]
    if not isinstance(t_ns, int) or isinstance(t_ns, bool):
        raise _BadLine(f"t_ns: expected a whole number of nanoseconds, got {t_ns!r}")
    if not isinstance(signal, str):
        raise _BadLine(f"signal: expected a name, got {signal!r}")
    if not isinstance(value, bool | int | float | str):
        raise _BadLine("value: expected true, false, a number or a text")
    return t_ns, signal, value
