"""An in-memory network for virtual time: the same bytes as on the wire, with a set latency.

Datagrams sent while the network is cut are lost. Stream data is kept and arrives, in order, when the
network is whole again, as a stream's retransmission would have it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from bench.clock import Phase, Timeline
from bench.eip.transport import TCP_PORT, Address, CloseTcp, ConnectTcp, Endpoint, Outgoing, SendTcp, SendUdp
from bench.net.host import Host

FIRST_STREAM_PORT = 49_152  # first dynamic port, RFC 6335 section 6


class MemoryNetwork:
    """Hosts by address and the one wire between them.

    Args:
        timeline: where frames travel.
        latency_ns: time from sending to arrival, >= 0.
    """

    def __init__(self, timeline: Timeline, latency_ns: int = 100_000) -> None:
        self._timeline = timeline
        self._latency_ns = latency_ns
        self._hosts: dict[str, MemoryHost] = {}
        self._held: list[Callable[[], None]] = []
        self._ports = FIRST_STREAM_PORT
        self.cut = False
        self.lost_datagrams = 0

    def attach(self, endpoint: Endpoint, address: str, on_event: Callable[[Any], None]) -> MemoryHost:
        """Put *endpoint* on the network at *address*."""
        host = MemoryHost(self, endpoint, self._timeline, address, on_event)
        self._hosts[address] = host
        return host

    def host(self, address: str) -> MemoryHost | None:
        """The host at *address*, None when nobody lives there."""
        return self._hosts.get(address)

    def next_port(self) -> int:
        """A stream port that nobody uses."""
        self._ports += 1
        return self._ports - 1

    def set_cut(self, cut: bool) -> None:
        """Unplug or plug the cable."""
        self.cut = cut
        if not cut:
            held, self._held = self._held, []
            for call in held:
                self._later(call)

    def stream(self, call: Callable[[], None]) -> None:
        """Carry one piece of a stream."""
        if self.cut:
            self._held.append(call)
        else:
            self._later(call)

    def datagram(self, call: Callable[[], None]) -> None:
        """Carry one datagram."""
        if self.cut:
            self.lost_datagrams += 1
        else:
            self._later(call)

    def _later(self, call: Callable[[], None]) -> None:
        self._timeline.after(self._latency_ns, Phase.NETWORK, call)


@dataclass(eq=False, slots=True)
class _Stream:
    """One stream connection; `ends` are the hosts and their links, the caller's first."""

    ends: list[tuple[MemoryHost, int]]

    def other(self, host: MemoryHost, link: int) -> tuple[MemoryHost, int] | None:
        """The far end seen from (host, link), None before it was accepted."""
        return next((end for end in self.ends if end != (host, link)), None)


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
        # A core may close a link and connect again under the same number: whatever arrives late belongs
        # to the stream it was sent on, not to the number.
        self._streams: dict[int, _Stream] = {}
        self._accepted = 0

    def _carry(self, outgoing: Outgoing) -> None:
        if isinstance(outgoing, SendUdp):
            self._send_datagram(outgoing)
        elif isinstance(outgoing, SendTcp):
            self._send_stream(outgoing.link, outgoing.data)
        elif isinstance(outgoing, ConnectTcp):
            self._connect(outgoing.link, outgoing.peer)
        elif isinstance(outgoing, CloseTcp):
            self._close(outgoing.link)

    def _send_datagram(self, outgoing: SendUdp) -> None:
        target_address, port = outgoing.peer
        target = self._network.host(target_address)
        if target is not None:
            source, data = (self.address, outgoing.local_port), outgoing.data
            self._network.datagram(lambda: target.datagram(port, source, data))

    def _send_stream(self, link: int, data: bytes) -> None:
        stream = self._streams.get(link)
        far = None if stream is None else stream.other(self, link)
        if stream is not None and far is not None:
            peer, peer_link = far
            self._network.stream(lambda: peer._arrived(stream, peer_link, data))

    def _connect(self, link: int, peer: Address) -> None:
        stream = self._streams[link] = _Stream([(self, link)])
        target = self._network.host(peer[0])
        if target is None or peer[1] != TCP_PORT:
            self._network.stream(lambda: self._lost(stream, link))  # refused
            return
        own = (self.address, self._network.next_port())
        self._network.stream(lambda: target._accept(stream, own, peer))

    def _accept(self, stream: _Stream, caller_address: Address, own: Address) -> None:
        caller, caller_link = stream.ends[0]
        if not caller._has(stream, caller_link):
            return  # given up before it got here
        self._accepted += 1
        link = self._accepted
        stream.ends.append((self, link))
        self._streams[link] = stream
        self.opened(link, caller_address)
        self._network.stream(lambda: caller._answered(stream, caller_link, own))

    def _has(self, stream: _Stream, link: int) -> bool:
        return self._streams.get(link) is stream

    def _answered(self, stream: _Stream, link: int, peer: Address) -> None:
        if self._has(stream, link):
            self.opened(link, peer)

    def _arrived(self, stream: _Stream, link: int, data: bytes) -> None:
        if self._has(stream, link):
            self.received(link, data)

    def _close(self, link: int) -> None:
        stream = self._streams.pop(link, None)
        far = None if stream is None else stream.other(self, link)
        if stream is not None and far is not None:
            peer, peer_link = far
            self._network.stream(lambda: peer._lost(stream, peer_link))

    def _lost(self, stream: _Stream, link: int) -> None:
        if self._has(stream, link):
            del self._streams[link]
            self.closed(link)
