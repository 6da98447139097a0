"""An in-memory network for virtual time: the same bytes as on the wire, on links as good as one sets.

Datagrams sent while the network is cut, or between two hosts of a partition, are lost. Stream data is
kept and arrives, in order, when the way is whole again, as a stream's retransmission would have it.

A host without power is silent: nobody is told, what arrives is lost, and a connect to it fails after
`NO_ANSWER_NS`. When it is back, a piece of a stream of its former life is answered by a reset.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from bench.clock import Entry, Phase, Timeline
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
from bench.net.host import Host
from bench.net.interfaces import LIMITED_BROADCAST, is_group
from bench.net.link import Direction, LinkQuality

__all__ = ["LinkQuality", "MemoryHost", "MemoryNetwork"]

FIRST_STREAM_PORT = 49_152  # first dynamic port, RFC 6335 section 6
NO_ANSWER_NS = 3_000_000_000  # address resolution gives up after about this time; common practice, no source
HELD_NS = 100_000_000  # a reordered datagram that no other one follows arrives this late

_Call = Callable[[], None]


class MemoryNetwork:
    """Hosts by address and the ways between them.

    Args:
        timeline: where frames travel.
        latency_ns: time from sending to arrival, >= 0; everything else of the links is clean.
        quality: of every link, in place of `latency_ns`.
        broadcast: the subnet's broadcast address.

    Attributes:
        cut: nothing passes.
        lost_datagrams: by a cut, a partition, a lossy link or a host without power.
    """

    def __init__(
        self,
        timeline: Timeline,
        latency_ns: int = 100_000,
        *,
        quality: LinkQuality | None = None,
        broadcast: str = "127.255.255.255",
    ) -> None:
        self._timeline = timeline
        self._quality = quality or LinkQuality(latency_ns)
        self._everybody = (broadcast, LIMITED_BROADCAST)
        self._hosts: dict[str, MemoryHost] = {}
        self._ways: dict[tuple[str, str], _Way] = {}
        self._groups: dict[tuple[str, int], dict[MemoryHost, None]] = {}
        self._apart: frozenset[frozenset[str]] = frozenset()
        self._held: list[tuple[str, str, _Call]] = []
        self._ports = FIRST_STREAM_PORT
        self._particular = False  # some link has a quality of its own
        self.plain = self._quality.clean
        self.cut = False
        self.lost_datagrams = 0

    # --- hosts ---

    def attach(self, endpoint: Endpoint, address: str, on_event: Callable[[Any], None]) -> MemoryHost:
        """Put *endpoint* on the network at *address*; whoever was there is detached."""
        self.detach(address)
        host = MemoryHost(self, endpoint, self._timeline, address, on_event)
        self._hosts[address] = host
        return host

    def detach(self, address: str) -> None:
        """Take the host at *address* off the network for good; connects to it are refused from now on."""
        host = self._hosts.pop(address, None)
        if host is not None:
            host.power_off()

    def host(self, address: str) -> MemoryHost | None:
        """The host at *address*, None when nobody lives there."""
        return self._hosts.get(address)

    def next_port(self) -> int:
        """A stream port that nobody uses."""
        self._ports += 1
        return self._ports - 1

    def join(self, host: MemoryHost, group: str, port: int) -> None:
        """Deliver what is sent to *group*:*port* to *host* too."""
        self._groups.setdefault((group, port), {})[host] = None

    def leave(self, host: MemoryHost, group: str, port: int) -> None:
        """The end of a `join`."""
        self._groups.get((group, port), {}).pop(host, None)

    def leave_all(self, host: MemoryHost) -> None:
        """Take *host* out of every group."""
        for members in self._groups.values():
            members.pop(host, None)

    def receivers(self, source: str, target: str, port: int) -> tuple[MemoryHost, ...]:
        """Who hears a datagram to *target*: one host, the members of a group, or all but the sender."""
        host = self._hosts.get(target)
        if host is not None:
            return (host,)
        if target in self._everybody:
            return tuple(host for address, host in self._hosts.items() if address != source)
        return tuple(self._groups.get((target, port), ())) if is_group(target) else ()

    # --- the state of the ways ---

    def set_cut(self, cut: bool) -> None:
        """Unplug or plug the cable of everybody."""
        self.cut = cut
        self._changed()

    def set_partition(self, pairs: Iterable[tuple[str, str]]) -> None:
        """The pairs of addresses that cannot reach each other, in either direction; replaces those before."""
        self._apart = frozenset(frozenset(pair) for pair in pairs)
        self._changed()

    def set_quality(self, quality: LinkQuality, source: str | None = None, target: str | None = None) -> None:
        """Set how good the way from *source* to *target* is; without them, every way.

        What is under way keeps its time of arrival. A way whose quality changes goes on with new draws.
        """
        if source is None or target is None:
            self._quality = quality
            self._particular = False
            for way in self._ways.values():
                way.direction.become(quality)
        else:
            self._particular = True
            self._way(source, target).direction.become(quality)
        self._changed()

    def _changed(self) -> None:
        self.plain = self._quality.clean and not (self._particular or self.cut or self._apart)
        held, self._held = self._held, []
        for source, target, call in held:
            self.stream(source, target, call)

    def _way(self, source: str, target: str) -> _Way:
        way = self._ways.get((source, target))
        if way is None:
            way = self._ways[source, target] = _Way(Direction(self._quality, source, target))
        return way

    def _is_apart(self, source: str, target: str) -> bool:
        return self.cut or (bool(self._apart) and frozenset((source, target)) in self._apart)

    # --- what travels ---

    def stream(self, source: str, target: str, call: _Call) -> None:
        """Carry one piece of a stream."""
        if self._is_apart(source, target):
            self._held.append((source, target, call))
        else:
            at_ns = self._way(source, target).direction.stream(self._timeline.now_ns)
            self._timeline.at(at_ns, Phase.NETWORK, call)

    def later(self, call: _Call) -> None:
        """Carry something over links that do nothing but delay."""
        self._timeline.after(self._quality.latency_ns, Phase.NETWORK, call)

    def datagram(self, source: str, target: str, call: _Call) -> None:
        """Carry one datagram over a link that may do anything to it."""
        way, now_ns = self._way(source, target), self._timeline.now_ns
        arrivals = () if self._is_apart(source, target) else way.direction.datagram(now_ns)
        if not arrivals:
            self.lost_datagrams += 1
        elif way.waiting is None and way.direction.held_back():
            way.wait(self._timeline.after(HELD_NS, Phase.NETWORK, lambda: way.let_go(call)), call)
        else:
            for at_ns in arrivals:
                self._timeline.at(at_ns, Phase.NETWORK, call)
            if way.waiting is not None:
                self._timeline.at(arrivals[-1], Phase.NETWORK, way.overtaken())


class _Way:
    """One direction between two hosts, and the datagram that waits on it to be overtaken."""

    __slots__ = ("direction", "waiting")

    def __init__(self, direction: Direction) -> None:
        self.direction = direction
        self.waiting: tuple[Entry, _Call] | None = None

    def wait(self, at_last: Entry, call: _Call) -> None:
        self.waiting = (at_last, call)

    def let_go(self, call: _Call) -> None:
        self.waiting = None
        call()

    def overtaken(self) -> _Call:
        assert self.waiting is not None
        (entry, call), self.waiting = self.waiting, None
        entry.cancel()
        return call


@dataclass(eq=False, slots=True)
class _Stream:
    """One connection; a core may use a link number anew, so a late piece asks for its own stream."""

    ends: list[tuple[MemoryHost, int]]

    def other(self, host: MemoryHost, link: int) -> tuple[MemoryHost, int] | None:
        for end in self.ends:
            if end != (host, link):
                return end
        return None


class MemoryHost(Host):
    """One endpoint on a `MemoryNetwork`."""

    def __init__(
        self,
        network: MemoryNetwork,
        endpoint: Endpoint,
        timeline: Timeline,
        address: str,
        on_event: Callable[[Any], None],
    ) -> None:
        super().__init__(endpoint, timeline, address, on_event)
        self._network = network
        self._streams: dict[int, _Stream] = {}
        self._accepted = 0

    def _forget(self) -> None:
        self._streams.clear()
        self._network.leave_all(self)

    def _carry_all(self, said: list[Outgoing]) -> None:
        """Datagrams that follow one another on plain links travel as one event of the timeline."""
        network = self._network
        hosts = network._hosts
        together: list[tuple[MemoryHost, int, Address, bytes]] | None = None
        for outgoing in said:
            if network.plain and type(outgoing) is SendUdp:
                address, port = outgoing.peer
                target = hosts.get(address)
                if target is not None:
                    if together is None:
                        together = []
                        network.later(_Arrival(network, together))
                    together.append((target, port, (self.address, outgoing.local_port), outgoing.data))
                    self.datagrams_out += 1
                    continue
            together = None
            self._carry(outgoing)

    def _carry(self, outgoing: Outgoing) -> None:
        if isinstance(outgoing, SendUdp):
            self._send_datagram(outgoing)
        elif isinstance(outgoing, SendTcp):
            self._send_stream(outgoing.link, outgoing.data)
        elif isinstance(outgoing, ConnectTcp):
            self._connect(outgoing.link, outgoing.peer)
        elif isinstance(outgoing, CloseTcp):
            self._close(outgoing.link)
        elif isinstance(outgoing, JoinGroup):
            self._network.join(self, outgoing.group, outgoing.port)
        elif isinstance(outgoing, LeaveGroup):
            self._network.leave(self, outgoing.group, outgoing.port)

    def _send_datagram(self, outgoing: SendUdp) -> None:
        address, port = outgoing.peer
        self.datagrams_out += 1
        arrived = [(outgoing.data, (self.address, outgoing.local_port))]
        for target in self._network.receivers(self.address, address, port):
            to_many = target.address != address

            def call(target: MemoryHost = target, to_many: bool = to_many) -> None:
                target._take(port, arrived, to_many)

            self._network.datagram(self.address, target.address, call)

    def _take(self, port: int, arrived: list[tuple[bytes, Address]], to_many: bool) -> None:
        if self.powered:
            self.datagrams(port, arrived, to_many)
        else:
            self._network.lost_datagrams += len(arrived)

    # --- streams ---

    def _send_stream(self, link: int, data: bytes) -> None:
        stream = self._streams.get(link)
        far = None if stream is None else stream.other(self, link)
        if stream is not None and far is not None:
            peer, peer_link = far
            reset = self, link
            self._network.stream(
                self.address, peer.address, lambda: peer._arrived(stream, peer_link, data, reset)
            )

    def _connect(self, link: int, peer: Address) -> None:
        stream = self._streams[link] = _Stream([(self, link)])
        target = self._network.host(peer[0])
        if target is None or peer[1] != TCP_PORT:
            self._network.stream(self.address, peer[0], lambda: self._lost(stream, link))  # refused
            return
        own = (self.address, self._network.next_port())
        self._network.stream(self.address, target.address, lambda: target._accept(stream, own, peer))

    def _accept(self, stream: _Stream, caller_address: Address, own: Address) -> None:
        caller, caller_link = stream.ends[0]
        if not caller._has(stream, caller_link):
            return  # given up before it got here
        if not self.powered:
            self._timeline.after(NO_ANSWER_NS, Phase.NETWORK, lambda: caller._lost(stream, caller_link))
            return
        self._accepted += 1
        link = self._accepted
        stream.ends.append((self, link))
        self._streams[link] = stream
        self.opened(link, caller_address)
        self._network.stream(self.address, caller.address, lambda: caller._answered(stream, caller_link, own))

    def _has(self, stream: _Stream, link: int) -> bool:
        return self._streams.get(link) is stream

    def _answered(self, stream: _Stream, link: int, peer: Address) -> None:
        if self._has(stream, link):
            self.opened(link, peer)

    def _arrived(self, stream: _Stream, link: int, data: bytes, sender: tuple[MemoryHost, int]) -> None:
        if self._has(stream, link):
            self.received(link, data)
        elif self.powered:  # a stream of a former life, or closed meanwhile: the sender gets a reset
            peer, peer_link = sender
            self._network.stream(self.address, peer.address, lambda: peer._lost(stream, peer_link))

    def _close(self, link: int) -> None:
        stream = self._streams.pop(link, None)
        far = None if stream is None else stream.other(self, link)
        if stream is not None and far is not None:
            peer, peer_link = far
            self._network.stream(self.address, peer.address, lambda: peer._lost(stream, peer_link))

    def _lost(self, stream: _Stream, link: int) -> None:
        if self._has(stream, link):
            del self._streams[link]
            self.closed(link)


class _Arrival:
    """Datagrams that arrive at one instant; a host is pumped once for those in a row that are its own."""

    __slots__ = ("_network", "_together")

    def __init__(
        self, network: MemoryNetwork, together: list[tuple[MemoryHost, int, Address, bytes]]
    ) -> None:
        self._network = network
        self._together = together

    def __call__(self) -> None:
        last: MemoryHost | None = None
        for host, port, source, data in self._together:
            if host is not last:
                if last is not None:
                    last.pump()
                last = host
            if host.powered:
                host.datagrams_in += 1
                host.endpoint.udp_received(port, source, data, host._timeline.now_ns)
            else:
                self._network.lost_datagrams += 1
        if last is not None:
            last.pump()
