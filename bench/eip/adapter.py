"""The adapter (target): I/O connections of every kind, explicit messages, objects, limits.

Bytes and `now_ns` in; bytes, events and deadlines out. See `transport.Endpoint` for the calling rules.
What each part decides stands in its own module: `sessions` the encapsulation, `manager` and `checks` the
connections, `objects` what can be read and set; this one joins them.
"""

from __future__ import annotations

from collections import deque

from bench.eip.config import AdapterConfig, Identity, OnLoss
from bench.eip.connections import Totals
from bench.eip.cpf import Item
from bench.eip.device import LinkCounters, ManagerCounters, Settings, State, Traffic
from bench.eip.events import BadFrame, ConnectionReport, Event, Refused
from bench.eip.limits import LogLimiter
from bench.eip.manager import ConnectionManager
from bench.eip.message import Response, encode_response
from bench.eip.messaging import SEQUENCE_BYTES
from bench.eip.objects import Origin, answer, build_classes, identity_item
from bench.eip.outputs import OutputImage
from bench.eip.routing import decode_wrapped, is_wrapped, refuse_route
from bench.eip.sessions import Link, Sessions, Taken
from bench.eip.status import Status
from bench.eip.transport import TCP_PORT, Address, CloseTcp, Outgoing, SendTcp, SendUdp
from bench.errors import LocalError, RemoteError

__all__ = ["Adapter", "AdapterConfig", "Identity", "OnLoss"]

_KEPT_REFUSALS = 64
_FAULT_BITS, _MAJOR_RECOVERABLE, _MAJOR_UNRECOVERABLE = 0x0F00, 0x0400, 0x0800
_TRAFFIC = (Traffic.LOW, Traffic.HIGH, Traffic.SCHEDULED, Traffic.URGENT)  # by priority


class Adapter:
    """An EtherNet/IP adapter.

    Args:
        config: what the adapter is.
        incarnation: differs from one start to the next; upper 16 bits of connection ids and session
            handles, so that frames meant for an earlier life are not taken.
        settings: those of the earlier life, after a power cycle; what was pending is used from now on.

    Attributes:
        refusals: the last 64 refusals, oldest first; each is kept, told or not.
        manager_counters, link_counters, settings: what the objects show and set.
    """

    def __init__(self, config: AdapterConfig, incarnation: int = 1, settings: Settings | None = None) -> None:
        self.config = config
        self.refusals: deque[Refused] = deque(maxlen=_KEPT_REFUSALS)
        self.settings = settings or Settings(inactivity_s=config.limits.inactivity_s)
        self.settings.start()
        self.link_counters = LinkCounters()
        self._faults = 0
        self._inputs = bytes(config.input_size)
        self._outgoing: list[Outgoing] = []
        self._events: list[Event] = []
        per_s = config.limits.complaints_per_s
        # a limit of its own each: noise on the I/O port must not hide why an open was refused
        self._logs = {Refused: LogLimiter(per_s), BadFrame: LogLimiter(per_s)}
        self._outputs = OutputImage(config, self._tell)
        self._manager = ConnectionManager(
            config,
            incarnation,
            self._outputs,
            lambda: self._inputs,
            lambda priority: self.settings.dscp[_TRAFFIC[priority]],
            self._send,
            self._tell,
            self._close_link,
        )
        self._sessions = Sessions(
            config,
            lambda: identity_item(self, TCP_PORT),
            self._unconnected,
            self._connected,
            self._manager.is_busy,
            lambda: self.settings.inactivity_s,
            incarnation,
            self.settings.dscp[Traffic.EXPLICIT],
        )
        # asked after every call of the shell, so bound once
        self._deadlines = (
            self._sessions.next_deadline_ns,
            *(log.next_deadline_ns for log in self._logs.values()),
        )
        self._classes = build_classes(self, self._manager.services())

    # -- what the station reads and writes ------------------------------------------------------------

    @property
    def inputs(self) -> bytes:
        """The input image, as the next T->O frame carries it."""
        return self._inputs

    @property
    def outputs(self) -> bytes:
        """The output image after the rules for run, idle, timeout and close; starts as zeros."""
        return self._outputs.data

    @property
    def running(self) -> bool:
        """True while an owner is connected and in run."""
        return self._outputs.running

    @property
    def owned(self) -> bool:
        """Whether an owner's connection is established."""
        return self._manager.owned

    @property
    def kept(self) -> bool:
        """Whether the outputs wait for an owner whose connection timed out."""
        return self._manager.timed_out

    @property
    def io_open(self) -> bool:
        """Whether any I/O connection is established."""
        return self._manager.io_open

    @property
    def status_word(self) -> int:
        """Identity status: bit 0 owned, bits 4-7 the extended device status, bits 8-11 faults."""
        manager = self._manager
        if self.running:
            extended = 6
        elif manager.timed_out:  # also while others only listen: a lost owner is what a person must see
            extended = 2
        else:
            extended = 7 if manager.io_open else 3
        return manager.owned | extended << 4 | self._faults

    @property
    def state(self) -> int:
        """Identity attribute 8."""
        if self._faults & _MAJOR_UNRECOVERABLE:
            return State.MAJOR_UNRECOVERABLE_FAULT
        return State.MAJOR_RECOVERABLE_FAULT if self._faults & _MAJOR_RECOVERABLE else State.OPERATIONAL

    @property
    def manager_counters(self) -> ManagerCounters:
        return self._manager.counters

    @property
    def totals(self) -> Totals:
        """Counted since the start."""
        return self._manager.totals

    @property
    def strangers(self) -> int:
        """O->T frames dropped because they came from another source than the owner's."""
        return self._manager.strangers

    @property
    def strays(self) -> int:
        """Cyclic frames dropped because no open connection has their id."""
        return self._manager.strays

    @property
    def sessions(self) -> int:
        """TCP links open now."""
        return len(self._sessions.links)

    @property
    def open_connections(self) -> int:
        """Connections of every class open now."""
        return self._manager.open_connections

    def set_faults(self, mask: int) -> None:
        """Fault bits 8 to 11 of the status word: minor and major, recoverable and not."""
        if mask & ~_FAULT_BITS:
            raise LocalError(f"fault mask 0x{mask:04X}: expected bits of 0x{_FAULT_BITS:04X}")
        self._faults = mask

    def set_inputs(self, data: bytes, now_ns: int) -> None:
        """Replace the input image; raises LocalError for a wrong size."""
        if len(data) != self.config.input_size:
            raise LocalError(
                f"{len(data)} input bytes; assembly {self.config.input_assembly} has {self.config.input_size}"
            )
        self._inputs = data = bytes(data)
        self._manager.set_inputs(data, now_ns)

    def write_outputs(self, data: bytes, now_ns: int) -> None:
        """Outputs set by an explicit message; the objects have checked that nobody owns them."""
        self._outputs.apply(data, False, now_ns)

    def connections(self) -> tuple[ConnectionReport, ...]:
        """Ended connections (the last 32), then timed out owners, then established ones."""
        return self._manager.reports()

    def shutdown(self, now_ns: int) -> None:
        """Close every connection and link; the outputs follow the rule for a lost connection."""
        self._manager.shutdown(now_ns)
        for number in list(self._sessions.links):
            self._outgoing.append(CloseTcp(number))
            self._sessions.closed(number)

    # -- Endpoint -------------------------------------------------------------------------------------

    def tcp_opened(self, link: int, peer: Address, now_ns: int) -> None:
        self._take(self._sessions.opened(link, peer, now_ns), now_ns)

    def tcp_received(self, link: int, data: bytes, now_ns: int) -> None:
        counters = self.link_counters
        counters.in_octets += len(data)
        counters.in_unicast += 1
        self._take(self._sessions.received(link, data, now_ns), now_ns)

    def tcp_closed(self, link: int, now_ns: int) -> None:
        """Class 1 connections opened over the link go on: their own watchdog guards them."""
        self._sessions.closed(link)
        self._manager.link_closed(link, now_ns)

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        counters = self.link_counters
        counters.in_octets += len(data)
        if to_many:
            counters.in_nonunicast += 1
        else:
            counters.in_unicast += 1
        if local_port != self.config.io_port:
            self._take(self._sessions.datagram(local_port, peer, data, now_ns, to_many), now_ns)
        elif not to_many:
            self._manager.cyclic_received(peer, data, now_ns)

    def next_deadline_ns(self) -> int | None:
        earliest = self._manager.next_deadline_ns()
        for ask in self._deadlines:
            due_ns = ask()
            if due_ns is not None and (earliest is None or due_ns < earliest):
                earliest = due_ns
        return earliest

    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None:
        self._manager.handle_timer(now_ns, late_ns)
        due_ns = self._sessions.next_deadline_ns()
        if due_ns is not None and due_ns <= now_ns:
            self._take(self._sessions.handle_timer(now_ns), now_ns)
        for log in self._logs.values():
            due_ns = log.next_deadline_ns()
            if due_ns is not None and due_ns <= now_ns:
                self._tell_overdue(now_ns)

    def take_outgoing(self) -> list[Outgoing]:
        taken, self._outgoing = self._outgoing, []
        return taken

    def take_events(self) -> list[Event]:
        taken, self._events = self._events, []
        return taken

    # -- joining the parts ----------------------------------------------------------------------------

    def _send(self, outgoing: Outgoing) -> None:
        self._outgoing.append(outgoing)
        if isinstance(outgoing, SendTcp | SendUdp):
            counters = self.link_counters
            counters.out_octets += len(outgoing.data)
            if isinstance(outgoing, SendUdp) and outgoing.peer[0].startswith("239."):
                counters.out_nonunicast += 1
            else:
                counters.out_unicast += 1

    def _tell(self, event: Event) -> None:
        """Events that a peer can cause as often as it likes pass the limit on log lines."""
        if isinstance(event, Refused | BadFrame):
            self._tell_overdue(event.t_ns)
            if not self._logs[type(event)].passes(event.t_ns):
                self.totals.not_told += 1
                return
        self._events.append(event)

    def _tell_overdue(self, now_ns: int) -> None:
        for kind, name in ((Refused, "refusals"), (BadFrame, "bad frames")):
            if more := self._logs[kind].overdue(now_ns):
                self._events.append(BadFrame(now_ns, "", f"{name} not shown: {more}"))

    def _take(self, taken: Taken, now_ns: int) -> None:
        for sent in taken.outgoing:
            self._send(sent)
        for complaint in taken.complaints:
            self._tell(BadFrame(now_ns, complaint.peer, complaint.sentence))
        for link in taken.closed:
            self._manager.link_closed(link, now_ns)

    def _close_link(self, link: int) -> None:
        if link in self._sessions.links:
            self._outgoing.append(CloseTcp(link))
            self._sessions.closed(link)

    # -- explicit messages ----------------------------------------------------------------------------

    def _unconnected(
        self, link: Link, message: bytes, items: tuple[Item, ...], now_ns: int
    ) -> tuple[bytes, tuple[Item, ...]]:
        origin = Origin(link.number, link.peer, items, now_ns)
        if is_wrapped(message):
            reply, response = self._unwrapped(message, origin)
        else:
            reply, response = self._answer(message, origin)
        return reply, response.items

    def _answer(self, message: bytes, origin: Origin) -> tuple[bytes, Response]:
        reply, response = answer(self._classes, self.config.identity, message, origin)
        if response.status:
            self._note_refusal(origin, response)
        return reply, response

    def _unwrapped(self, message: bytes, origin: Origin) -> tuple[bytes, Response]:
        """Unconnected_Send: open what is meant for us; what is not says how far it got."""
        try:
            wrapped = decode_wrapped(message)
            refusal = refuse_route(wrapped, self.config.address)
        except RemoteError as error:
            response = Response(
                error.status or Status.CONNECTION_FAILURE, error.extended, sentence=f"sent {error}"
            )
        else:
            if refusal is None and not is_wrapped(wrapped.message):
                return self._answer(wrapped.message, origin)
            if refusal is None:
                response = Response(
                    Status.SERVICE_NOT_SUPPORTED, sentence="sent an Unconnected_Send inside another one"
                )
            else:
                remaining = bytes((wrapped.route_words, 0))  # path left in words, reserved (dissector)
                response = Response(refusal.status, refusal.extended, remaining, sentence=refusal.sentence)
        self._note_refusal(origin, response)
        return encode_response(message[0], response), response

    def _connected(
        self, link: Link, connection_id: int, payload: bytes, now_ns: int
    ) -> tuple[int, bytes] | None:
        """A message over a class 3 connection."""
        connection = self._manager.message_connection(link.number, connection_id)
        if connection is None:
            told = f"sent a connected message for id 0x{connection_id:08X}, which is not open on this link"
            self._tell(BadFrame(now_ns, link.peer[0], told))
            return None
        most = connection.asked.ot.size
        if not SEQUENCE_BYTES + 2 <= len(payload) <= most:
            told = f"sent a connected message of {len(payload)} bytes; agreed are 4 to {most}"
            self._tell(BadFrame(now_ns, link.peer[0], told))
            return None
        self._manager.message_fed(connection, now_ns)
        count = payload[0] | payload[1] << 8
        if count != connection.count:
            connection.count = count
            room = connection.asked.to.size - SEQUENCE_BYTES
            origin = Origin(link.number, link.peer, (), now_ns, room)
            reply, _ = self._answer(payload[SEQUENCE_BYTES:], origin)
            connection.answer = payload[:SEQUENCE_BYTES] + reply
        else:
            connection.repeats += 1
        return connection.to_id, connection.answer

    def _note_refusal(self, origin: Origin, response: Response) -> None:
        originator, sentence = origin.peer[0], response.sentence
        if not sentence.startswith("originator"):
            sentence = f"originator {originator} {sentence}"
        refused = Refused(origin.now_ns, originator, response.status, response.extended, sentence)
        self.refusals.append(refused)
        self.totals.refused += 1
        self._tell(refused)
