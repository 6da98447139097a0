"""Mistakes in the person's files, in the form that editors and build logs turn into links."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from bench.errors import Mistake
from bench.report.points import encodable
from bench.report.words import counted, plain


def render_mistakes(mistakes: Sequence[Mistake], console: Console) -> None:
    """One unwrapped line `file:line:column: path: sentence` each, in the order given, then the count."""
    for mistake in mistakes:
        text = encodable(plain(str(mistake)), console)
        line = Text(text, style="yellow" if mistake.warning else "")
        console.print(line, soft_wrap=True)
    console.print(Text(count_text(mistakes), style="bold"))


def count_text(mistakes: Sequence[Mistake]) -> str:
    """`2 mistakes and 1 warning in 1 file`."""
    warnings = sum(mistake.warning for mistake in mistakes)
    found = counted(len(mistakes) - warnings, "mistake")
    if warnings:
        found += f" and {counted(warnings, 'warning')}"
    return f"{found} in {counted(len({mistake.file for mistake in mistakes}), 'file')}"
