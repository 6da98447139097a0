"""Pieces of EDS text: quoted strings, entries of many fields, words for comments. ASCII throughout."""

from __future__ import annotations

from collections.abc import Sequence

from bench.eds.flags import DirectionFlags

Row = tuple[str, str]  # fields, comment


def entry_lines(keyword: str, rows: Sequence[Row]) -> list[str]:
    """An entry of many fields, a row a line, each with its comment."""
    lines = [f"        {keyword} ="]
    for number, (text, comment) in enumerate(rows, 1):
        end = ";" if number == len(rows) else ","
        lines.append(f"                {text}{end}".ljust(48) + f" $ {plain(comment)}")
    return lines


def place_text(place: int) -> str:
    return f"byte {place // 8} bit {place % 8}"


def types_text(flags: DirectionFlags) -> str:
    return " or ".join(kind.name.lower().replace("_", " ") for kind in flags.types)


def hex_text(data: bytes) -> str:
    return data.hex(" ").upper()


def plain(text: str) -> str:
    """Printable ASCII; anything else becomes a question mark."""
    return "".join(letter if " " <= letter <= "~" else "?" for letter in text)


def quoted(text: str, longest: int | None = None) -> str:
    """A quoted string for a person. Importers differ in escapes, so quotes and backslashes are replaced."""
    safe = plain(text).replace('"', "'").replace("\\", "/")
    if longest is not None and len(safe) > longest:
        safe = safe[: longest - 3] + "..."
    return f'"{safe}"'


def quoted_exactly(text: str) -> str:
    """A quoted string that must read back as it was."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'
