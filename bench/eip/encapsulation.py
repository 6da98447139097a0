"""The encapsulation layer: a 24-byte header and its data, on a TCP stream or in one datagram.

Field layouts as the open Wireshark dissector decodes them (packet-enip.c). All little-endian.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from struct import Struct

from bench.errors import RemoteError

HEADER = Struct("<HHII8sI")  # command, length, session, status, sender context, options
HEADER_BYTES = HEADER.size
MAX_DATA_BYTES = 4096  # bound of this implementation; the length field itself could say 65535
PROTOCOL_VERSION = 1


class Command(IntEnum):
    NOP = 0x00
    LIST_SERVICES = 0x04
    LIST_IDENTITY = 0x63
    LIST_INTERFACES = 0x64
    REGISTER_SESSION = 0x65
    UNREGISTER_SESSION = 0x66
    SEND_RR_DATA = 0x6F
    SEND_UNIT_DATA = 0x70


class EncapsulationStatus(IntEnum):
    OK = 0x00
    BAD_COMMAND = 0x01
    INCORRECT_DATA = 0x03
    BAD_SESSION = 0x64
    BAD_LENGTH = 0x65
    BAD_VERSION = 0x69


@dataclass(frozen=True, slots=True)
class Frame:
    """One encapsulation frame; `context` is 8 bytes that a reply carries back unchanged."""

    command: int
    session: int = 0
    status: int = 0
    context: bytes = bytes(8)
    options: int = 0
    data: bytes = b""

    def encode(self) -> bytes:
        head = HEADER.pack(
            self.command, len(self.data), self.session, self.status, self.context, self.options
        )
        return head + self.data

    def reply(self, data: bytes = b"", *, status: int = 0, session: int | None = None) -> Frame:
        """The answer to this frame: same command and context, options zero."""
        kept = self.session if session is None else session
        return Frame(self.command, kept, status, self.context, 0, data)


def _frame(head: tuple[int, int, int, int, bytes, int], data: bytes) -> Frame:
    command, _, session, status, context, options = head
    return Frame(command, session, status, context, options, data)


def decode_datagram(data: bytes) -> Frame:
    """The one frame a datagram holds.

    Raises:
        RemoteError: shorter than a header, or the length field disagrees with the datagram.
    """
    if len(data) < HEADER_BYTES:
        raise RemoteError("encapsulation header", f"{HEADER_BYTES} bytes", f"{len(data)} bytes")
    head = HEADER.unpack_from(data)
    body = data[HEADER_BYTES:]
    if head[1] != len(body):
        raise RemoteError("encapsulation length", f"{len(body)}, the bytes that follow", str(head[1]))
    return _frame(head, body)


class FrameReader:
    """Cuts a TCP byte stream into frames, however the network split or joined them."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        self._buffer += data

    def next_frame(self) -> Frame | None:
        """The next whole frame, or None when more bytes are needed.

        Raises:
            RemoteError: the header announces more than `MAX_DATA_BYTES`; the stream cannot be
                followed any further and the link must be closed.
        """
        buffer = self._buffer
        if len(buffer) < HEADER_BYTES:
            return None
        head = HEADER.unpack_from(buffer)
        length = head[1]
        if length > MAX_DATA_BYTES:
            raise RemoteError(
                "encapsulation length",
                f"at most {MAX_DATA_BYTES}",
                str(length),
                status=EncapsulationStatus.BAD_LENGTH,
            )
        end = HEADER_BYTES + length
        if len(buffer) < end:
            return None
        data = bytes(buffer[HEADER_BYTES:end])
        del buffer[:end]
        return _frame(head, data)
