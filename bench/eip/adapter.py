"""The adapter (target): one exclusive owner, class 1 point to point, explicit messages beside it.

Bytes and `now_ns` in; bytes, events and deadlines out. See `transport.Endpoint` for the calling rules.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from bench.eip.checks import Held, OpenRequest, Refusal, first_refusal, resolve_path
from bench.eip.config import AdapterConfig, Identity, OnLoss
from bench.eip.cpf import Item, ItemType, decode_sockaddr, encode_sockaddr
from bench.eip.cyclic import (
    EXCLUSIVE_OWNER,
    RUN_IDLE_BYTES,
    ConnectionKind,
    Consumer,
    Producer,
    decode_cyclic,
)
from bench.eip.events import (
    BadFrame,
    ConnectionClosed,
    ConnectionOpened,
    ConnectionReport,
    ConnectionTimedOut,
    Event,
    OutputsChanged,
    Refused,
)
from bench.eip.forward_open import ForwardClose, ForwardOpen, OpenReply, encode_tail
from bench.eip.message import Request, Response, Service, decode_request, encode_response
from bench.eip.objects import CipClass, Origin, build_classes, identity_item, route
from bench.eip.sessions import Link, Sessions
from bench.eip.status import Extended
from bench.eip.transport import IO_PORT, TCP_PORT, Address, CloseTcp, Outgoing, SendTcp, SendUdp
from bench.errors import LocalError, RemoteError

__all__ = ["Adapter", "AdapterConfig", "Identity", "OnLoss"]

_KEPT_REFUSALS = 64
_KEPT_CONNECTIONS = 32


@dataclass(slots=True)
class Connection:
    """One class 1 connection as it runs; `state` is "established", "timed out" or "closed"."""

    asked: ForwardOpen
    kind: ConnectionKind
    ot_id: int
    ot_api_ns: int
    link: int
    peer: Address  # where T->O frames go; its address is the only one O->T frames may come from
    body_bytes: int
    consumer: Consumer
    producer: Producer
    state: str = "established"
    run: int = 0
    payload: bytes = b""

    def held(self) -> Held:
        return Held(self.asked.triad, self.peer[0], self.kind, self.state == "timed out")

    def report(self) -> ConnectionReport:
        asked = self.asked
        return ConnectionReport(
            originator=self.peer[0],
            vendor_id=asked.vendor_id,
            originator_serial=asked.originator_serial,
            connection_serial=asked.serial,
            state=self.state,
            ot_rpi_ns=asked.ot_rpi_us * 1000,
            ot_api_ns=self.ot_api_ns,
            to_rpi_ns=asked.to_rpi_us * 1000,
            to_api_ns=self.producer.api_ns,
            timeout_ns=self.consumer.timeout_ns,
            frames_in=self.consumer.frames,
            frames_out=self.producer.frames,
            late=self.producer.late,
            skipped=self.producer.skipped,
            lost=self.consumer.lost,
            run=self.state == "established" and bool(self.run),
        )


class Adapter:
    """An EtherNet/IP adapter.

    Args:
        config: what the adapter is.
        incarnation: differs from one start to the next; upper 16 bits of connection ids and session
            handles, so that frames meant for an earlier life are not taken.

    Attributes:
        refusals: the last 64 refusals, oldest first.
        strangers: O->T frames dropped because they came from another address than the owner's.
        strays: class 1 frames dropped because no open connection has their id.
    """

    def __init__(self, config: AdapterConfig, incarnation: int = 1) -> None:
        self.config = config
        self.refusals: deque[Refused] = deque(maxlen=_KEPT_REFUSALS)
        self.strangers = 0
        self.strays = 0
        self._incarnation = incarnation & 0xFFFF
        self._last_id = 0
        self._inputs = bytes(config.input_size)
        self._outputs = bytes(config.output_size)
        self._running = False
        self._live: dict[int, Connection] = {}  # by O->T id
        self._timed_out: list[Connection] = []
        self._closed: deque[Connection] = deque(maxlen=_KEPT_CONNECTIONS)
        self._outgoing: list[Outgoing] = []
        self._events: list[Event] = []
        self._sessions = Sessions(lambda: identity_item(self, TCP_PORT), self._unconnected, incarnation)
        self._classes = build_classes(
            self,
            {
                Service.FORWARD_OPEN: self._forward_open,
                Service.LARGE_FORWARD_OPEN: self._forward_open,
                Service.FORWARD_CLOSE: self._forward_close,
            },
        )

    # -- what the station reads and writes ------------------------------------------------------------

    @property
    def inputs(self) -> bytes:
        """The input image, as the next T->O frame carries it."""
        return self._inputs

    @property
    def outputs(self) -> bytes:
        """The output image after the rules for run, idle, timeout and close; starts as zeros."""
        return self._outputs

    @property
    def running(self) -> bool:
        """True while an owner is connected and in run."""
        return self._running

    @property
    def status_word(self) -> int:
        """Identity status: bit 0 owned, bits 4-7 the extended device status."""
        if self._live:
            return 1 | (6 if self._running else 7) << 4
        return (2 if self._timed_out else 3) << 4

    def set_inputs(self, data: bytes, now_ns: int) -> None:
        """Replace the input image; raises LocalError for a wrong size."""
        if len(data) != self.config.input_size:
            raise LocalError(
                f"{len(data)} input bytes; assembly {self.config.input_assembly} has {self.config.input_size}"
            )
        self._inputs = data = bytes(data)
        for connection in self._live.values():
            connection.producer.set_body(data, now_ns)

    def connections(self) -> tuple[ConnectionReport, ...]:
        """Closed connections (the last 32), then timed out ones, then established ones."""
        every = (*self._closed, *self._timed_out, *self._live.values())
        return tuple(connection.report() for connection in every)

    def shutdown(self, now_ns: int) -> None:
        """Close every connection and link; the outputs follow the rule for a lost connection."""
        for connection in [*self._live.values(), *self._timed_out]:
            self._close(connection, now_ns, "the adapter shuts down")
        for number in list(self._sessions.links):
            self._outgoing.append(CloseTcp(number))
            self._sessions.closed(number)

    # -- Endpoint -------------------------------------------------------------------------------------

    def tcp_opened(self, link: int, peer: Address, now_ns: int) -> None:
        self._sessions.opened(link, peer)

    def tcp_received(self, link: int, data: bytes, now_ns: int) -> None:
        known = self._sessions.links.get(link)
        taken = self._sessions.received(link, data, now_ns)
        if taken.replies:
            self._outgoing.append(SendTcp(link, taken.replies))
        if taken.close:
            self._outgoing.append(CloseTcp(link))
        if known is not None:
            self._events.extend(BadFrame(now_ns, known.peer[0], sentence) for sentence in taken.complaints)

    def tcp_closed(self, link: int, now_ns: int) -> None:
        """Class 1 connections opened over the link go on: their own watchdog guards them."""
        self._sessions.closed(link)

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        if local_port != self.config.io_port:
            self._explicit_datagram(local_port, peer, data, now_ns)
            return
        try:
            connection_id, seq32, seq16, body = decode_cyclic(data)
        except RemoteError as error:
            self._events.append(BadFrame(now_ns, peer[0], str(error)))
            return
        connection = self._live.get(connection_id)
        if connection is None:
            self.strays += 1
        elif peer[0] != connection.peer[0]:
            self.strangers += 1
        elif len(body) != connection.body_bytes:
            expected = f"expected {connection.body_bytes} bytes after the count, got {len(body)}"
            self._events.append(BadFrame(now_ns, peer[0], f"O->T frame: {expected}"))
        else:
            new = connection.consumer.accept(seq32, seq16, now_ns)
            if new is not None:
                self._take_outputs(connection, body, new, now_ns)

    def next_deadline_ns(self) -> int | None:
        earliest: int | None = None
        for connection in self._live.values():
            due_ns = min(connection.producer.due_ns, connection.consumer.deadline_ns)
            if earliest is None or due_ns < earliest:
                earliest = due_ns
        return earliest

    def handle_timer(self, now_ns: int) -> None:
        for connection in tuple(self._live.values()):
            if connection.consumer.deadline_ns <= now_ns:
                self._time_out(connection, now_ns)
            elif connection.producer.due_ns <= now_ns:
                frame = connection.producer.take_frame(now_ns)
                self._outgoing.append(SendUdp(self.config.io_port, connection.peer, frame))

    def take_outgoing(self) -> list[Outgoing]:
        taken, self._outgoing = self._outgoing, []
        return taken

    def take_events(self) -> list[Event]:
        taken, self._events = self._events, []
        return taken

    # -- cyclic data ----------------------------------------------------------------------------------

    def _take_outputs(self, connection: Connection, body: bytes, new: bool, now_ns: int) -> None:
        run = body[0] & 1
        if not new and run == connection.run:
            return
        connection.run = run
        if new:
            connection.payload = body[RUN_IDLE_BYTES:]
        if run:
            self._apply(connection.payload, True, now_ns)
        else:
            self._lose(self.config.on_idle, now_ns)

    def _lose(self, rule: OnLoss, now_ns: int) -> None:
        held = self._outputs if rule is OnLoss.HOLD else bytes(self.config.output_size)
        self._apply(held, False, now_ns)

    def _apply(self, data: bytes, run: bool, now_ns: int) -> None:
        if data != self._outputs or run != self._running:
            self._outputs = data
            self._running = run
            self._events.append(OutputsChanged(now_ns, data, run))

    def _time_out(self, connection: Connection, now_ns: int) -> None:
        consumer = connection.consumer
        waited_ns = consumer.timeout_ns
        if not consumer.frames:
            sentence = "no O->T frame ever came; look for a firewall or a wrong UDP port"
        else:
            api_ms = connection.ot_api_ns / 1e6
            times = waited_ns // connection.ot_api_ns
            sentence = f"no O->T frame for {waited_ns / 1e6:g} ms ({api_ms:g} ms x {times})"
        del self._live[connection.ot_id]
        connection.state = "timed out"
        (self._timed_out if self.config.keep_owner_slot else self._closed).append(connection)
        self._events.append(ConnectionTimedOut(now_ns, connection.peer[0], sentence))
        self._lose(self.config.on_timeout, now_ns)
        still_used = any(other.link == connection.link for other in self._live.values())
        if connection.link in self._sessions.links and not still_used:
            self._outgoing.append(CloseTcp(connection.link))
            self._sessions.closed(connection.link)

    def _close(self, connection: Connection, now_ns: int, reason: str) -> None:
        was_live = self._live.pop(connection.ot_id, None) is not None
        if not was_live:
            self._timed_out.remove(connection)
        connection.state = "closed"
        self._closed.append(connection)
        if was_live:
            self._events.append(ConnectionClosed(now_ns, connection.peer[0], reason))
            self._lose(self.config.on_timeout, now_ns)

    # -- explicit messages ----------------------------------------------------------------------------

    def _explicit_datagram(self, local_port: int, peer: Address, data: bytes, now_ns: int) -> None:
        try:
            reply = self._sessions.datagram(data)
        except RemoteError as error:
            self._events.append(BadFrame(now_ns, peer[0], str(error)))
            return
        if reply is not None:
            self._outgoing.append(SendUdp(local_port, peer, reply))

    def _unconnected(
        self, link: Link, message: bytes, items: tuple[Item, ...], now_ns: int
    ) -> tuple[bytes, tuple[Item, ...]]:
        try:
            request = decode_request(message)
        except RemoteError as error:
            if error.status is None:
                raise
            response = Response(error.status, error.extended, sentence=f"sent {error}")
        else:
            response = route(
                self._classes, self.config.identity, request, Origin(link.number, link.peer, items, now_ns)
            )
        if response.status:
            self._note_refusal(link.peer[0], response, now_ns)
        return encode_response(message[0], response), response.items

    def _note_refusal(self, originator: str, response: Response, now_ns: int) -> None:
        sentence = response.sentence
        if not sentence.startswith("originator"):
            sentence = f"originator {originator} {sentence}"
        refused = Refused(now_ns, originator, response.status, response.extended, sentence)
        self.refusals.append(refused)
        self._events.append(refused)

    def _forward_open(self, cip_class: CipClass, request: Request, origin: Origin) -> Response:
        asked = ForwardOpen.decode(request.data, request.service == Service.LARGE_FORWARD_OPEN)
        originator = origin.peer[0]
        held = [connection.held() for connection in (*self._live.values(), *self._timed_out)]
        refusal = first_refusal(OpenRequest(originator, asked, self.config, held, resolve_path(asked.path)))
        if refusal is None:
            try:
                peer = (originator, _to_port(origin.items))
            except RemoteError as error:
                refusal = Refusal((Extended.PARAMETER,), f"originator {originator} sent {error}")
        if refusal is not None:
            return _refused(refusal, asked)
        for connection in tuple(self._timed_out):
            self._close(connection, origin.now_ns, "reopened by its originator")
        connection = self._open(asked, origin.link, peer, origin.now_ns)
        self._events.append(ConnectionOpened(origin.now_ns, connection.report()))
        reply = OpenReply(
            connection.ot_id,
            asked.to_id,
            asked.triad,
            connection.ot_api_ns // 1000,
            connection.producer.api_ns // 1000,
        )
        address = Item(ItemType.SOCKADDR_OT, encode_sockaddr("0.0.0.0", self.config.io_port))
        return Response(data=reply.encode(), items=(address,))

    def _open(self, asked: ForwardOpen, link: int, peer: Address, now_ns: int) -> Connection:
        kind = EXCLUSIVE_OWNER
        ot_api_ns = self.config.api_ns(asked.ot_rpi_us)
        to_api_ns = self.config.api_ns(asked.to_rpi_us)
        connection = Connection(
            asked=asked,
            kind=kind,
            ot_id=self._new_id(),
            ot_api_ns=ot_api_ns,
            link=link,
            peer=peer,
            body_bytes=self.config.output_size + RUN_IDLE_BYTES,
            consumer=Consumer(ot_api_ns * (4 << asked.multiplier_code), now_ns),
            producer=Producer(asked.to_id, to_api_ns, now_ns, self._inputs),
        )
        self._live[connection.ot_id] = connection
        return connection

    def _new_id(self) -> int:
        self._last_id = self._last_id % 0xFFFF + 1
        return self._incarnation << 16 | self._last_id

    def _forward_close(self, cip_class: CipClass, request: Request, origin: Origin) -> Response:
        asked = ForwardClose.decode(request.data)
        for connection in (*self._live.values(), *self._timed_out):
            if connection.asked.triad == asked.triad and connection.peer[0] == origin.peer[0]:
                self._close(connection, origin.now_ns, "closed by its originator")
                return Response(data=encode_tail(asked.triad))
        serial, vendor, originator = asked.triad
        known = "; ".join(str(held.asked.triad) for held in self._live.values()) or "none"
        sentence = (
            f"originator {origin.peer[0]} asked to close connection serial {serial} of vendor {vendor}, "
            f"originator serial {originator}, which it does not have; open are: {known}"
        )
        return _refused(Refusal((Extended.NOT_FOUND,), sentence), asked)


def _to_port(items: tuple[Item, ...]) -> int:
    """The port T->O frames go to: the originator's socket address item says, else the I/O port."""
    for item in items:
        if item.type_id == ItemType.SOCKADDR_TO:
            return decode_sockaddr(item.data)[1] or IO_PORT
    return IO_PORT


def _refused(refusal: Refusal, asked: ForwardOpen | ForwardClose) -> Response:
    # The body names the connection even when it is refused, so that the originator can match it.
    return Response(refusal.status, refusal.extended, encode_tail(asked.triad), sentence=refusal.sentence)
