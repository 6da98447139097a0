"""The connections an EDS promises, with every reference to a parameter or an assembly followed.

Fields of a connection entry in order, as in open EDS files: trigger and transport, connection
parameters, O->T packet interval, size, format; T->O the same; size and format of the configuration for
a proxy, then for the target; name, help, path. Sizes are data bytes: neither count nor header is in
them. A size left empty is the assembly's.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bench.eds.document import Eds, Entry, Field, FieldKind
from bench.eds.flags import DirectionFlags, RealTimeFormat, Transport, Trigger
from bench.eds.mistakes import Mistakes, shown
from bench.eds.references import MOST_BYTES, References, RpiRange
from bench.eip.cyclic import Dress
from bench.eip.forward_open import ConnectionType

SECTION = "Connection Manager"
MOST_CONNECTIONS = 500
# an entry may name a parameter where a path has its byte
_PATH_PIECE = re.compile(r"([0-9A-Fa-f]{2})|\[(\w{1,40})\]", re.ASCII)
_NUMBERED = re.compile(r"Connection([0-9]{1,5})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Direction:
    """One direction: its packet interval in microseconds, data bytes, format, and what may be asked."""

    rpi: RpiRange
    size: int
    format: RealTimeFormat
    types: tuple[ConnectionType, ...]
    priorities: tuple[int, ...]
    fixed: bool
    variable: bool

    def dress(self, counted: bool) -> Dress:
        """What a frame carries around the data; `counted`: transport class 1."""
        return Dress(counted, self.format is RealTimeFormat.HEADER)

    def wire_size(self, counted: bool = True) -> int:
        """The connection size of a Forward Open."""
        return self.size + self.dress(counted).overhead


@dataclass(frozen=True, slots=True)
class EdsConnection:
    """One `Connection` entry, resolved. `kinds` are application types by name ("exclusive owner").

    `configuration` is what the target's configuration assembly starts with, for the path's data
    segment; `proxy_size` the bytes of configuration meant for a proxy.
    """

    number: int
    name: str
    help: str
    kinds: tuple[str, ...]
    classes: tuple[int, ...]
    triggers: tuple[Trigger, ...]
    ot: Direction
    to: Direction
    configuration: bytes
    proxy_size: int
    path: bytes

    @property
    def path_text(self) -> str:
        return self.path.hex(" ").upper()


def connections(eds: Eds) -> tuple[EdsConnection, ...]:
    """Every connection of the file, in file order.

    Raises:
        WrongFiles: every mistake, each with line and column: no connection at all, a reference to
            nothing, a size that its assembly does not have, a path that is no path.
    """
    mistakes = Mistakes(eds.file)
    references = References(eds, mistakes)
    found: list[EdsConnection] = []
    for keyword, entry in eds.entries(SECTION).items():
        match = _NUMBERED.fullmatch(keyword)
        if not match or mistakes.full:
            continue
        if len(found) >= MOST_CONNECTIONS:
            mistakes.add(entry.line, entry.column, SECTION, f"more than {MOST_CONNECTIONS} connections")
            break
        found.append(_Connection(references, mistakes, entry).resolve(int(match[1])))
    if not found:
        section = eds.sections.get(SECTION)
        line, column = (section.line, section.column) if section else (1, 1)
        mistakes.add(line, column, SECTION, "no connection; expected at least an entry Connection1")
    mistakes.raise_any()
    return tuple(found)


class _Connection:
    """Resolves one entry. After a mistake it goes on with a neutral value, so that all are found."""

    def __init__(self, references: References, mistakes: Mistakes, entry: Entry) -> None:
        self._references = references
        self._mistakes = mistakes
        self._entry = entry

    def resolve(self, number: int) -> EdsConnection:
        transport = self._transport()
        raw = self._word(1, "connection parameters")
        configuration = self._configuration(10, 11)
        return EdsConnection(
            number=number,
            name=self._entry.at(12).text,
            help=self._entry.at(13).text,
            kinds=transport.kinds,
            classes=transport.classes,
            triggers=transport.triggers,
            ot=self._direction("O->T", DirectionFlags.decode(raw, False), 2),
            to=self._direction("T->O", DirectionFlags.decode(raw, True), 5),
            configuration=configuration,
            proxy_size=self._size(8, 9, "proxy configuration"),
            path=self._connection_path(),
        )

    def _wrong(self, index: int, sentence: str) -> None:
        at = self._entry.at(index)
        self._mistakes.add(at.line, at.column, f"{SECTION}.{self._entry.keyword}", sentence)

    def _word(self, index: int, name: str) -> int:
        number = self._entry.at(index).number
        if number is None or number > 0xFFFF_FFFF:
            got = shown(self._entry.at(index).text)
            self._wrong(index, f"{name}: expected a 32-bit number such as 0x04010002, got {got}")
            return 0
        return number

    def _transport(self) -> Transport:
        raw = self._word(0, "trigger and transport")
        transport = Transport.decode(raw)
        if raw and not transport.kinds:
            self._wrong(
                0, "no application type; expected one of bits 24 (listen only) to 27 (redundant owner)"
            )
        if raw and not transport.triggers:
            self._wrong(0, "no trigger; expected one of bits 16 (cyclic), 17 and 18")
        if raw and not transport.classes:
            self._wrong(0, "no transport class; expected bit 1, class 1, or another of bits 0 to 15")
        return transport

    def _direction(self, name: str, flags: DirectionFlags, index: int) -> Direction:
        if not flags.types:
            self._wrong(1, f"{name} has no connection type; expected multicast or point to point")
        if flags.format not in set(RealTimeFormat):
            self._wrong(1, f"{name} real-time format {flags.format}; expected 0, 1, 3 or 4")
        form = (
            RealTimeFormat(flags.format) if flags.format in set(RealTimeFormat) else RealTimeFormat.MODELESS
        )
        size = self._size(index + 1, index + 2, name)
        if form is RealTimeFormat.HEARTBEAT and size:
            self._wrong(index + 1, f"{name} is a heartbeat and has {size} bytes; expected 0")
        rpi = self._references.rpi(self._entry.at(index), f"{SECTION}.{self._entry.keyword}", name)
        return Direction(rpi, size, form, flags.types, flags.priorities, flags.fixed, flags.variable)

    def _size(self, size_index: int, format_index: int, name: str) -> int:
        """Data bytes: the number or parameter written, else the assembly's; both must be the same."""
        path = f"{SECTION}.{self._entry.keyword}"
        size_field, format_field = self._entry.at(size_index), self._entry.at(format_index)
        of_format = self._references.assembly_size(format_field, path)
        if size_field.empty:
            return of_format or 0
        size = self._references.number(size_field, path, f"{name} size", MOST_BYTES)
        if of_format is not None and size is not None and size != of_format:
            self._wrong(
                size_index,
                f"{name} has {size} bytes, but {format_field.text} has {of_format}; expected the same",
            )
        return size or 0

    def _configuration(self, size_index: int, format_index: int) -> bytes:
        size = self._size(size_index, format_index, "configuration")
        path = f"{SECTION}.{self._entry.keyword}"
        return self._references.image(self._entry.at(format_index), path)[:size].ljust(size, b"\0")

    def _connection_path(self) -> bytes:
        at = self._entry.at(14)
        if at.kind is not FieldKind.STRING:
            self._wrong(14, 'expected the path as a quoted string such as "20 04 24 97 2C 96 2C 64"')
            return b""
        path = b"".join(self._path_pieces(at))
        if len(path) % 2 or len(path) > 510:
            self._wrong(14, f"a path of {len(path)} bytes; expected whole 16-bit words, at most 255")
        return path

    def _path_pieces(self, at: Field) -> list[bytes]:
        pieces = []
        for piece in at.text.split():
            match = _PATH_PIECE.fullmatch(piece)
            if match is None:
                self._wrong(14, f"{shown(piece)} in a path; expected two hex digits or a [Param]")
                break
            if match[1]:
                pieces.append(bytes.fromhex(match[1]))
            else:
                word = Field(match[2], FieldKind.WORD, at.line, at.column)
                pieces.append(self._references.default_bytes(word, f"{SECTION}.{self._entry.keyword}"))
        return pieces
