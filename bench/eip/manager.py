"""The Connection Manager: opens, keeps and ends every connection of an adapter.

Bytes and `now_ns` in; what is to be sent and told goes to two callables. The reasons to refuse stand in
`checks`, the codec in `forward_open`; here is what happens to a connection that was granted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator

from bench.eip.checks import IO_CHECKS, MESSAGE_CHECKS, NULL_CHECKS, first_refusal
from bench.eip.config import AdapterConfig
from bench.eip.connections import (
    CLOSED,
    TIMED_OUT,
    Connection,
    Production,
    Totals,
    time_out_sentence,
)
from bench.eip.cpf import Item, ItemType, decode_sockaddr, encode_sockaddr
from bench.eip.cyclic import Consumer, Producer, decode_frame
from bench.eip.device import ManagerCounters
from bench.eip.events import (
    BadFrame,
    ConnectionClosed,
    ConnectionOpened,
    ConnectionReport,
    ConnectionTimedOut,
    Event,
)
from bench.eip.forward_open import ConnectionType, ForwardClose, ForwardOpen, OpenReply, encode_tail
from bench.eip.message import Request, Response, Service
from bench.eip.messaging import MessageConnection
from bench.eip.multicast import group_of
from bench.eip.objects import CipClass, Handler, Origin
from bench.eip.open_request import OpenRequest, Refusal, Target, resolve_path, resolve_target
from bench.eip.outputs import OutputImage
from bench.eip.status import Extended, Status
from bench.eip.timers import Timers
from bench.eip.transport import IO_PORT, Address, SendUdp
from bench.errors import RemoteError

_KEPT_CONNECTIONS = 32
_OPEN_REPLY_BYTES = 40  # head and body of a granted open, and to spare for the words of a refused one
_RESOURCE = (Extended.OUT_OF_CONNECTIONS, Extended.TARGET_OUT_OF_CONNECTIONS)
_FORMAT = (Extended.INVALID_SEGMENT, Extended.PARAMETER)


class ConnectionManager:
    """All connections of one adapter.

    Args:
        config: what the adapter is.
        incarnation: upper 16 bits of every connection id.
        outputs: the image an owner drives.
        inputs: the image that is produced.
        dscp: code point for a priority (0 low, 1 high, 2 scheduled, 3 urgent).
        send: takes datagrams to send.
        tell: takes events.
        close_link: closes a TCP link, after its last connection has timed out.

    Attributes:
        strangers: O->T frames dropped because they came from another source than the owner's.
        strays: cyclic frames dropped because no open connection has their id.
    """

    def __init__(
        self,
        config: AdapterConfig,
        incarnation: int,
        outputs: OutputImage,
        inputs: Callable[[], bytes],
        dscp: Callable[[int], int],
        send: Callable[[SendUdp], None],
        tell: Callable[[Event], None],
        close_link: Callable[[int], None],
    ) -> None:
        self.config = config
        self.counters = ManagerCounters()
        self.totals = Totals()
        self.strangers = 0
        self.strays = 0
        self._incarnation = incarnation & 0xFFFF
        self._last_id = 0
        self._outputs = outputs
        self._inputs = inputs
        self._dscp = dscp
        self._send = send
        self._tell = tell
        self._close_link = close_link
        self._timers: Timers[Production | Connection | MessageConnection] = Timers()
        self._live: dict[int, Connection] = {}  # by O->T id
        self._messages: dict[int, MessageConnection] = {}  # by O->T id
        self._groups: dict[int, Production] = {}  # multicast, by T->O point
        self._kept: list[Connection] = []  # owners that timed out: their outputs wait for them
        self._gone: deque[Connection] = deque(maxlen=_KEPT_CONNECTIONS)

    def services(self) -> dict[int, Handler]:
        """The services of the object, for its class table."""
        return {
            Service.FORWARD_OPEN: self.forward_open,
            Service.LARGE_FORWARD_OPEN: self.forward_open,
            Service.FORWARD_CLOSE: self.forward_close,
        }

    # -- what others read -----------------------------------------------------------------------------

    @property
    def io_open(self) -> bool:
        return bool(self._live)

    @property
    def owned(self) -> bool:
        return any(connection.kind.owns_outputs for connection in self._live.values())

    @property
    def timed_out(self) -> bool:
        """Whether an owner's outputs wait for it after a timeout."""
        return bool(self._kept)

    def is_busy(self, link: int) -> bool:
        """Whether a connection that was opened over *link* is alive."""
        return any(connection.is_live and connection.link == link for connection in self._every())

    def _every(self) -> Iterator[Connection | MessageConnection]:
        """Every connection: I/O, owners that timed out, class 3."""
        yield from self._live.values()
        yield from self._kept
        yield from self._messages.values()

    def reports(self) -> tuple[ConnectionReport, ...]:
        """Connections that ended (the last 32), then owners that timed out, then established ones."""
        every = (*self._gone, *self._kept, *self._live.values())
        return tuple(connection.report() for connection in every)

    @property
    def open_connections(self) -> int:
        """Those of class 3 included."""
        return len(self._live) + len(self._messages)

    # -- cyclic data ----------------------------------------------------------------------------------

    def set_inputs(self, data: bytes, now_ns: int) -> None:
        """New data to produce; a production on change may become due."""
        for production in self._productions():
            producer = production.producer
            producer.set_body(data, now_ns)
            if producer.on_change and producer.due_ns < production.armed_ns:
                self._timers.watch(production)

    def _productions(self) -> Iterator[Production]:
        seen: set[int] = set()
        for connection in self._live.values():
            production = connection.production
            if not production.group:
                yield production
            elif production.to_point not in seen:
                seen.add(production.to_point)
                yield production

    def cyclic_received(self, peer: Address, data: bytes, now_ns: int) -> None:
        """One datagram on the I/O port."""
        try:
            connection_id, seq32, body = decode_frame(data)
        except RemoteError as error:
            self._bad(now_ns, peer, str(error))
            return
        connection = self._live.get(connection_id)
        if connection is None:
            self.strays += 1
            return
        if peer != connection.source and not self._is_source(connection, peer, now_ns):
            return
        seq16: int | None = None
        if connection.dress.counted:
            if len(body) < 2:
                self._bad(now_ns, peer, f"O->T frame: expected a 2-byte count, got {len(body)} bytes")
                return
            seq16 = body[0] | body[1] << 8
            body = body[2:]
        if not connection.fits(body):
            size = connection.ot_bytes + connection.dress.overhead - 2 * connection.dress.counted
            after = " after the count" if connection.dress.counted else ""
            self._bad(now_ns, peer, f"O->T frame: expected {size} bytes{after}, got {len(body)}")
            return
        consumer = connection.consumer
        new = consumer.accept(seq32, seq16, now_ns)
        if new is None:
            return
        self.totals.frames_in += 1
        if consumer.frames == 1:  # the watchdog waits longer for the first frame than for the next
            connection.source = peer
            self._timers.watch(connection)
        if connection.kind.owns_outputs:
            self._take_outputs(connection, body, new, now_ns)

    def _is_source(self, connection: Connection, peer: Address, now_ns: int) -> bool:
        """The first frame pins its source; it has to come from the originator's address."""
        if connection.source is None and peer[0] == connection.originator:
            return True
        self.strangers += 1
        own = connection.source or (connection.originator, "any port")
        self._bad(
            now_ns,
            peer,
            f"O->T frame from {peer[0]}:{peer[1]} with the connection id of "
            f"{own[0]}:{own[1]}; dropped, one source feeds a connection",
        )
        return False

    def _take_outputs(self, connection: Connection, body: bytes, new: bool, now_ns: int) -> None:
        run, payload = connection.split(body)
        if payload is not None and (new or connection.payload is None):
            connection.payload = payload
        elif run == connection.run and connection.consumer.frames > 1:
            return  # the first frame counts even without data: outputs may be held since an owner before
        if payload is None:  # idle without data has no count of its own: whatever follows is new
            connection.payload = None
        connection.run = run
        if run and connection.payload is not None:
            self._outputs.apply(connection.payload, True, now_ns)
        else:
            self._outputs.lose(self.config.on_idle, now_ns)

    def _bad(self, now_ns: int, peer: Address, sentence: str) -> None:
        self.totals.bad_frames += 1
        self._tell(BadFrame(now_ns, peer[0], sentence))

    # -- time -----------------------------------------------------------------------------------------

    def next_deadline_ns(self) -> int | None:
        return self._timers.next_ns()

    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None:
        """Produce what is due, end what has been silent too long."""
        while (timed := self._timers.take_due(now_ns)) is not None:
            if isinstance(timed, Production):
                frame = timed.producer.take_frame(now_ns, late_ns)
                self.totals.frames_out += 1
                self._send(SendUdp(self.config.io_port, timed.peer, frame, timed.dscp))
                self._timers.watch(timed)
            elif isinstance(timed, Connection):
                self._time_out(timed, now_ns)
            elif isinstance(timed, MessageConnection):
                self.counters.timeouts += 1
                self._end_message(timed, now_ns, f"no request for {timed.timeout_ns / 1e6:g} ms")

    def _time_out(self, connection: Connection, now_ns: int) -> None:
        sentence = time_out_sentence(connection)
        self._retire(connection, TIMED_OUT)
        self.counters.timeouts += 1
        self.totals.timed_out += 1
        self._tell(ConnectionTimedOut(now_ns, connection.originator, sentence))
        if connection.kind.owns_outputs:
            self._outputs.lose(self.config.on_timeout, now_ns)
        self._drop_listeners(connection, now_ns)
        if not self.is_busy(connection.link):
            self._close_link(connection.link)

    # -- the life of a connection ---------------------------------------------------------------------

    def _retire(self, connection: Connection, state: str) -> None:
        """Out of the running ones; an owner that timed out keeps its outputs waiting."""
        if not connection.is_live:  # its id may have been given to another one since
            self._kept.remove(connection)
        else:
            del self._live[connection.ot_id]
            production = connection.production
            production.users -= 1
            if production.group and not production.users:
                del self._groups[production.to_point]
        connection.state = state
        keeps = state == TIMED_OUT and connection.kind.owns_outputs and self.config.keep_owner_slot
        (self._kept if keeps else self._gone).append(connection)

    def _close(self, connection: Connection, now_ns: int, reason: str) -> None:
        was_live = connection.is_live
        self._retire(connection, CLOSED)
        if not was_live:
            return
        self.totals.closed += 1
        self._tell(ConnectionClosed(now_ns, connection.originator, reason))
        if connection.kind.owns_outputs:
            self._outputs.lose(self.config.on_timeout, now_ns)
        self._drop_listeners(connection, now_ns)

    def _drop_listeners(self, gone: Connection, now_ns: int) -> None:
        """Listen-only connections end with the last connection of another kind on the same data."""
        if gone.kind.needs_other:  # nobody listens to a listener
            return
        same = [c for c in self._live.values() if c.to_point == gone.to_point]
        if all(c.kind.needs_other for c in same):
            for listener in same:
                self._close(listener, now_ns, "the last connection it listened to is gone")

    def _end_message(self, connection: MessageConnection, now_ns: int, reason: str) -> None:
        connection.is_live = False
        self._messages.pop(connection.ot_id, None)
        self._tell(ConnectionClosed(now_ns, connection.originator, f"class 3: {reason}"))

    def link_closed(self, link: int, now_ns: int) -> None:
        """Class 3 connections end with their link; I/O goes on under its own watchdog."""
        for connection in tuple(self._messages.values()):
            if connection.link == link:
                self._end_message(connection, now_ns, "its TCP link closed")

    def shutdown(self, now_ns: int) -> None:
        """End everything; the outputs follow the rule for a lost connection."""
        for connection in (*self._live.values(), *self._kept):
            if connection.state != CLOSED:  # a listener goes with the last one it listened to
                self._close(connection, now_ns, "the adapter shuts down")
        for message in tuple(self._messages.values()):
            self._end_message(message, now_ns, "the adapter shuts down")

    def _new_id(self) -> int:
        """Ids in use are passed over; 65 535 of them are more than any capacity."""
        while True:
            self._last_id = self._last_id % 0xFFFF + 1
            number = self._incarnation << 16 | self._last_id
            if number in self._live or number in self._messages:
                continue
            if all(kept.ot_id != number for kept in self._kept):  # its originator may send yet
                return number

    # -- services -------------------------------------------------------------------------------------

    def forward_open(self, cip_class: CipClass, request: Request, origin: Origin) -> Response:
        self.counters.open_requests += 1
        if origin.reply_bytes < _OPEN_REPLY_BYTES:  # else it would open, and the reply that says so be lost
            self.counters.open_other_rejects += 1
            sentence = f"asked to open over a connection that takes {origin.reply_bytes} bytes of reply"
            return Response(Status.REPLY_TOO_LARGE, sentence=f"{sentence}; it needs {_OPEN_REPLY_BYTES}")
        try:
            asked = ForwardOpen.decode(request.data, request.service == Service.LARGE_FORWARD_OPEN)
        except RemoteError:
            self.counters.open_format_rejects += 1
            raise
        path = resolve_path(asked.path)
        held = [connection.held() for connection in self._every()]
        question = OpenRequest(
            origin.peer[0],
            asked,
            self.config,
            held,
            path,
            [production.shared() for production in self._groups.values()],
            resolve_target(self.config, path, asked),
        )
        if asked.is_null:
            return self._null_open(question)
        if asked.transport_class == 3:
            return self._open_message(question, origin)
        return self._open_io(question, origin)

    def _null_open(self, question: OpenRequest) -> Response:
        """A null open that matches an open connection brings it a configuration, else it is a question."""
        asked = question.asked
        refusal = first_refusal(question, NULL_CHECKS)
        if refusal is not None:
            return self._refuse_open(refusal, asked)
        own = (c for c in self._live.values() if c.originator == question.originator)
        known = next((c for c in own if c.asked.triad == asked.triad), None)  # ids are told to nobody else
        ids = (known.ot_id, known.production.producer.connection_id) if known else (0, 0)
        return Response(data=OpenReply(*ids, asked.triad, asked.ot_rpi_us, asked.to_rpi_us).encode())

    def _open_message(self, question: OpenRequest, origin: Origin) -> Response:
        asked = question.asked
        refusal = first_refusal(question, MESSAGE_CHECKS)
        if refusal is not None:
            return self._refuse_open(refusal, asked)
        ot_api_ns, to_api_ns = self.config.api_ns(asked.ot_rpi_us), self.config.api_ns(asked.to_rpi_us)
        connection = MessageConnection.begin(
            asked, self._new_id(), origin.link, origin.peer[0], ot_api_ns, origin.now_ns
        )
        self._messages[connection.ot_id] = connection
        self._timers.watch(connection)
        reply = OpenReply(
            connection.ot_id, connection.to_id, asked.triad, ot_api_ns // 1000, to_api_ns // 1000
        )
        return Response(data=reply.encode())

    def _open_io(self, question: OpenRequest, origin: Origin) -> Response:
        asked = question.asked
        refusal = first_refusal(question, IO_CHECKS)
        if refusal is None:
            try:
                peer = (origin.peer[0], _to_port(origin.items))
            except RemoteError as error:
                refusal = Refusal((Extended.PARAMETER,), f"originator {origin.peer[0]} sent {error}")
        if refusal is not None:
            return self._refuse_open(refusal, asked)
        connection = self._establish(asked, question.aim, question.path.inhibit_us, peer, origin)
        self._tell(ConnectionOpened(origin.now_ns, connection.report()))
        producer = connection.production.producer
        reply = OpenReply(
            connection.ot_id,
            producer.connection_id,
            asked.triad,
            connection.ot_api_ns // 1000,
            producer.api_ns // 1000,
        )
        return Response(data=reply.encode(), items=self._addresses(connection))

    def _addresses(self, connection: Connection) -> tuple[Item, ...]:
        port, group = self.config.io_port, connection.production.group
        items = [Item(ItemType.SOCKADDR_OT, encode_sockaddr("0.0.0.0", port))]
        if group:
            items.append(Item(ItemType.SOCKADDR_TO, encode_sockaddr(group, port)))
        return tuple(items)

    def _establish(
        self, asked: ForwardOpen, aim: Target, inhibit_us: int | None, peer: Address, origin: Origin
    ) -> Connection:
        now_ns = origin.now_ns
        if aim.kind.owns_outputs:
            for kept in [c for c in self._kept if c.ot_point == aim.ot_point]:
                self._close(kept, now_ns, "reopened by its originator")
        ot_api_ns = self.config.api_ns(asked.ot_rpi_us)
        production = self._production(asked, aim, inhibit_us, peer, now_ns)
        production.users += 1
        connection = Connection(
            asked=asked,
            kind=aim.kind,
            dress=aim.ot,
            ot_bytes=aim.ot_bytes,
            ot_point=aim.ot_point,
            to_point=aim.to_point,
            ot_id=self._new_id(),
            ot_api_ns=ot_api_ns,
            link=origin.link,
            originator=origin.peer[0],
            consumer=Consumer(ot_api_ns * (4 << asked.multiplier_code), now_ns),
            production=production,
        )
        self._live[connection.ot_id] = connection
        self.totals.opened += 1
        self._timers.watch(connection)
        if production.armed_ns < 0:
            self._timers.watch(production)
        return connection

    def _production(
        self, asked: ForwardOpen, aim: Target, inhibit_us: int | None, peer: Address, now_ns: int
    ) -> Production:
        """The stream this connection listens to: its own, or the group's, which the first one begins."""
        multicast = asked.to.type == ConnectionType.MULTICAST
        if multicast and aim.to_point in self._groups:
            return self._groups[aim.to_point]
        api_ns = self.config.api_ns(asked.to_rpi_us)
        producer = Producer(
            self._new_id() if multicast else asked.to_id,
            api_ns,
            now_ns,
            self._inputs(),
            counted=aim.to.counted,
            on_change=asked.trigger != 0,
            inhibit_ns=api_ns // 4 if inhibit_us is None else inhibit_us * 1000,
        )
        dscp = self._dscp(asked.to.priority)
        production = Production(producer, peer, aim.to_point, dscp, asked, inhibit_us)
        if multicast:
            production.group = group_of(self.config.address, self.config.network.netmask)
            production.peer = (production.group, self.config.io_port)
            self._groups[aim.to_point] = production
        return production

    def forward_close(self, cip_class: CipClass, request: Request, origin: Origin) -> Response:
        """By triad and originator's address; the path is not compared."""
        self.counters.close_requests += 1
        try:
            asked = ForwardClose.decode(request.data)
        except RemoteError:
            self.counters.close_format_rejects += 1
            raise
        for connection in self._every():
            if connection.asked.triad == asked.triad and connection.originator == origin.peer[0]:
                if isinstance(connection, Connection):
                    self._close(connection, origin.now_ns, "closed by its originator")
                else:
                    self._end_message(connection, origin.now_ns, "closed by its originator")
                return Response(data=encode_tail(asked.triad))
        self.counters.close_other_rejects += 1
        return _refused(Refusal((Extended.NOT_FOUND,), self._not_found(asked, origin.peer[0])), asked)

    def _not_found(self, asked: ForwardClose, originator: str) -> str:
        serial, vendor, number = asked.triad
        own = (c.asked.triad for c in self._every() if c.is_live and c.originator == originator)
        known = "; ".join(map(str, own)) or "none"
        return (
            f"originator {originator} asked to close connection serial {serial} of vendor {vendor}, "
            f"originator serial {number}, which it does not have; open for it: {known}"
        )

    def _refuse_open(self, refusal: Refusal, asked: ForwardOpen) -> Response:
        if refusal.extended[0] in _RESOURCE:
            self.counters.open_resource_rejects += 1
        elif refusal.extended[0] in _FORMAT:
            self.counters.open_format_rejects += 1
        else:
            self.counters.open_other_rejects += 1
        return _refused(refusal, asked)

    # -- class 3 --------------------------------------------------------------------------------------

    def message_connection(self, link: int, connection_id: int) -> MessageConnection | None:
        """The class 3 connection with this id, if it came over *link*."""
        connection = self._messages.get(connection_id)
        return connection if connection is not None and connection.link == link else None

    def message_fed(self, connection: MessageConnection, now_ns: int) -> None:
        """A request came: the watchdog starts again."""
        connection.requests += 1
        connection.expires_ns = now_ns + connection.timeout_ns
        if connection.requests == 1:
            self._timers.watch(connection)


def _to_port(items: tuple[Item, ...]) -> int:
    """The port T->O frames go to: the originator's socket address item says, else the I/O port."""
    for item in items:
        if item.type_id == ItemType.SOCKADDR_TO:
            return decode_sockaddr(item.data)[1] or IO_PORT
    return IO_PORT


def _refused(refusal: Refusal, asked: ForwardOpen | ForwardClose) -> Response:
    # The body names the connection even when it is refused, so that the originator can match it.
    return Response(refusal.status, refusal.extended, encode_tail(asked.triad), sentence=refusal.sentence)
