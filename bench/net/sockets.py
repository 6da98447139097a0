"""Real sockets around a protocol core: TCP 44818, UDP 44818 and the I/O port of one address."""

from __future__ import annotations

import asyncio
import errno
import socket
from collections.abc import Callable
from typing import Any

from bench.clock import PacedDriver
from bench.eip.transport import TCP_PORT, Address, CloseTcp, ConnectTcp, Endpoint, Outgoing, SendTcp, SendUdp
from bench.errors import MachineError
from bench.net.host import Host

UNREAD_LIMIT = 1 << 20  # bytes queued for one peer, beyond what the operating system holds for it
MOST_STREAMS = 256  # accepted at one time; `select` takes no file descriptor above 1023
LINGER_S = 5.0  # how long a peer may take to read what was queued when the core closed the stream

_REMEDIES = {
    errno.EADDRINUSE: "close the other program that uses it, or choose another address with --listen",
    errno.EADDRNOTAVAIL: "that address is not one of this computer's; `--listen` takes one that is",
    errno.EACCES: "this user may not open it; ask the computer's administrator",
}


def machine_error(asked: str, error: OSError) -> MachineError:
    """The operating system's refusal in one sentence with a remedy."""
    reasons = {errno.EADDRINUSE: "the port is in use", errno.EADDRNOTAVAIL: "no such address here"}
    reason = reasons.get(error.errno or 0, error.strerror or str(error))
    return MachineError(asked, reason, _REMEDIES.get(error.errno or 0, "check the address and the network"))


class SocketHost(Host):
    """One endpoint on this computer's network; call `open` before, `close` after.

    Args:
        driver: brings arriving frames onto the timeline.
        udp_ports: datagram ports to bind at `address`.
        listen: also accept TCP sessions on port 44818.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        driver: PacedDriver,
        address: str,
        on_event: Callable[[Any], None],
        *,
        udp_ports: tuple[int, ...],
        listen: bool,
    ) -> None:
        super().__init__(endpoint, driver.timeline, address, on_event)
        self._driver = driver
        self._udp_ports = udp_ports
        self._listen = listen
        # A core may close a link and connect again under the same number: see `_Stream.dropped`.
        self._streams: dict[int, _Stream] = {}
        self._datagrams: dict[int, asyncio.DatagramTransport] = {}
        self._server: asyncio.Server | None = None
        self._accepted = 0
        self._connecting: dict[asyncio.Task[None], _Stream] = {}
        self._open: set[_Stream] = set()  # accepted and not yet closed, dropped ones included
        self.send_errors = 0
        self.turned_away = 0
        self._cut = False
        self._held: list[Callable[[], None]] = []

    def set_cut(self, cut: bool) -> None:
        """Unplug or plug the cable: datagrams are lost meanwhile, stream data comes afterwards."""
        self._cut = cut
        if not cut:
            held, self._held = self._held, []
            for call in held:
                self.hand_in(call)

    async def open(self) -> None:
        """Bind everything.

        Raises:
            MachineError: a port is in use, or the address is not this computer's (nothing stays open).
        """
        try:
            await self._bind()
        except BaseException:
            await self.close()
            raise

    async def _bind(self) -> None:
        loop = asyncio.get_running_loop()
        if self._listen:
            asked = f"TCP port {TCP_PORT} of {self.address}"
            try:
                listener = _listener(self.address)
            except OSError as error:
                raise machine_error(asked, error) from error
            self._server = await loop.create_server(lambda: _Stream(self, None), sock=listener)
        for port in self._udp_ports:
            try:
                transport, _ = await loop.create_datagram_endpoint(
                    lambda port=port: _Datagrams(self, port),  # type: ignore[misc]
                    local_addr=(self.address, port),
                    family=socket.AF_INET,
                )
            except OSError as error:
                raise machine_error(f"UDP port {port} of {self.address}", error) from error
            self._datagrams[port] = transport

    async def close(self) -> None:
        """Close every socket; what the core still wanted to say should have been pumped before."""
        for task in list(self._connecting):
            task.cancel()
        await asyncio.gather(*self._connecting, return_exceptions=True)
        if self._server is not None:
            self._server.close()
        for stream in list(self._streams.values()):
            stream.drop()
        for transport in self._datagrams.values():
            transport.close()
        await asyncio.sleep(0)
        for stream in list(self._streams.values()):
            stream.abort()  # a peer that does not read would keep what is queued for ever
        if self._server is not None:
            await self._server.wait_closed()
        await asyncio.sleep(0)

    def accepted(self, stream: _Stream) -> int | None:
        """Number a new incoming stream; None when there are too many."""
        if len(self._open) >= MOST_STREAMS:
            self.turned_away += 1
            return None
        self._open.add(stream)
        self._accepted += 1
        self._streams[self._accepted] = stream
        return self._accepted

    def gone(self, stream: _Stream) -> None:
        """A stream's socket is closed, whoever closed it."""
        self._open.discard(stream)

    def lost(self, stream: _Stream, link: int) -> None:
        """The peer or the network closed a stream, or a connect was refused."""
        if self._streams.get(link) is stream:
            del self._streams[link]
        self.closed(link)

    def hand_in(self, call: Callable[[], None], *, datagram: bool = False) -> None:
        """Bring an arrival onto the timeline."""
        if not self._cut:
            self._driver.hand_in(call)
        elif not datagram:
            self._held.append(call)

    def _carry(self, outgoing: Outgoing) -> None:
        if not self._cut:
            self._send(outgoing)
        elif not isinstance(outgoing, SendUdp):
            self._held.append(lambda: self._send(outgoing))

    def _send(self, outgoing: Outgoing) -> None:
        if isinstance(outgoing, SendUdp):
            transport = self._datagrams.get(outgoing.local_port)
            if transport is not None and not transport.is_closing():
                transport.sendto(outgoing.data, outgoing.peer)
        elif isinstance(outgoing, SendTcp):
            stream = self._streams.get(outgoing.link)
            if stream is not None:
                stream.write(outgoing.data)
        elif isinstance(outgoing, ConnectTcp):
            connecting = self._streams[outgoing.link] = _Stream(self, outgoing.link)
            task = asyncio.get_running_loop().create_task(self._connect(connecting, outgoing.peer))
            self._connecting[task] = connecting
            task.add_done_callback(self._connecting.pop)
        elif isinstance(outgoing, CloseTcp):
            closing = self._streams.pop(outgoing.link, None)
            if closing is not None:
                closing.drop()

    async def _connect(self, stream: _Stream, peer: Address) -> None:
        loop = asyncio.get_running_loop()
        try:
            await loop.create_connection(lambda: stream, *peer, local_addr=(self.address, 0))
        except OSError:
            stream.hand_in(lambda link: self.lost(stream, link))
        else:
            stream.hand_in(lambda link: self.opened(link, peer))


class _Stream(asyncio.Protocol):
    """One TCP connection; `link` is None until an incoming one is accepted.

    Once the core has closed it, it is `dropped`: nothing more is reported of it, because the core may
    already be connecting again under the same number.
    """

    def __init__(self, host: SocketHost, link: int | None) -> None:
        self._host = host
        self._link = link
        self._transport: asyncio.Transport | None = None
        self.dropped = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        own = transport.get_extra_info("socket")
        own.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        own.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)  # a peer that vanished frees its place
        if self.dropped:
            transport.close()
        elif self._link is None:
            self._link = self._host.accepted(self)
            if self._link is None:
                transport.abort()
                return
            peer = transport.get_extra_info("peername")[:2]
            self.hand_in(lambda link: self._host.opened(link, peer))

    def data_received(self, data: bytes) -> None:
        self.hand_in(lambda link: self._host.received(link, data))

    def connection_lost(self, exc: Exception | None) -> None:
        self._host.gone(self)
        self.hand_in(lambda link: self._host.lost(self, link))

    def hand_in(self, call: Callable[[int], None]) -> None:
        """Bring something onto the timeline, unless the core drops the stream before its turn."""

        def turn() -> None:
            if not self.dropped and self._link is not None:
                call(self._link)

        self._host.hand_in(turn)

    def write(self, data: bytes) -> None:
        """Queue data; a stream already lost takes none, and a peer that never reads is cut off."""
        transport = self._transport
        if transport is not None and not transport.is_closing():
            transport.write(data)
            if transport.get_write_buffer_size() > UNREAD_LIMIT:
                transport.abort()

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


class _Datagrams(asyncio.DatagramProtocol):
    def __init__(self, host: SocketHost, port: int) -> None:
        self._host = host
        self._port = port

    def datagram_received(self, data: bytes, addr: tuple[Any, ...]) -> None:
        peer = (addr[0], addr[1])
        self._host.hand_in(lambda: self._host.datagram(self._port, peer, data), datagram=True)

    def error_received(self, exc: Exception) -> None:
        self._host.send_errors += 1  # a peer without the port open answers by ICMP; its timeout will tell


def _listener(address: str) -> socket.socket:
    """A bound TCP socket; asyncio's own binding hides the reason of a refusal from Python 3.13 on."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((address, TCP_PORT))
        listener.setblocking(False)
    except OSError:
        listener.close()
        raise
    return listener


def can_bind(address: str, port: int) -> bool:
    """Whether a datagram port of this computer is free."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.bind((address, port))
        except OSError:
            return False
        return True


def free_udp_port(address: str) -> int:
    """A free datagram port at *address*; MachineError when the address is not this computer's."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.bind((address, 0))
        except OSError as error:
            raise machine_error(f"a UDP port of {address}", error) from error
        port: int = probe.getsockname()[1]
        return port
