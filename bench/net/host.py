"""What every shell around a protocol core does: feed it, carry what it says, keep its timer.

A core (adapter or scanner) is an `Endpoint`: bytes and bench time in, bytes, events and a deadline
out. A shell only moves bytes; every call into a core happens on the timeline.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bench.clock import Entry, Phase, Timeline
from bench.eip.transport import Address, Endpoint, Outgoing


class Host:
    """Base of the shells; a subclass carries `Outgoing` values in `_carry`.

    Args:
        endpoint: the protocol core.
        timeline: where its timer and its arrivals happen.
        address: the IP address it lives at.
        on_event: called with each event of the core, on the timeline.
    """

    def __init__(
        self, endpoint: Endpoint, timeline: Timeline, address: str, on_event: Callable[[Any], None]
    ) -> None:
        self.endpoint = endpoint
        self.address = address
        self._timeline = timeline
        self._on_event = on_event
        self._timer: Entry | None = None

    def _carry(self, outgoing: Outgoing) -> None:
        raise NotImplementedError

    def pump(self) -> None:
        """Carry what the core wants sent, pass on its events, set its timer; after every call into it."""
        endpoint = self.endpoint
        for outgoing in endpoint.take_outgoing():
            self._carry(outgoing)
        for event in endpoint.take_events():
            self._on_event(event)
        self._arm()

    def opened(self, link: int, peer: Address) -> None:
        self.endpoint.tcp_opened(link, peer, self._timeline.now_ns)
        self.pump()

    def received(self, link: int, data: bytes) -> None:
        self.endpoint.tcp_received(link, data, self._timeline.now_ns)
        self.pump()

    def closed(self, link: int) -> None:
        self.endpoint.tcp_closed(link, self._timeline.now_ns)
        self.pump()

    def datagram(self, port: int, peer: Address, data: bytes) -> None:
        self.endpoint.udp_received(port, peer, data, self._timeline.now_ns)
        self.pump()

    def _arm(self) -> None:
        due_ns = self.endpoint.next_deadline_ns()
        if due_ns is None:
            return
        # an early timer finds nothing due and arms itself again: cheaper than rescheduling
        at_ns = max(due_ns, self._timeline.now_ns)
        self._timer = self._timeline.no_later(self._timer, at_ns, Phase.NETWORK, self._fire)

    def _fire(self) -> None:
        due_ns = self.endpoint.next_deadline_ns()
        if due_ns is not None and due_ns <= self._timeline.now_ns:
            self.endpoint.handle_timer(self._timeline.now_ns)
            self.pump()
        else:
            self._arm()
