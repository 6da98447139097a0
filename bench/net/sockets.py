"""Real sockets around a protocol core: TCP 44818, UDP 44818 and the I/O port of one address."""

from __future__ import annotations

import asyncio
import errno
import socket
from collections.abc import Callable
from functools import partial
from typing import Any

from bench.clock import PacedDriver, Phase
from bench.eip.transport import (
    TCP_PORT,
    Address,
    CloseTcp,
    ConnectTcp,
    Endpoint,
    JoinGroup,
    LeaveGroup,
    Outgoing,
    SendTcp,
    SendUdp,
)
from bench.errors import LocalError, MachineError
from bench.net.datagrams import BURST, Datagram, Port, open_broadcast, open_group, open_own
from bench.net.host import Host
from bench.net.interfaces import LIMITED_BROADCAST, Interface, interface_of, is_near
from bench.net.streams import LINGER_S, UNREAD_LIMIT, Stream

__all__ = [
    "LINGER_S",
    "MOST_STREAMS",
    "UNREAD_LIMIT",
    "Interface",
    "SocketHost",
    "can_bind",
    "free_udp_port",
    "interface_of",
    "machine_error",
]

MOST_STREAMS = 256  # accepted at one time; where `select` is the loop it takes no descriptor above 1023
LATE_NS = 1_000_000  # a timer that runs this late asks first what came in meanwhile

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

    With UDP port 44818 it also hears broadcasts, those to the subnet and the limited one, from peers
    that can be answered from the own address. Everything is sent from the own address.

    Args:
        driver: brings arriving frames onto the timeline.
        udp_ports: datagram ports to bind at `address`.
        listen: also accept TCP sessions on port 44818.

    Attributes:
        notes: what could not be had and is not an error, in words.
        send_errors: datagrams the system did not take, and groups it did not join.
        turned_away: TCP sessions refused because there were `MOST_STREAMS` already, or no power.
        lost_datagrams: came in without power or with the cable unplugged.
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
        # A core may close a link and connect again under the same number: see `Stream.dropped`.
        self._streams: dict[int, Stream] = {}
        self._own: dict[int, Port] = {}
        self._broadcast: list[Port] = []
        self._groups: dict[tuple[str, int], Port] = {}
        self._near: dict[str, bool] = {}
        self._server: asyncio.Server | None = None
        self._accepted = 0
        self._connecting: dict[asyncio.Task[None], Stream] = {}
        self._open: set[Stream] = set()  # accepted and not yet closed, dropped ones included
        self._read_to_ns = -1  # every frame that came by then has been read
        self.notes: list[str] = []
        self.send_errors = 0
        self.turned_away = 0
        self.lost_datagrams = 0
        self._cut = False
        self._held: list[Callable[[], None]] = []

    def set_cut(self, cut: bool) -> None:
        """Unplug or plug the cable: datagrams are lost meanwhile, stream data comes afterwards."""
        self._cut = cut
        if not cut:
            held, self._held = self._held, []
            for call in held:
                self._driver.hand_in(call)

    # --- open and close ---

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
        if self._listen:
            asked = f"TCP port {TCP_PORT} of {self.address}"
            try:
                listener = _listener(self.address)
            except OSError as error:
                raise machine_error(asked, error) from error
            loop = asyncio.get_running_loop()
            self._server = await loop.create_server(lambda: Stream(self, None), sock=listener)
        for port in self._udp_ports:
            try:
                self._own[port] = self._watched(open_own(self.address, port))
            except OSError as error:
                raise machine_error(f"UDP port {port} of {self.address}", error) from error
        if TCP_PORT in self._udp_ports:
            self._listen_to_broadcasts()

    def _listen_to_broadcasts(self) -> None:
        try:
            subnet = interface_of(self.address).broadcast_of(self.address)
        except LocalError:
            return  # a name in place of an address
        for broadcast in dict.fromkeys((subnet, LIMITED_BROADCAST)):
            try:
                self._broadcast.append(self._watched(open_broadcast(broadcast, TCP_PORT)))
            except OSError as error:
                reason = error.strerror or str(error)
                self.notes.append(f"broadcasts to {broadcast} do not reach {self.address}: {reason}")

    def _watched(self, port: Port) -> Port:
        asyncio.get_running_loop().add_reader(port.socket.fileno(), self._readable, port)
        return port

    def _close_port(self, port: Port) -> None:
        asyncio.get_running_loop().remove_reader(port.socket.fileno())
        port.socket.close()

    async def close(self) -> None:
        """Close every socket; what the core still wanted to say should have been pumped before."""
        for task in list(self._connecting):
            task.cancel()
        await asyncio.gather(*self._connecting, return_exceptions=True)
        if self._server is not None:
            self._server.close()
        for stream in list(self._streams.values()):
            stream.drop()
        for port in self._ports():
            self._close_port(port)
        self._own.clear()
        self._broadcast.clear()
        self._groups.clear()
        await asyncio.sleep(0)
        for stream in list(self._streams.values()):
            stream.abort()  # a peer that does not read would keep what is queued for ever
        if self._server is not None:
            await self._server.wait_closed()
        await asyncio.sleep(0)

    def _forget(self) -> None:
        """Power is lost: peers get a reset, as from a device that has started again.

        The ports stay bound, so that nobody else takes them; who connects meanwhile gets a reset too.
        """
        for task in list(self._connecting):
            task.cancel()
        for stream in {*self._streams.values(), *self._open}:
            stream.reset()
        self._streams.clear()
        self._held.clear()
        for port in self._groups.values():
            self._close_port(port)
        self._groups.clear()

    # --- datagrams in ---

    def _ports(self) -> list[Port]:
        return [*self._own.values(), *self._broadcast, *self._groups.values()]

    def _readable(self, port: Port) -> None:
        if self._cut or not self.powered:
            self.lost_datagrams += len(port.read())
        elif self._driver.behind_ns() > LATE_NS:
            self._read_late(port)
            self._driver.nudge()
        else:
            burst = port.read()
            if port.to_many and burst:
                burst = [one for one in burst if self._can_answer(one[1][0])]
            if burst:
                self._driver.deliver(partial(self._take, port, burst))

    def _take(self, port: Port, burst: list[Datagram]) -> None:
        self.datagrams(port.port, burst, port.to_many)

    def _can_answer(self, peer: str) -> bool:
        near = self._near.get(peer)
        if near is None:
            if len(self._near) >= 1024:
                self._near.clear()
            near = self._near[peer] = is_near(peer, self.address, interface_of(self.address))
        return near

    def _read_late(self, port: Port) -> int:
        """Put what waits on the timeline, each frame at its arrival; returns up to when all was read.

        Where the system does not stamp frames they come now, that is late.
        """
        timeline, wall_ns = self._timeline, self._driver.wall_ns()
        stamped = port.read_stamped()
        to_ns = wall_ns
        for datagram, stamp_ns in stamped:
            came_ns = to_ns = wall_ns if stamp_ns is None else self._driver.arrival_ns(stamp_ns)
            if not port.to_many or self._can_answer(datagram[1][0]):
                at_ns = max(came_ns, timeline.now_ns)
                timeline.at(at_ns, Phase.NETWORK, partial(self._take, port, [datagram]))
        return to_ns if len(stamped) == BURST else wall_ns

    def _late_ns(self) -> int:
        return max(0, self._driver.wall_ns() - self._timeline.now_ns)

    def _fire(self) -> None:
        """Our own lateness must not look like a peer's: what came in before this instant is heard first.

        It is heard at this instant, so that after a stall a true silence may be told one timeout later.
        """
        now_ns = self._timeline.now_ns
        if now_ns > self._read_to_ns and self._driver.wall_ns() - now_ns > LATE_NS and not self._cut:
            read_to_ns = [self._read_late(port) for port in self._ports()]
            self._read_to_ns = min(read_to_ns, default=now_ns)
            self._timer = self._timeline.at(now_ns, Phase.NETWORK, self._fire)
        else:
            super()._fire()

    # --- what the core says ---

    def _carry(self, outgoing: Outgoing) -> None:
        if isinstance(outgoing, SendUdp):
            port = self._own.get(outgoing.local_port)
            if port is not None and not self._cut:
                if port.send(outgoing.data, outgoing.peer, outgoing.dscp):
                    self.datagrams_out += 1
                else:
                    self.send_errors += 1
        elif isinstance(outgoing, JoinGroup):
            self._join(outgoing.group, outgoing.port)
        elif isinstance(outgoing, LeaveGroup):
            left = self._groups.pop((outgoing.group, outgoing.port), None)
            if left is not None:
                self._close_port(left)
        elif self._cut:
            self._held.append(lambda: self._send(outgoing))
        else:
            self._send(outgoing)

    def _join(self, group: str, port: int) -> None:
        if (group, port) not in self._groups:
            try:
                self._groups[group, port] = self._watched(open_group(group, port, self.address))
            except OSError as error:
                self.send_errors += 1
                self.notes.append(f"group {group} was not joined: {error.strerror or error}")

    def _send(self, outgoing: Outgoing) -> None:
        if isinstance(outgoing, SendTcp):
            stream = self._streams.get(outgoing.link)
            if stream is not None:
                stream.write(outgoing.data, outgoing.dscp)
        elif isinstance(outgoing, ConnectTcp):
            connecting = self._streams[outgoing.link] = Stream(self, outgoing.link)
            task = asyncio.get_running_loop().create_task(self._connect(connecting, outgoing.peer))
            self._connecting[task] = connecting
            task.add_done_callback(self._connecting.pop)
        elif isinstance(outgoing, CloseTcp):
            closing = self._streams.pop(outgoing.link, None)
            if closing is not None:
                closing.drop()

    async def _connect(self, stream: Stream, peer: Address) -> None:
        loop = asyncio.get_running_loop()
        try:
            await loop.create_connection(lambda: stream, *peer, local_addr=(self.address, 0))
        except OSError:
            stream.hand_in(lambda link: self.lost(stream, link))
        else:
            stream.hand_in(lambda link: self.opened(link, peer))

    # --- what streams say ---

    def accepted(self, stream: Stream) -> int | None:
        """Number a new incoming stream; None when there are too many, or no power."""
        if len(self._open) >= MOST_STREAMS or not self.powered:
            self.turned_away += 1
            return None
        self._open.add(stream)
        self._accepted += 1
        self._streams[self._accepted] = stream
        return self._accepted

    def gone(self, stream: Stream) -> None:
        """A stream's socket is closed, whoever closed it."""
        self._open.discard(stream)

    def lost(self, stream: Stream, link: int) -> None:
        """The peer or the network closed a stream, or a connect was refused."""
        if self._streams.get(link) is stream:
            del self._streams[link]
        self.closed(link)

    def hand_in(self, call: Callable[[], None]) -> None:
        """Bring what a stream has to say onto the timeline."""
        if self._cut:
            self._held.append(call)
        else:
            self._driver.deliver(call)


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
