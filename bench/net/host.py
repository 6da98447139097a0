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

    Attributes:
        powered: False between `power_off` and `power_on`.
        datagrams_in, datagrams_out: what the core was given and what it sent.
    """

    def __init__(
        self, endpoint: Endpoint, timeline: Timeline, address: str, on_event: Callable[[Any], None]
    ) -> None:
        self.endpoint = endpoint
        self.address = address
        self.powered = True
        self.datagrams_in = 0
        self.datagrams_out = 0
        self._timeline = timeline
        self._on_event = on_event
        self._timer: Entry | None = None

    def _carry(self, outgoing: Outgoing) -> None:
        raise NotImplementedError

    def _carry_all(self, said: list[Outgoing]) -> None:
        for outgoing in said:
            self._carry(outgoing)

    def _forget(self) -> None:
        """Let go of every stream and group, as a device does that loses its power."""
        raise NotImplementedError

    def pump(self) -> None:
        """Carry what the core wants sent, pass on its events, set its timer; after every call into it."""
        if not self.powered:
            return
        endpoint = self.endpoint
        if said := endpoint.take_outgoing():
            self._carry_all(said)
        for event in endpoint.take_events():
            self._on_event(event)
        self._arm()

    def power_off(self) -> None:
        """Take the supply away: nothing is sent or taken any more, streams and groups are gone.

        The core is not told; nobody may use it again. A second call changes nothing.
        """
        if self.powered:
            self.powered = False
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            self._forget()

    def power_on(self, endpoint: Endpoint) -> None:
        """Start again at the same address with a new core, which should be of another incarnation."""
        self.power_off()
        self.endpoint = endpoint
        self.powered = True
        self.pump()

    def opened(self, link: int, peer: Address) -> None:
        if self.powered:
            self.endpoint.tcp_opened(link, peer, self._timeline.now_ns)
            self.pump()

    def received(self, link: int, data: bytes) -> None:
        if self.powered:
            self.endpoint.tcp_received(link, data, self._timeline.now_ns)
            self.pump()

    def closed(self, link: int) -> None:
        if self.powered:
            self.endpoint.tcp_closed(link, self._timeline.now_ns)
            self.pump()

    def datagrams(self, port: int, arrived: list[tuple[bytes, Address]], to_many: bool) -> None:
        """Give the core what arrived at its own *port*, in order, then pump once."""
        if self.powered:
            take, now_ns = self.endpoint.udp_received, self._timeline.now_ns
            self.datagrams_in += len(arrived)
            for data, peer in arrived:
                take(port, peer, data, now_ns, to_many)
            self.pump()

    def _arm(self) -> None:
        due_ns = self.endpoint.next_deadline_ns()
        if due_ns is None:
            return
        timer = self._timer
        if timer is not None and timer.t_ns <= due_ns and timer.pending:
            return  # an early timer finds nothing due and arms itself again: cheaper than rescheduling
        at_ns = max(due_ns, self._timeline.now_ns)
        self._timer = self._timeline.no_later(timer, at_ns, Phase.NETWORK, self._fire)

    def _late_ns(self) -> int:
        """How far this shell is behind its clock: nothing, in virtual time."""
        return 0

    def _fire(self) -> None:
        due_ns, now_ns = self.endpoint.next_deadline_ns(), self._timeline.now_ns
        if due_ns is not None and due_ns <= now_ns:
            self.endpoint.handle_timer(now_ns, self._late_ns())
            self.pump()
        else:
            self._arm()
