"""A measuring originator: blocking sockets, frames built by hand, arrival times from the kernel.

It shares no code with the scanner under test, so its figures do not hang on the scanner's timing.
Layouts as the open Wireshark dissector decodes them (packet-enip.c, packet-cip.c).
"""

from __future__ import annotations

import select
import socket
import sys
import time
from dataclasses import dataclass, field
from struct import Struct

TCP_PORT, IO_PORT = 44818, 2222
HEADER = Struct("<HHII8sI")  # command, length, session, status, sender context, options
REQUEST_HEAD = Struct("<IHHHHHH")  # handle, timeout, 2 items: null address, unconnected data
FRAME = Struct("<HHHIIHHH")  # 2 items, 0x8002, 8, connection id, seq32, 0xB1, length, seq16
OPEN = Struct("<BBIIHHIB3xIHIHBB")
CLOSE = Struct("<BBHHIBx")
REPLY_MESSAGE = HEADER.size + REQUEST_HEAD.size  # where the response begins in a SendRRData reply
RUN = (1).to_bytes(4, "little")
POINT_TO_POINT_SCHEDULED = 0x4800  # network parameters: type 2, priority 2, fixed size
TIMES_16 = 2  # timeout multiplier code
VENDOR, ORIGINATOR = 0x0000, 0x0B0B_0001

# Linux: number of the socket option and of its ancillary message, `struct timespec` of the wall clock
SO_TIMESTAMPNS = 35
_TIMESPEC = Struct("@qq")
_ANCILLARY = socket.CMSG_SPACE(_TIMESPEC.size)
KERNEL_TIMES = sys.platform == "linux"


class RefusedError(Exception):
    """The adapter said no, or said nothing."""


def wall_ns() -> int:
    """The clock that the kernel stamps arrivals with."""
    return time.time_ns()


@dataclass(frozen=True, slots=True)
class Points:
    """What a class 1 connection of one adapter is opened with; sizes in bytes of data."""

    input: int = 100
    output: int = 150
    configuration: int = 151
    heartbeat: int = 152
    input_size: int = 32
    output_size: int = 32
    configured: bool = True  # the path begins with the configuration assembly

    def path(self, consumed: int) -> bytes:
        head = bytes((0x20, 0x04)) + (bytes((0x24, self.configuration)) if self.configured else b"")
        return head + bytes((0x2C, consumed, 0x2C, self.input))


class Session:
    """One registered session on TCP."""

    def __init__(self, address: str, own: str = "") -> None:
        self.socket = socket.create_connection((address, TCP_PORT), 5, (own, 0) if own else None)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._handle = 0
        self._handle = HEADER.unpack(self._exchange(0x65, b"\x01\0\0\0")[: HEADER.size])[2]

    def frame(self, message: bytes) -> bytes:
        """A SendRRData frame that carries *message* unconnected."""
        data = REQUEST_HEAD.pack(0, 0, 2, 0, 0, 0xB2, len(message)) + message
        return HEADER.pack(0x6F, len(data), self._handle, 0, bytes(8), 0) + data

    def ask(self, message: bytes) -> bytes:
        """The answer's data after a good status; `RefusedError` with the status words otherwise."""
        frame = self.frame(message)
        self.socket.sendall(frame)
        answer = self._read()
        if len(answer) < REPLY_MESSAGE + 4:
            raise RefusedError(f"encapsulation status 0x{HEADER.unpack(answer[: HEADER.size])[3]:02X}")
        length = int.from_bytes(answer[REPLY_MESSAGE - 2 : REPLY_MESSAGE], "little")
        body = answer[REPLY_MESSAGE : REPLY_MESSAGE + length]
        end = 4 + 2 * body[3]
        if body[2]:
            words = [f"0x{int.from_bytes(body[at : at + 2], 'little'):04X}" for at in range(4, end, 2)]
            raise RefusedError(f"status 0x{body[2]:02X} {' '.join(words)}".strip())
        return body[end:]

    def close(self) -> None:
        self.socket.close()

    def _exchange(self, command: int, data: bytes) -> bytes:
        self.socket.sendall(HEADER.pack(command, len(data), self._handle, 0, bytes(8), 0) + data)
        return self._read()

    def _read(self) -> bytes:
        head = self._exactly(HEADER.size)
        return head + self._exactly(HEADER.unpack(head)[1])

    def _exactly(self, size: int) -> bytes:
        got = b""
        while len(got) < size:
            more = self.socket.recv(size - len(got))
            if not more:
                raise RefusedError("the adapter closed the TCP connection")
            got += more
        return got


@dataclass(slots=True)
class Stream:
    """One cyclic connection as seen from here: where its frames go, how ours are told apart."""

    peer: tuple[str, int]
    ot_id: int
    to_id: int
    serial: int = 0
    api_us: int = 0
    path: bytes = b""
    header: bytes = RUN  # a heartbeat has none
    _seq32: int = 0
    _seq16: int = 0
    _last: bytes | None = field(default=None)

    def frame(self, data: bytes) -> bytes:
        """The next O->T frame; the 16-bit count steps when the data is other than the last."""
        self._seq32 = (self._seq32 + 1) & 0xFFFF_FFFF
        if data != self._last:
            self._last = data
            self._seq16 = (self._seq16 + 1) & 0xFFFF
        body = self.header + data
        return FRAME.pack(2, 0x8002, 8, self.ot_id, self._seq32, 0xB1, 2 + len(body), self._seq16) + body


def open_stream(
    session: Session, address: str, points: Points, rpi_us: int, serial: int, *, owner: bool = True
) -> Stream:
    """Forward Open of an exclusive owner, or of an input-only connection with its heartbeat."""
    to_id = 0x0B00_0000 | serial
    path = points.path(points.output if owner else points.heartbeat)
    ot_size = 2 + 4 + points.output_size if owner else 2
    ot, to = (POINT_TO_POINT_SCHEDULED | size for size in (ot_size, 2 + points.input_size))
    opening = OPEN.pack(
        0x0A, 5, 0, to_id, serial, VENDOR, ORIGINATOR, TIMES_16, rpi_us, ot, rpi_us, to, 0x01, len(path) // 2
    )
    answer = session.ask(b"\x54\x02\x20\x06\x24\x01" + opening + path)
    ot_id, to_id = Struct("<II").unpack_from(answer)
    (api_us,) = Struct("<I").unpack_from(answer, 20)
    return Stream((address, IO_PORT), ot_id, to_id, serial, api_us, path, RUN if owner else b"")


def close_stream(session: Session, stream: Stream) -> None:
    """Forward Close; `RefusedError` when the adapter does not know the connection any more."""
    closing = CLOSE.pack(0x0A, 5, stream.serial, VENDOR, ORIGINATOR, len(stream.path) // 2)
    session.ask(b"\x4e\x02\x20\x06\x24\x01" + closing + stream.path)


class Datagrams:
    """A datagram socket whose arrivals carry the kernel's time."""

    def __init__(self, own: str, port: int = IO_PORT) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
            if KERNEL_TIMES:
                self.socket.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
            self.socket.bind((own, port))
            self.socket.setblocking(False)
        except OSError:
            self.socket.close()
            raise

    def take(self) -> tuple[bytes, int] | None:
        """The next datagram and its arrival time, ns of `wall_ns`; None when there is none."""
        try:
            data, ancillary, _, _ = self.socket.recvmsg(2048, _ANCILLARY)
        except (BlockingIOError, ConnectionRefusedError):
            return None
        for level, kind, raw in ancillary:
            if level == socket.SOL_SOCKET and kind == SO_TIMESTAMPNS:
                seconds, ns = _TIMESPEC.unpack(raw)
                return data, seconds * 1_000_000_000 + ns
        return data, wall_ns()

    def wait(self, seconds: float) -> bool:
        """Until a datagram is there; `select` takes its timeout in microseconds."""
        return bool(select.select([self.socket], [], [], max(0.0, seconds))[0])

    def send(self, data: bytes, peer: tuple[str, int]) -> None:
        try:
            self.socket.sendto(data, peer)
        except ConnectionRefusedError:  # an earlier datagram found no socket
            self.socket.sendto(data, peer)

    def close(self) -> None:
        self.socket.close()
