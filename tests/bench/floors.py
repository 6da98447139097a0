"""The floors: what bare Python does with frames of the same shape and no protocol around them.

`python -m tests.bench.floors producer asyncio ADDRESS RPI_US CONNECTION_ID` sends T->O frames with the
newest outputs to whoever sends it O->T frames; `... thread ...` does so from a blocking loop.
`python -m tests.bench.floors crowd thread ADDRESS RPI_US FIRST_ID` does so for each O->T id it hears of.
`python -m tests.bench.floors echo asyncio ADDRESS REPLY_BYTES` answers each stream request with that
many of its bytes; `... uvloop ...` on that loop.
"""

from __future__ import annotations

import asyncio
import heapq
import importlib
import select
import socket
import sys
import time
from typing import Any

from tests.bench.originator import FRAME, IO_PORT, TCP_PORT

OUTPUTS_AT = FRAME.size + 4  # after the run/idle header


class Frames:
    """Builds the next T->O frame out of the newest O->T frame."""

    def __init__(self, connection_id: int) -> None:
        self.peer: tuple[Any, ...] | None = None
        self._connection_id = connection_id
        self._seq32 = self._seq16 = 0
        self._body = bytes(32)

    def heard(self, frame: bytes, peer: tuple[Any, ...]) -> None:
        self.peer = peer
        body = frame[OUTPUTS_AT:]
        if body != self._body:
            self._body = body
            self._seq16 = (self._seq16 + 1) & 0xFFFF

    def next(self) -> bytes:
        self._seq32 = (self._seq32 + 1) & 0xFFFF_FFFF
        body = self._body
        head = FRAME.pack(2, 0x8002, 8, self._connection_id, self._seq32, 0xB1, 2 + len(body), self._seq16)
        return head + body


def say_running() -> None:
    sys.stdout.write("Running\n")
    sys.stdout.flush()


def produce_blocking(address: str, rpi_us: int, connection_id: int) -> None:
    """One thread: sleep to an absolute deadline, look what has arrived, send."""
    frames = Frames(connection_id)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
        link.bind((address, IO_PORT))
        say_running()
        frames.heard(*link.recvfrom(2048))
        link.setblocking(False)
        due_ns = time.monotonic_ns()
        while True:
            due_ns += rpi_us * 1000
            ahead_ns = due_ns - time.monotonic_ns()
            if ahead_ns > 0:
                time.sleep(ahead_ns / 1e9)
            while (heard := _heard(link)) is not None:
                frames.heard(*heard)
            link.sendto(frames.next(), frames.peer or ())


def produce_crowd(address: str, rpi_us: int, first_id: int) -> None:
    """As `produce_blocking`, for as many connections as are heard of; O->T id n gets T->O id first + n.

    Each has a grid of its own from its first frame on, and looks at what has arrived before it sends.
    """
    known: dict[int, Frames] = {}
    due: list[tuple[int, int]] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
        link.bind((address, IO_PORT))
        link.setblocking(False)
        say_running()
        while True:
            ahead_ns = due[0][0] - time.monotonic_ns() if due else 1_000_000_000
            if ahead_ns > 0:
                select.select([link], [], [], ahead_ns / 1e9)
            while (heard := _heard(link)) is not None:
                frame, peer = heard
                number = FRAME.unpack_from(frame)[3]
                if number not in known:
                    known[number] = Frames(first_id + number)
                    heapq.heappush(due, (time.monotonic_ns(), number))
                known[number].heard(frame, peer)
            now_ns = time.monotonic_ns()
            while due and due[0][0] <= now_ns:
                due_ns, number = due[0]
                heapq.heapreplace(due, (due_ns + rpi_us * 1000, number))
                link.sendto(known[number].next(), known[number].peer or ())


def _heard(link: socket.socket) -> tuple[bytes, tuple[Any, ...]] | None:
    try:
        return link.recvfrom(2048)
    except BlockingIOError:
        return None


class Hearing(asyncio.DatagramProtocol):
    def __init__(self, frames: Frames) -> None:
        self._frames = frames

    def datagram_received(self, data: bytes, addr: tuple[Any, ...]) -> None:
        self._frames.heard(data, addr)


async def produce_asyncio(address: str, rpi_us: int, connection_id: int) -> None:
    """The stock loop: `call_at` with absolute deadlines."""
    loop = asyncio.get_running_loop()
    frames = Frames(connection_id)
    transport, _ = await loop.create_datagram_endpoint(
        lambda: Hearing(frames), local_addr=(address, IO_PORT), family=socket.AF_INET
    )
    due_s = loop.time()

    def turn() -> None:
        nonlocal due_s
        if frames.peer is not None:
            transport.sendto(frames.next(), frames.peer)
        due_s += rpi_us / 1e6
        loop.call_at(due_s, turn)

    turn()
    say_running()
    await loop.create_future()


class Echo(asyncio.Protocol):
    """Answers each chunk with its first bytes; a closed loop sends one request at a time."""

    def __init__(self, reply_bytes: int) -> None:
        self._reply_bytes = reply_bytes

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport: Any = transport
        self._transport.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def data_received(self, data: bytes) -> None:
        self._transport.write(data[: self._reply_bytes])


async def echo(address: str, reply_bytes: int) -> None:
    server = await asyncio.get_running_loop().create_server(lambda: Echo(reply_bytes), address, TCP_PORT)
    say_running()
    await server.serve_forever()


def main(what: str, kind: str, address: str, *numbers: str) -> None:
    values = [int(number) for number in numbers]
    if (what, kind) == ("producer", "thread"):
        produce_blocking(address, *values)
    elif what == "crowd":
        produce_crowd(address, *values)
    elif what == "producer":
        asyncio.run(produce_asyncio(address, *values))
    elif kind == "uvloop":
        importlib.import_module("uvloop").run(echo(address, *values))
    else:
        asyncio.run(echo(address, *values))


if __name__ == "__main__":
    main(*sys.argv[1:])
