"""Explicit messages in a closed loop: one request in flight a session, as fast as the answers come."""

from __future__ import annotations

import gc
import selectors
import socket
import time
from dataclasses import dataclass, field

from tests.bench.figures import Spread
from tests.bench.originator import HEADER, REPLY_MESSAGE, TCP_PORT, RefusedError, Session

IDENTITY_VENDOR = b"\x0e\x03\x20\x01\x24\x01\x30\x01"  # Get_Attribute_Single 1/1/1
REPLY_BYTES = REPLY_MESSAGE + 4 + 2


@dataclass(slots=True)
class Asked:
    """Raw samples of one cell: latencies in ns of the monotonic clock."""

    seconds: float = 0.0
    latencies_ns: list[int] = field(default_factory=list)
    errors: int = 0

    @property
    def rate(self) -> float:
        return len(self.latencies_ns) / self.seconds if self.seconds else 0.0

    @property
    def latency_us(self) -> Spread:
        return Spread.of(ns / 1e3 for ns in self.latencies_ns)


def connect(address: str, bare: bool) -> tuple[socket.socket, bytes]:
    """A stream and the request to repeat on it. *bare*: an echo, which registers no session."""
    if not bare:
        session = Session(address)
        session.ask(IDENTITY_VENDOR)
        return session.socket, session.frame(IDENTITY_VENDOR)
    link = socket.create_connection((address, TCP_PORT), 5)
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return link, bytes(HEADER.size + 16 + len(IDENTITY_VENDOR))


def ask_for(address: str, sessions: int, seconds: float, *, bare: bool = False) -> Asked:
    """Load *address* for *seconds* with *sessions* closed loops."""
    links = [connect(address, bare) for _ in range(sessions)]
    gc.collect()
    gc.disable()
    try:
        return (_one if sessions == 1 else _many)(links, seconds, bare)
    finally:
        gc.enable()
        for link, _ in links:
            link.close()


def _one(links: list[tuple[socket.socket, bytes]], seconds: float, bare: bool) -> Asked:
    link, request = links[0]
    link.settimeout(None)  # with a timeout every call polls first
    found = Asked()
    clock, note = time.perf_counter_ns, found.latencies_ns.append
    began_ns = before_ns = clock()
    end_ns = began_ns + int(seconds * 1e9)
    while before_ns < end_ns:
        link.sendall(request)
        answer = link.recv(4096)
        after_ns = clock()
        note(after_ns - before_ns)
        before_ns = after_ns
        found.errors += _wrong(answer, bare)
    found.seconds = (before_ns - began_ns) / 1e9
    return found


def _many(links: list[tuple[socket.socket, bytes]], seconds: float, bare: bool) -> Asked:
    found = Asked()
    clock, note = time.perf_counter_ns, found.latencies_ns.append
    sent_ns = [0] * len(links)
    with selectors.DefaultSelector() as selector:
        began_ns = now_ns = clock()
        for number, (link, request) in enumerate(links):
            link.setblocking(False)
            selector.register(link, selectors.EVENT_READ, number)
            sent_ns[number] = clock()
            link.send(request)
        end_ns = began_ns + int(seconds * 1e9)
        while now_ns < end_ns:
            for key, _ in selector.select(1.0):
                number = key.data
                link, request = links[number]
                answer = link.recv(4096)
                now_ns = clock()
                note(now_ns - sent_ns[number])
                found.errors += _wrong(answer, bare)
                sent_ns[number] = now_ns
                link.send(request)
            now_ns = clock()
    found.seconds = (now_ns - began_ns) / 1e9
    return found


def _wrong(answer: bytes, bare: bool) -> bool:
    """Anything but one whole reply with a good status; a cut one could not be followed."""
    if not answer:
        raise RefusedError("the server closed the TCP connection")
    return len(answer) != REPLY_BYTES or (not bare and answer[REPLY_MESSAGE + 2] != 0)
