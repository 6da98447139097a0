"""The timing picture: what each signal did over time, as lines of text of one exact width.

A Boolean signal is drawn on two rows, high and low, with an edge where it changed; a cell with a short
pulse shows the pulse, a cell with more edges than that a double line. A measured quantity is drawn as
eight levels between its least and greatest value, which stand at the right; a cell shows the value farthest
from where the cell began, so that no peak is lost. Any other signal (a step number, a text) is written out
where it changed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

from rich.cells import cell_len, set_cell_size

from bench.report.words import plain, value_text
from bench.trace import Trace, Value
from bench.units import NS_PER_MS, NS_PER_S

# name ending -> unit as printed; a name with one of these endings is drawn as a measured quantity
UNITS = {
    "_mm_s": "mm/s",
    "_mm": "mm",
    "_bar": "bar",
    "_kpa": "kPa",
    "_l_min": "l/min",
    "_ms": "ms",
    "_percent": "%",
    "_ma": "mA",
    "_kg": "kg",
    "_v": "V",
    "_n": "N",
}
LEAST_WIDTH = 24  # below this the lines are cut, for nothing legible fits
_MARK_ROWS = 6  # marks that fit on none of these rows lose their label
_SECONDS_FROM_NS = 10 * NS_PER_S  # axis in seconds from here on

Cell: TypeAlias = tuple[Value | None, list[Value]]


@dataclass(frozen=True, slots=True)
class Mark:
    """Something to point at below the signals: `failed` chooses the sign, `label` stands beside it."""

    t_ns: int
    label: str
    failed: bool = False


@dataclass(frozen=True, slots=True)
class _Glyphs:
    """The characters of a drawing.

    `edges` maps (starts high, ends high, edges in the cell, at most 3) to the upper and lower character.
    """

    edges: dict[tuple[bool, bool, int], tuple[str, str]]
    levels: str
    unknown: str
    divider: str
    seen: str
    failed: str
    rule: str
    tick: str
    to: str


_UNICODE = _Glyphs(
    edges={
        (False, False, 0): (" ", "─"),
        (True, True, 0): ("━", " "),
        (False, True, 1): ("┍", "┘"),
        (True, False, 1): ("┑", "└"),
        (False, False, 2): ("╷", "┴"),
        (True, True, 2): ("┯", "╵"),
        (False, False, 3): ("╥", "╨"),
        (True, True, 3): ("╥", "╨"),
        (False, True, 3): ("╓", "╜"),
        (True, False, 3): ("╖", "╙"),
    },
    levels="▁▂▃▄▅▆▇█",
    unknown="·",
    divider="│",
    seen="▲",
    failed="✗",
    rule="─",
    tick="┴",
    to="…",
)
_ASCII = _Glyphs(
    edges={
        (False, False, 0): (" ", "_"),
        (True, True, 0): ("_", " "),
        (False, True, 1): (" ", "|"),
        (True, False, 1): (" ", "|"),
        (False, False, 2): (" ", "|"),
        (True, True, 2): ("_", "|"),
        (False, False, 3): (" ", "#"),
        (True, True, 3): ("_", "#"),
        (False, True, 3): (" ", "#"),
        (True, False, 3): (" ", "#"),
    },
    levels="_.:-=+*#",
    unknown=".",
    divider="|",
    seen="^",
    failed="X",
    rule="-",
    tick="+",
    to="..",
)


def timing_picture(
    trace: Trace,
    signals: Sequence[str],
    end_ns: int,
    width: int,
    marks: Sequence[Mark] = (),
    *,
    ascii_only: bool = False,
) -> list[str]:
    """Lines of exactly `width` terminal cells, drawing `signals` from 0 to `end_ns`.

    Args:
        end_ns: the right edge; what lies later is drawn in the last cell.
        width: in terminal cells; from 24 on everything fits.
        ascii_only: draw with ASCII signs; names and texts stay as they are.
    """
    glyphs = _ASCII if ascii_only else _UNICODE
    ranges = {signal: _range_of(trace, signal) for signal in signals if is_measured(trace, signal)}
    notes = {signal: _range_text(signal, *limits, glyphs) for signal, limits in ranges.items()}
    frame = _frame(max(width, LEAST_WIDTH), signals, list(notes.values()))
    lines: list[str] = []
    for signal in signals:
        cells = _cells_of(trace.changes(signal), end_ns, frame.axis)
        label, note = _legible(signal, glyphs), notes.get(signal, "")
        if signal in ranges:
            lines.append(frame.line(label, _levels(cells, *ranges[signal], glyphs), note))
        elif _is_boolean(trace, signal):
            upper, lower = _waveform(cells, glyphs)
            lines += [frame.line("", upper), frame.line(label, lower)]
        else:
            lines.append(frame.line(label, _written(cells, glyphs)))
    lines += [frame.line("", row) for row in _mark_rows(marks, end_ns, frame.axis, glyphs)]
    unit, ruler, ticks = _time_axis(end_ns, frame.axis, glyphs)
    lines += [frame.line("", ruler), frame.line(unit, ticks)]
    return [set_cell_size(line, max(width, 0)) for line in lines]


def is_measured(trace: Trace, signal: str) -> bool:
    """Whether `signal` is drawn as a quantity: a known unit in its name, or a float among its values."""
    values = [value for _, value in trace.changes(signal)]
    if any(isinstance(value, str) for value in values):
        return False
    if any(isinstance(value, float) for value in values):
        return True
    return bool(unit_of(signal)) and not all(isinstance(value, bool) for value in values)


def unit_of(signal: str) -> str:
    """The unit that the end of a name states, or empty."""
    lower = signal.lower()
    return next((unit for ending, unit in UNITS.items() if lower.endswith(ending)), "")


def _legible(text: str, glyphs: _Glyphs) -> str:
    """One line of `text`; `?` for each character that an ASCII drawing cannot have."""
    line = plain(text)
    return line.encode("ascii", "replace").decode("ascii") if glyphs is _ASCII else line


@dataclass(frozen=True, slots=True)
class _Frame:
    """Widths of the three columns; `line` joins them with one space between."""

    name: int
    axis: int
    note: int

    def line(self, name: str, drawing: str, note: str = "") -> str:
        shown = f"{_fitted(name, self.name)} {set_cell_size(drawing, self.axis)}"
        return f"{shown} {set_cell_size(note, self.note)}" if self.note else shown


def _fitted(name: str, size: int) -> str:
    """Too long a name keeps its end, where the names of one device differ, behind a `~`."""
    if cell_len(name) <= size:
        return set_cell_size(name, size)
    while cell_len(name) > size - 1:
        name = name[1:]
    return set_cell_size("~" + name, size)


def _frame(width: int, signals: Sequence[str], notes: list[str]) -> _Frame:
    name = min(max([2, *(cell_len(plain(signal)) for signal in signals)]), width * 3 // 10)
    note = min(max([0, *map(cell_len, notes)]), width // 4)
    return _Frame(name, width - name - 1 - (note + 1 if note else 0), note)


def _column(t_ns: int, end_ns: int, columns: int) -> int:
    return min(max(t_ns, 0) * columns // max(end_ns, 1), columns - 1)


def _cells_of(changes: list[tuple[int, Value]], end_ns: int, columns: int) -> list[Cell]:
    """For each column the value before it and the values taken within it."""
    within: list[list[Value]] = [[] for _ in range(columns)]
    for t_ns, value in changes:
        within[_column(t_ns, end_ns, columns)].append(value)
    cells: list[Cell] = []
    before: Value | None = None
    for values in within:
        cells.append((before, values))
        before = values[-1] if values else before
    return cells


def _is_boolean(trace: Trace, signal: str) -> bool:
    return all(isinstance(value, bool) for _, value in trace.changes(signal))


def _waveform(cells: list[Cell], glyphs: _Glyphs) -> tuple[str, str]:
    pairs = [_edge(before, values, glyphs) for before, values in cells]
    return "".join(upper for upper, _ in pairs), "".join(lower for _, lower in pairs)


def _edge(before: Value | None, values: list[Value], glyphs: _Glyphs) -> tuple[str, str]:
    states = [bool(value) for value in ([] if before is None else [before]) + values]
    if not states:
        return " ", glyphs.unknown
    edges = sum(old is not new for old, new in pairwise(states))
    return glyphs.edges[states[0], states[-1], min(edges, 3)]


def _range_of(trace: Trace, signal: str) -> tuple[float, float]:
    values = [float(value) for _, value in trace.changes(signal)]
    return min(values, default=0.0), max(values, default=0.0)


def _range_text(signal: str, low: float, high: float, glyphs: _Glyphs) -> str:
    """Least and greatest value and the unit; four digits are more than eight levels can show."""
    span = f"{low:.4g}" if low == high else f"{low:.4g}{glyphs.to}{high:.4g}"
    return f"{span} {unit_of(signal)}".rstrip()


def _levels(cells: list[Cell], low: float, high: float, glyphs: _Glyphs) -> str:
    return "".join(_level(before, values, low, high, glyphs) for before, values in cells)


def _level(before: Value | None, values: list[Value], low: float, high: float, glyphs: _Glyphs) -> str:
    if before is None and not values:
        return glyphs.unknown
    shown = _farthest(before, values)
    top = len(glyphs.levels) - 1
    # halves first: the difference of two finite floats may not be finite
    share = (shown / 2 - low / 2) / (high / 2 - low / 2) if high / 2 > low / 2 else 0.0
    return glyphs.levels[min(round(share * top), top)]


def _farthest(before: Value | None, values: list[Value]) -> float:
    """Of equally far values the last one."""
    numbers = [float(value) for value in ([] if before is None else [before]) + values]
    first = numbers[0]
    return max(reversed(numbers), key=lambda number: abs(number / 2 - first / 2))


def _written(cells: list[Cell], glyphs: _Glyphs) -> str:
    """The text of each change from its column on, cut where the next one begins."""
    starts = [(column, values[-1]) for column, (_, values) in enumerate(cells) if values]
    ends = [column for column, _ in starts[1:]] + [len(cells)]
    drawn = glyphs.unknown * (starts[0][0] if starts else len(cells))
    for (column, value), end in zip(starts, ends, strict=True):
        drawn += set_cell_size(glyphs.divider + _legible(value_text(value), glyphs), end - column)
    return drawn


def _mark_rows(marks: Sequence[Mark], end_ns: int, columns: int, glyphs: _Glyphs) -> list[str]:
    """Each mark on the first row where it touches no other; failures first, nearest to the signals."""
    rows: list[list[str]] = []
    for mark in sorted(marks, key=lambda mark: (not mark.failed, mark.t_ns)):
        sign = glyphs.failed if mark.failed else glyphs.seen
        column = _column(mark.t_ns, end_ns, columns)
        start, text = _placed(column, sign, _legible(mark.label, glyphs), columns)
        row = next((row for row in rows if _is_free(row, start, len(text))), None)
        if row is None and len(rows) < _MARK_ROWS:
            row = [" "] * columns
            rows.append(row)
        if row is None:
            start, text, row = column, sign, rows[-1]
        row[start : start + len(text)] = text
    return ["".join(row) for row in rows]


def _placed(column: int, sign: str, label: str, columns: int) -> tuple[int, str]:
    """The label stands right of its sign, or left of it at the right edge, or nowhere."""
    if column + 1 + len(label) <= columns:
        return column, sign + label
    if column >= len(label):
        return column - len(label), label + sign
    return column, sign


def _is_free(row: list[str], start: int, length: int) -> bool:
    return not "".join(row[max(start - 1, 0) : start + length + 1]).strip()


def _time_axis(end_ns: int, columns: int, glyphs: _Glyphs) -> tuple[str, str, str]:
    """Unit, ruler and tick labels; a label starts under its tick, or ends at the right edge."""
    unit, scale = ("s", NS_PER_S) if end_ns >= _SECONDS_FROM_NS else ("ms", NS_PER_MS)
    step_ns = _tick_step(end_ns, columns, scale)
    ruler, labels = [glyphs.rule] * columns, [" "] * columns
    for t_ns in range(0, max(end_ns, 0) + 1, step_ns):
        column, text = _column(t_ns, end_ns, columns), _tick_text(t_ns, scale)
        ruler[column] = glyphs.tick
        start = max(min(column, columns - len(text)), 0)
        if _is_free(labels, start, len(text)):
            labels[start : start + len(text)] = text
    return unit, "".join(ruler), "".join(labels)


def _tick_step(end_ns: int, columns: int, scale: int) -> int:
    """The smallest of 1, 2, 5 times a power of ten whose labels keep two cells apart."""
    power = 1
    while True:
        for factor in (1, 2, 5):
            step_ns = factor * power
            last_ns = max(end_ns, 0) // step_ns * step_ns
            widest = max(len(_tick_text(t_ns, scale)) for t_ns in (last_ns, max(last_ns - step_ns, 0)))
            if step_ns * columns >= (widest + 2) * end_ns:
                return step_ns
        power *= 10


def _tick_text(t_ns: int, scale: int) -> str:
    return f"{t_ns / scale:.9f}".rstrip("0").rstrip(".")
