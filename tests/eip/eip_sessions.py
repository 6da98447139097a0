"""Helpers of these tests: sessions alone, behind them an adapter that echoes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from eip_link import CONFIG

from bench.eip.config import Limits
from bench.eip.cpf import Item, encode_sockaddr, encode_unconnected
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.sessions import Link, Sessions, Taken
from bench.eip.transport import CloseTcp, SendTcp, SendUdp
from bench.errors import RemoteError

SECOND = 1_000_000_000
PEER = ("127.0.0.9", 40_000)
REGISTER = Frame(Command.REGISTER_SESSION, data=b"\x01\0\0\0").encode()
IDENTITY_DATA = (
    b"\x01\0"
    + encode_sockaddr("127.0.0.1", 44818)
    + bytes.fromhex("0000 0C00 0700 0203 6100 01001B0D 09")
    + b"Bench I/O\x03"
)


class Echo:
    """Sessions whose messages come back turned round; connection 5 answers as 7, no other exists."""

    def __init__(self, **limits: Any) -> None:
        self.inactivity_s = limits.get("inactivity_s", 120)
        self.busy: set[int] = set()
        self.sessions = Sessions(
            replace(CONFIG, limits=Limits(**limits)),
            lambda: IDENTITY_DATA,
            self._unconnected,
            self._connected,
            self.busy.__contains__,
            lambda: self.inactivity_s,
            incarnation=0x00AB,
        )
        self.complaints: list[str] = []

    def open(self, number: int = 1, now_ns: int = 0, address: str = "127.0.0.9") -> Taken:
        return self._kept(self.sessions.opened(number, (address, 40_000 + number), now_ns))

    def feed(self, data: bytes, number: int = 1, now_ns: int = 0) -> Taken:
        return self._kept(self.sessions.received(number, data, now_ns))

    def register(self, number: int = 1, now_ns: int = 0) -> int:
        """The session of a new link."""
        self.open(number, now_ns)
        (frame,) = frames(self.feed(REGISTER, number, now_ns))
        return frame.session

    def ask(self, data: bytes, now_ns: int = 0, to_many: bool = False, address: str = "127.0.0.9") -> Taken:
        return self._kept(self.sessions.datagram(44818, (address, 40_000), data, now_ns, to_many))

    def wait(self, until_ns: int) -> list[tuple[int, Taken]]:
        """What the timer led to, and when."""
        seen = []
        while (due_ns := self.sessions.next_deadline_ns()) is not None and due_ns <= until_ns:
            taken = self._kept(self.sessions.handle_timer(due_ns))
            if taken != Taken():
                seen.append((due_ns, taken))
        return seen

    def _kept(self, taken: Taken) -> Taken:
        assert [sent.link for sent in taken.outgoing if isinstance(sent, CloseTcp)] == list(taken.closed)
        self.complaints += [complaint.sentence for complaint in taken.complaints]
        return taken

    def _unconnected(
        self, link: Link, message: bytes, items: tuple[Item, ...], now_ns: int
    ) -> tuple[bytes, tuple[Item, ...]]:
        if len(message) < 2:
            raise RemoteError("request", "2 bytes", f"{len(message)} bytes")
        return message[::-1], items

    def _connected(
        self, link: Link, connection_id: int, payload: bytes, now_ns: int
    ) -> tuple[int, bytes] | None:
        return (7, payload[:2] + payload[:1:-1]) if connection_id == 5 else None


def frames(taken: Taken) -> list[Frame]:
    """Every frame sent over TCP."""
    reader = FrameReader(0xFFFF)
    for sent in taken.outgoing:
        if isinstance(sent, SendTcp):
            reader.feed(sent.data)
    return list(iter(reader.next_frame, None))


def answers(taken: Taken) -> list[bytes]:
    """Every datagram sent."""
    return [sent.data for sent in taken.outgoing if isinstance(sent, SendUdp)]


def message(session: int, body: bytes = b"\x0e\0", items: tuple[Item, ...] = ()) -> bytes:
    """A SendRRData frame."""
    data = encode_unconnected(body, items)
    return Frame(Command.SEND_RR_DATA, session, context=b"remember", data=data).encode()
