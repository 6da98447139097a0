"""One TCP connection of a `SocketHost`."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol, cast

from bench.eip.transport import Address
from bench.net.datagrams import DSCP_SHIFT

UNREAD_LIMIT = 1 << 20  # bytes queued for one peer, beyond what the operating system holds for it
UNHEARD_LIMIT = 1 << 16  # bytes of one peer that wait for their turn, before no more are read
LINGER_S = 5.0  # how long a peer may take to read what was queued when the core closed the stream
_RESET = struct.pack("ii", 1, 0)  # SO_LINGER on, for no time: closing sends a reset


class StreamOwner(Protocol):
    """What a stream asks of its host."""

    def accepted(self, stream: Stream) -> int | None: ...
    def gone(self, stream: Stream) -> None: ...
    def lost(self, stream: Stream, link: int) -> None: ...
    def opened(self, link: int, peer: Address) -> None: ...
    def received(self, link: int, data: bytes) -> None: ...
    def hand_in(self, call: Callable[[], None]) -> None: ...


class Stream(asyncio.Protocol):
    """`link` is None until an incoming one is accepted.

    Once the core has closed it, it is `dropped`: nothing more is reported of it, because the core may
    already be connecting again under the same number.
    """

    def __init__(self, host: StreamOwner, link: int | None) -> None:
        self._host = host
        self._link = link
        self._transport: asyncio.Transport | None = None
        self._dscp = 0
        self._unheard = 0  # bytes that wait for their turn on the timeline
        self.dropped = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)  # uvloop's is one without being a subclass
        own = transport.get_extra_info("socket")
        own.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        own.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)  # a peer that vanished frees its place
        if self.dropped:
            transport.close()
        elif self._link is None:
            self._link = self._host.accepted(self)
            if self._link is None:
                self.reset()
                return
            peer = transport.get_extra_info("peername")[:2]
            self.hand_in(lambda link: self._host.opened(link, peer))

    def data_received(self, data: bytes) -> None:
        self._unheard += len(data)
        if self._unheard > UNHEARD_LIMIT and self._transport is not None:
            self._transport.pause_reading()
        self.hand_in(lambda link: self._hear(link, data))

    def _hear(self, link: int, data: bytes) -> None:
        was, self._unheard = self._unheard, self._unheard - len(data)
        if was > UNHEARD_LIMIT >= self._unheard and self._transport is not None:
            self._transport.resume_reading()
        self._host.received(link, data)

    def connection_lost(self, exc: Exception | None) -> None:
        self._host.gone(self)
        self.hand_in(lambda link: self._host.lost(self, link))

    def hand_in(self, call: Callable[[int], None]) -> None:
        """Bring something onto the timeline, unless the core drops the stream before its turn."""

        def turn() -> None:
            if not self.dropped and self._link is not None:
                call(self._link)

        self._host.hand_in(turn)

    def write(self, data: bytes, dscp: int = 0) -> None:
        """Queue data; a stream already lost takes none, and a peer that never reads is cut off."""
        transport = self._transport
        if transport is not None and not transport.is_closing():
            if dscp != self._dscp:
                self._mark(transport, dscp)
            transport.write(data)
            if transport.get_write_buffer_size() > UNREAD_LIMIT:
                transport.abort()

    def _mark(self, transport: asyncio.Transport, dscp: int) -> None:
        self._dscp = dscp
        own = transport.get_extra_info("socket")
        with suppress(OSError):  # data goes unmarked where the system takes no mark
            own.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << DSCP_SHIFT)

    def drop(self) -> None:
        """Send what is queued, close, and report nothing more."""
        self.dropped = True
        if self._transport is not None:
            self._transport.close()
            if self._transport.get_write_buffer_size():
                asyncio.get_running_loop().call_later(LINGER_S, self._transport.abort)

    def abort(self) -> None:
        """Close at once."""
        if self._transport is not None:
            self._transport.abort()

    def reset(self) -> None:
        """Close at once, with a reset to the peer, and report nothing more."""
        self.dropped = True
        if self._transport is not None and not self._transport.is_closing():
            own = self._transport.get_extra_info("socket")
            own.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            self._transport.abort()
