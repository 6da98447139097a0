from __future__ import annotations

import io
from dataclasses import dataclass
from enum import Enum

from rich.console import Console

from bench.errors import Mistake
from bench.report.mistakes import count_text, render_mistakes
from bench.report.points import render_points


class Direction(Enum):
    INPUT = "input"


@dataclass(frozen=True)
class Point:
    tag: str
    module: str
    byte: int
    bit: int
    direction: object
    device: str | None
    contact: str | None
    tagged: bool = True


def written(console: Console) -> list[str]:
    assert isinstance(console.file, io.StringIO)
    return [line.rstrip() for line in console.file.getvalue().splitlines()]


def test_point_table() -> None:
    console = Console(file=io.StringIO(), width=80)
    places = [
        Point("Start", "DI", 1, 1, Direction.INPUT, "start_button", "NO"),
        Point("Spare [red]", "VB", 0, 7, "output", None, None),
    ]
    render_points(places, console)
    assert written(console) == [
        "tag          module  byte.bit  direction  device        contact",
        "────────────────────────────────────────────────────────────────",
        "Start        DI           1.1  input      start_button  NO",
        "Spare [red]  VB           0.7  output",
        "2 points",
    ]


def test_mistakes_are_one_line_each_then_the_count() -> None:
    console = Console(file=io.StringIO(), width=40)
    long = "a sentence that is longer than the width of this console, yet [bold]one[/bold] line"
    mistakes = [
        Mistake("a.yaml", 3, 5, "points.Start.at", long),
        Mistake("a.yaml", 9, 1, "", "odd", warning=True),
    ]
    render_mistakes(mistakes, console)
    assert written(console) == [
        f"a.yaml:3:5: points.Start.at: {long}",
        "a.yaml:9:1: warning: odd",
        "1 mistake and 1 warning in 1 file",
    ]


def test_no_mistakes() -> None:
    assert count_text([]) == "0 mistakes in 0 files"


def test_a_console_without_the_character_gets_an_escape() -> None:
    raw = io.BytesIO()
    console = Console(file=io.TextIOWrapper(raw, encoding="ascii", write_through=True), width=80)
    render_mistakes([Mistake("é.yaml", 1, 1, "", "x")], console)
    assert raw.getvalue().splitlines()[0] == b"\\xe9.yaml:1:1: x"
