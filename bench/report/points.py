"""The table of points: which bit is which tag, and what hangs on it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from enum import Enum
from itertools import groupby
from typing import Protocol

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bench.report.words import counted, plain


class Place(Protocol):
    """What a row needs; any of the last three may be an enum, a text or None."""

    @property
    def tag(self) -> str: ...
    @property
    def tagged(self) -> bool: ...
    @property
    def module(self) -> str: ...
    @property
    def byte(self) -> int: ...
    @property
    def bit(self) -> int: ...
    @property
    def direction(self) -> object: ...
    @property
    def device(self) -> object: ...
    @property
    def contact(self) -> object: ...


def render_points(places: Iterable[Place], console: Console) -> None:
    """One row a point in the order given, then how many there are; `byte.bit` counts within the image."""
    table = bare_table(console)
    for name in ("tag", "module", "byte.bit", "direction", "device", "contact"):
        table.add_column(name, justify="right" if name == "byte.bit" else "left", overflow="fold")
    count = 0
    for first, last in _runs(places):
        words = (
            _span(first.tag, last.tag),
            first.module,
            _span(f"{first.byte}.{first.bit}", f"{last.byte}.{last.bit}"),
        )
        ends = (first.direction, _span(first.device, last.device), first.contact)
        table.add_row(*(Text(shown(word, console)) for word in (*words, *ends)))
        count += (last.byte - first.byte) * 8 + last.bit - first.bit + 1
    console.print(table)
    console.print(Text(counted(count, "point")))


def _runs(places: Iterable[Place]) -> Iterator[tuple[Place, Place]]:
    """First and last of each row: a point with a tag, or neighbours without one in the same module."""
    for _, run in groupby(places, lambda place: place.tag if place.tagged else (place.module,)):
        row = list(run)
        yield row[0], row[-1]


def _span(first: object, last: object) -> object:
    return first if first == last else f"{first} to {last}"


def bare_table(console: Console) -> Table:
    """Columns two cells apart and no frame; a rule below the header where the console can draw one."""
    ascii_only = console.options.ascii_only
    frame = None if ascii_only else box.SIMPLE_HEAD  # its divider is one blank of the two
    gap = 2 if ascii_only else 1
    return Table(box=frame, show_edge=False, padding=(0, gap, 0, 0), header_style="bold")


def shown(word: object, console: Console) -> str:
    """`word` as one line that `console` can encode: an enum by its value, None as nothing."""
    if isinstance(word, Enum):
        word = word.value
    return encodable(plain("" if word is None else str(word)), console)


def encodable(text: str, console: Console) -> str:
    """`text` with `\\u` escapes in place of characters that the console's encoding does not have."""
    return text.encode(console.encoding, "backslashreplace").decode(console.encoding)
