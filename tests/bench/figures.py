"""What is made of samples: quantiles, and a table of cases and subjects."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

LABEL_COLUMNS = 28
WIDEST = 110
RATIO_COLUMNS = 10


def quantile(ascending: Sequence[float], share: float) -> float:
    """The sample below which *share* of all lie; nearest rank, so it is a value that was seen."""
    if not ascending:
        return float("nan")
    return ascending[min(len(ascending) - 1, max(0, -int(-share * len(ascending) // 1) - 1))]


@dataclass(frozen=True, slots=True)
class Spread:
    """Median, 99th percentile and maximum of samples, in the samples' unit."""

    count: int
    median: float
    p99: float
    most: float

    @classmethod
    def of(cls, samples: Iterable[float]) -> Spread:
        ascending = sorted(samples)
        if not ascending:
            return cls(0, float("nan"), float("nan"), float("nan"))
        return cls(len(ascending), quantile(ascending, 0.5), quantile(ascending, 0.99), ascending[-1])


def gaps_ms(arrivals_ns: Sequence[int]) -> list[float]:
    """Time from each arrival to the next, ms."""
    return [(after - before) / 1e6 for before, after in itertools.pairwise(arrivals_ns)]


def per_second(arrivals_ns: Sequence[int]) -> float:
    """Arrivals a second between the first and the last; 0 for fewer than two."""
    if len(arrivals_ns) < 2:
        return 0.0
    return (len(arrivals_ns) - 1) * 1e9 / (arrivals_ns[-1] - arrivals_ns[0])


def missing(numbers: Sequence[int]) -> int:
    """How many 32-bit sequence numbers are absent between the first and the last of *numbers*."""
    if not numbers:
        return 0
    due = ((numbers[-1] - numbers[0]) & 0xFFFF_FFFF) + 1
    return due - len(set(numbers))


@dataclass(slots=True)
class Table:
    """Rows are cases, columns are subjects; the last column is ours as a ratio to the floor.

    A cell is a number or a short word ("refused"); `notes` explain the words below the table.
    """

    title: str
    subjects: list[str]
    floor: str
    write: Callable[[str], object] = sys.stdout.write
    notes: list[str] = field(default_factory=list)
    _ours: str = "ours"

    def head(self) -> None:
        self.write(f"\n{self.title}\n")
        self._line("", self.subjects, f"/{self.floor}")

    def row(
        self, case: str, cells: dict[str, float | str], form: str = ".2f", goal: float | None = None
    ) -> None:
        """One case. With a *goal* the most that ours may be is judged at the end of the line."""
        texts = [_text(cells.get(subject, "-"), form) for subject in self.subjects]
        ours, floor = cells.get(self._ours), cells.get(self.floor)
        ratio = ""
        if isinstance(ours, int | float) and isinstance(floor, int | float) and floor:
            ratio = f"{ours / floor:.3f}"
        judged = ""
        if goal is not None and isinstance(ours, int | float):
            judged = "ok" if ours <= goal else "MISS"
        self._line(case, texts, f"{ratio} {judged}".strip())

    def tail(self) -> None:
        for note in dict.fromkeys(self.notes):
            for start in range(0, len(note), WIDEST - 2):
                self.write(f"  {note[start : start + WIDEST - 2]}\n")

    def _line(self, case: str, texts: Sequence[str], last: str) -> None:
        width = (WIDEST - LABEL_COLUMNS - RATIO_COLUMNS - 2) // max(1, len(self.subjects))
        cells = "".join(f"{text[: width - 1]:>{width}}" for text in texts)
        self.write(f"{case:{LABEL_COLUMNS}}{cells}  {last}".rstrip() + "\n")


def _text(cell: float | str, form: str) -> str:
    return cell if isinstance(cell, str) else format(cell, form)
