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
    START_DTLS = 0xC8


class EncapsulationStatus(IntEnum):
    OK = 0x00
    BAD_COMMAND = 0x01
    NO_MEMORY = 0x02
    INCORRECT_DATA = 0x03
    BAD_SESSION = 0x64
    BAD_LENGTH = 0x65
    BAD_VERSION = 0x69
    NOT_ON_THIS_PORT = 0x6A


Head = tuple[int, int, int, int, bytes, int]  # the header's fields, in their order


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


def encode_reply(command: int, session: int, context: bytes, data: bytes = b"", status: int = 0) -> bytes:
    """A whole reply frame, options zero; what `Frame.reply` and `encode` do, without the frame between."""
    return HEADER.pack(command, len(data), session, status, context, 0) + data


def _frame(head: Head, data: bytes) -> Frame:
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
    """Cuts a TCP byte stream into frames, however the network split or joined them.

    Holds the newest segment and what of a frame came before it, never more than one frame of
    `limit` bytes of data beside that.

    Args:
        limit: most bytes of data a header may announce.

    Attributes:
        refused: the frame, without its data, whose header announced more; None until that happens.
    """

    def __init__(self, limit: int = MAX_DATA_BYTES) -> None:
        self.limit = limit
        self.refused: Frame | None = None
        self._data = b""
        self._at = 0  # what stands before it is used up

    def feed(self, data: bytes) -> None:
        """Take the next bytes; after a refused header they are dropped."""
        if self.refused is not None:
            return
        # A whole segment of whole frames, the usual case, is read where it lies: no copy is made.
        self._data = self._data[self._at :] + data if self._at < len(self._data) else bytes(data)
        self._at = 0

    def next_parts(self) -> tuple[Head, bytes] | None:
        """The header fields and data of the next whole frame, or None when more bytes are needed.

        Raises:
            RemoteError: the header announces more than `limit`; the stream cannot be followed any
                further and the link must be closed.
        """
        data, at = self._data, self._at
        start = at + HEADER_BYTES
        if len(data) >= start:
            head: Head = HEADER.unpack_from(data, at)
            if head[1] > self.limit:
                self._refuse(head)
            end = start + head[1]
            if len(data) >= end:
                self._at = end
                return head, data[start:end]
        if at:
            self._data = data[at:]  # lets go of the frames already handed out
            self._at = 0
        return None

    def next_frame(self) -> Frame | None:
        """As `next_parts`, made into a `Frame`."""
        parts = self.next_parts()
        return None if parts is None else _frame(*parts)

    def _refuse(self, head: Head) -> None:
        self.refused = _frame(head, b"")
        self._data = self._data[self._at : self._at + HEADER_BYTES]
        self._at = 0
        raise RemoteError(
            "encapsulation length",
            f"at most {self.limit}",
            str(head[1]),
            status=EncapsulationStatus.BAD_LENGTH,
        )
