"""What a protocol core and the shell around it say to each other: the seam of this room.

A core never opens a socket and never reads a clock. The shell calls the methods of `Endpoint` with
bytes and `now_ns`, then drains `take_outgoing()` and `take_events()` and waits until
`next_deadline_ns()`. Order inside `take_outgoing()` is the order to send in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from bench.eip.events import Event

Address = tuple[str, int]

TCP_PORT = 44818  # explicit messaging, and the List commands over UDP
IO_PORT = 2222  # class 1 frames over UDP


@dataclass(frozen=True, slots=True)
class ConnectTcp:
    """Open a TCP connection to `peer`; answer with `tcp_opened` or, when refused, `tcp_closed`."""

    link: int
    peer: Address


@dataclass(frozen=True, slots=True)
class SendTcp:
    """Send bytes on an open link; `dscp` as in `SendUdp`, where the shell can have it."""

    link: int
    data: bytes
    dscp: int = 0


@dataclass(frozen=True, slots=True)
class CloseTcp:
    """Send what is queued on the link, then close it; the shell calls `tcp_closed` no more for it."""

    link: int


@dataclass(frozen=True, slots=True)
class SendUdp:
    """Send one datagram from the own port `local_port`.

    `dscp` is the differentiated services code point to send it with. A peer in 224.0.0.0/4 is a group:
    the shell sends through the interface of its own address, with TTL 1.
    """

    local_port: int
    peer: Address
    data: bytes
    dscp: int = 0


@dataclass(frozen=True, slots=True)
class JoinGroup:
    """Take what is sent to multicast `group`, own port `port`, on the interface of the own address."""

    group: str
    port: int


@dataclass(frozen=True, slots=True)
class LeaveGroup:
    """The end of a `JoinGroup`."""

    group: str
    port: int


Outgoing = ConnectTcp | SendTcp | CloseTcp | SendUdp | JoinGroup | LeaveGroup


class Endpoint(Protocol):
    """What both the adapter and the scanner offer to a shell.

    `tcp_closed` reports closes the peer or the network made, and refused connects; never a close the
    core itself asked for. Calls for a link the core no longer has are ignored. Times never go back.
    A datagram that was sent to a broadcast or group address comes with `to_many` True.
    `late_ns` tells how far the shell is behind its clock: what should have been sent meanwhile is skipped.
    """

    def tcp_opened(self, link: int, peer: Address, now_ns: int) -> None: ...
    def tcp_received(self, link: int, data: bytes, now_ns: int) -> None: ...
    def tcp_closed(self, link: int, now_ns: int) -> None: ...
    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None: ...
    def next_deadline_ns(self) -> int | None: ...
    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None: ...
    def take_outgoing(self) -> list[Outgoing]: ...
    def take_events(self) -> list[Event]: ...
