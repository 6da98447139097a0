"""The scanner (originator): opens one exclusive owner connection, keeps it, closes it.

Bytes and `now_ns` in; bytes, events and deadlines out. See `transport.Endpoint` for the calling rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from bench.eip.cpf import (
    Item,
    ItemType,
    decode_sockaddr,
    decode_unconnected,
    encode_sockaddr,
    encode_unconnected,
)
from bench.eip.cyclic import IDLE, RUN, Consumer, Dress, Producer, decode_cyclic
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.epath import DataSegment, ElectronicKey, Kind, Logical, Segment, encode_path
from bench.eip.events import BadFrame, Connected, Disconnected, Event, InputsReceived, Refused
from bench.eip.forward_open import ForwardClose, ForwardOpen, NetworkParameters, OpenReply
from bench.eip.message import ClassId, Response, Service, decode_response, encode_request
from bench.eip.status import describe
from bench.eip.transport import IO_PORT, Address, CloseTcp, ConnectTcp, Outgoing, SendTcp, SendUdp
from bench.errors import LocalError, RemoteError

_MANAGER_PATH = encode_path((Logical(Kind.CLASS, ClassId.CONNECTION_MANAGER), Logical(Kind.INSTANCE, 1)))
_MULTIPLIERS = {4 << code: code for code in range(8)}
_SMALL_SIZE = 511  # above it the size needs a Large Forward Open
_ANSWER_RETRIES = 5  # times `retry_ns`: how long an answer may take
_CLOSE_TRIES = 3


class State(Enum):
    IDLE = auto()
    CONNECTING = auto()
    REGISTERING = auto()
    OPENING = auto()
    CONNECTED = auto()
    WAITING = auto()  # for the next try, over the session if there is one
    CLOSING = auto()
    CLOSED = auto()


_AWAITED = {
    State.CONNECTING: "TCP connection",
    State.REGISTERING: "RegisterSession",
    State.OPENING: "Forward Open",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScannerConfig:
    """One connection to one target. Sizes are payload bytes; `multiplier` is 4, 8 .. 512.

    Raises:
        LocalError: a multiplier or RPI that the Forward Open cannot carry.
    """

    target: Address
    address: str
    input_assembly: int
    input_size: int
    output_assembly: int
    output_size: int
    configuration_assembly: int
    rpi_ns: int
    multiplier: int = 4
    originator_serial: int
    vendor_id: int = 0
    connection_serial: int = 1
    link: int = 1
    io_port: int = IO_PORT
    retry_ns: int = 1_000_000_000
    key: ElectronicKey | None = None
    configuration: bytes = b""

    def __post_init__(self) -> None:
        if self.multiplier not in _MULTIPLIERS:
            known = ", ".join(str(value) for value in _MULTIPLIERS)
            raise LocalError(f"multiplier {self.multiplier}: expected one of {known}")
        if self.rpi_ns % 1000 or not 0 < self.rpi_ns // 1000 <= 0xFFFF_FFFF:
            raise LocalError(f"rpi_ns {self.rpi_ns}: expected whole microseconds, 1 to {0xFFFF_FFFF}")
        if self.retry_ns <= 0:
            raise LocalError(f"retry_ns {self.retry_ns}: expected more than 0")

    def path(self) -> bytes:
        """The connection path: key, Assembly, configuration, O->T point, T->O point, data segment."""
        segments: list[Segment] = [self.key] if self.key else []
        segments += (
            Logical(Kind.CLASS, ClassId.ASSEMBLY),
            Logical(Kind.INSTANCE, self.configuration_assembly),
            Logical(Kind.POINT, self.output_assembly),
            Logical(Kind.POINT, self.input_assembly),
        )
        if self.configuration:
            segments.append(DataSegment(self.configuration))
        return encode_path(segments)


class Scanner:
    """An EtherNet/IP scanner for one class 1 connection. Starts idle: call `set_run(True)` for run.

    A refused or lost connection is tried again every `retry_ns` until `close`. A TCP session lost
    while cyclic data flows changes nothing: the data's own watchdog decides.

    Attributes:
        strays: class 1 frames dropped as not of this connection, or from another address.
    """

    def __init__(self, config: ScannerConfig) -> None:
        self.config = config
        self.strays = 0
        self.state = State.IDLE
        self._run = False
        self._inputs = bytes(config.input_size)
        self._outputs = bytes(config.output_size)
        self._link_open = False
        self._session = 0
        self._reader = FrameReader()
        self._context = 0
        self._attempt = 0
        self._to_id = 0
        self._io_peer: Address = (config.target[0], IO_PORT)
        self._step_ns: int | None = None  # when the present step is given up or tried again
        self._close_tries = 0
        self._consumer: Consumer | None = None
        self._producer: Producer | None = None
        self._outgoing: list[Outgoing] = []
        self._events: list[Event] = []

    # -- what the controller reads and writes ---------------------------------------------------------

    @property
    def inputs(self) -> bytes:
        """The last input data received; kept when the connection is lost."""
        return self._inputs

    @property
    def outputs(self) -> bytes:
        return self._outputs

    @property
    def connected(self) -> bool:
        return self.state is State.CONNECTED

    @property
    def run(self) -> bool:
        """What the run/idle word says from the next frame on."""
        return self._run

    @property
    def frames(self) -> tuple[int, int]:
        """T->O frames taken and O->T frames sent of the present or last connection."""
        taken = self._consumer.frames if self._consumer else 0
        return taken, self._producer.frames if self._producer else 0

    @property
    def lost(self) -> int:
        """Gaps in the T->O sequence of the present or last connection."""
        return self._consumer.lost if self._consumer else 0

    def set_run(self, run: bool) -> None:
        self._run = run
        self._update_body()

    def set_outputs(self, data: bytes, now_ns: int) -> None:
        """Replace the output image; raises LocalError for a wrong size."""
        size = self.config.output_size
        if len(data) != size:
            raise LocalError(f"{len(data)} output bytes; assembly {self.config.output_assembly} has {size}")
        self._outputs = bytes(data)
        self._update_body()

    def start(self, now_ns: int) -> None:
        """Begin to connect; raises LocalError while already started."""
        if self.state not in (State.IDLE, State.CLOSED):
            raise LocalError(f"the scanner is {self.state.name.lower()}; close it before another start")
        self._connect(now_ns)

    def close(self, now_ns: int) -> None:
        """Close in order: Forward Close, UnRegisterSession, TCP. Safe in every state."""
        if self.state in (State.IDLE, State.CLOSED, State.CLOSING):
            return
        if self._session and self.state in (State.CONNECTED, State.OPENING):
            self.state = State.CLOSING
            self._close_tries = 0
            self._send_close(now_ns)
        else:
            self._finish(now_ns)

    # -- Endpoint -------------------------------------------------------------------------------------

    def tcp_opened(self, link: int, peer: Address, now_ns: int) -> None:
        if link != self.config.link or self.state is not State.CONNECTING:
            return
        self._link_open = True
        self._reader = FrameReader()
        self._enter(State.REGISTERING, now_ns + _ANSWER_RETRIES * self.config.retry_ns)
        self._send(Command.REGISTER_SESSION, b"\x01\x00\x00\x00")

    def tcp_received(self, link: int, data: bytes, now_ns: int) -> None:
        if link != self.config.link or not self._link_open:
            return
        self._reader.feed(data)
        try:
            while self._link_open and (frame := self._reader.next_frame()):
                self._handle(frame, now_ns)
        except RemoteError as error:
            self._events.append(BadFrame(now_ns, self.config.target[0], str(error)))
            if self.state is State.CONNECTED:
                self._drop_link()
            elif self.state is State.CLOSING:
                self._finish(now_ns)
            else:
                self._give_up(now_ns, f"bad answer of the target: {error}")

    def tcp_closed(self, link: int, now_ns: int) -> None:
        if link != self.config.link or self.state in (State.IDLE, State.CLOSED):
            return
        refused = self.state is State.CONNECTING
        self._link_open = False
        self._session = 0
        if self.state is State.CLOSING:
            self._finish(now_ns)
        elif self.state is not State.CONNECTED and self.state is not State.WAITING:
            self.state = State.WAITING  # there is no link left to close
            host, port = self.config.target
            told = (
                f"{host}:{port} refused the TCP connection" if refused else f"{host} closed the TCP session"
            )
            self._give_up(now_ns, told)

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        if local_port != self.config.io_port:
            return
        try:
            connection_id, seq32, seq16, body = decode_cyclic(data)
        except RemoteError as error:
            self._events.append(BadFrame(now_ns, peer[0], str(error)))
            return
        consumer = self._consumer
        if (
            consumer is None
            or self.state is not State.CONNECTED
            or connection_id != self._to_id
            or peer[0] != self.config.target[0]
        ):
            self.strays += 1
        elif len(body) != self.config.input_size:
            expected = f"expected {self.config.input_size} bytes after the count, got {len(body)}"
            self._events.append(BadFrame(now_ns, peer[0], f"T->O frame: {expected}"))
        elif consumer.accept(seq32, seq16, now_ns):
            self._inputs = body
            self._events.append(InputsReceived(now_ns, body))

    def next_deadline_ns(self) -> int | None:
        if self.state is State.CONNECTED and self._producer and self._consumer:
            return min(self._producer.due_ns, self._consumer.deadline_ns)
        return self._step_ns

    def handle_timer(self, now_ns: int) -> None:
        producer, consumer = self._producer, self._consumer
        if self.state is State.CONNECTED and producer and consumer:
            if consumer.deadline_ns <= now_ns:
                self._time_out(consumer, now_ns)
            elif producer.due_ns <= now_ns:
                frame = producer.take_frame(now_ns)
                self._outgoing.append(SendUdp(self.config.io_port, self._io_peer, frame))
        elif self._step_ns is not None and self._step_ns <= now_ns:
            self._step_over(now_ns)

    def take_outgoing(self) -> list[Outgoing]:
        taken, self._outgoing = self._outgoing, []
        return taken

    def take_events(self) -> list[Event]:
        taken, self._events = self._events, []
        return taken

    # -- steps ----------------------------------------------------------------------------------------

    def _enter(self, state: State, step_ns: int | None) -> None:
        self.state = state
        self._step_ns = step_ns

    def _step_over(self, now_ns: int) -> None:
        if self.state is State.WAITING:
            if self._session:
                self._send_open(now_ns)
            else:
                self._connect(now_ns)
        elif self.state is State.CLOSING:
            if self._close_tries < _CLOSE_TRIES:
                self._send_close(now_ns)
            else:
                self._finish(now_ns)
        else:
            self._give_up(now_ns, f"no answer to {_AWAITED[self.state]} from {self.config.target[0]}")

    def _connect(self, now_ns: int) -> None:
        self._outgoing.append(ConnectTcp(self.config.link, self.config.target))
        self._enter(State.CONNECTING, now_ns + _ANSWER_RETRIES * self.config.retry_ns)

    def _drop_link(self) -> None:
        # Also closes a connect that is still under way: the link is the shell's from ConnectTcp on.
        if self._link_open or self.state is State.CONNECTING:
            self._outgoing.append(CloseTcp(self.config.link))
        self._link_open = False
        self._session = 0

    def _give_up(self, now_ns: int, reason: str) -> None:
        """Drop the link and try the whole start again later."""
        self._drop_link()
        self._enter(State.WAITING, now_ns + self.config.retry_ns)
        self._events.append(Disconnected(now_ns, reason))

    def _time_out(self, consumer: Consumer, now_ns: int) -> None:
        if consumer.frames:
            reason = f"no T->O frame for {consumer.timeout_ns / 1e6:g} ms"
        else:
            reason = "no T->O frame ever came; look for a firewall or a wrong UDP port"
        self._give_up(now_ns, reason)

    def _finish(self, now_ns: int) -> None:
        if self._session:
            self._send(Command.UNREGISTER_SESSION, b"")
        self._drop_link()
        self._enter(State.CLOSED, None)
        self._events.append(Disconnected(now_ns, "closed"))

    # -- frames out -----------------------------------------------------------------------------------

    def _send(self, command: int, data: bytes) -> None:
        self._context += 1
        context = self._context.to_bytes(8, "little")
        self._outgoing.append(
            SendTcp(self.config.link, Frame(command, self._session, 0, context, 0, data).encode())
        )

    def _send_open(self, now_ns: int) -> None:
        config = self.config
        self._attempt = self._attempt % 0xFFFF + 1
        self._to_id = (config.connection_serial & 0xFFFF) << 16 | self._attempt
        ot_size = config.output_size + Dress(header=True).overhead
        to_size = config.input_size + Dress().overhead
        large = max(ot_size, to_size) > _SMALL_SIZE
        asked = ForwardOpen(
            ot_id=0,  # the target chooses
            to_id=self._to_id,
            serial=config.connection_serial,
            vendor_id=config.vendor_id,
            originator_serial=config.originator_serial,
            multiplier_code=_MULTIPLIERS[config.multiplier],
            ot_rpi_us=config.rpi_ns // 1000,
            ot=NetworkParameters(ot_size),
            to_rpi_us=config.rpi_ns // 1000,
            to=NetworkParameters(to_size),
            path=config.path(),
            large=large,
        )
        items: tuple[Item, ...] = ()
        if config.io_port != IO_PORT:
            items = (Item(ItemType.SOCKADDR_TO, encode_sockaddr("0.0.0.0", config.io_port)),)
        service = Service.LARGE_FORWARD_OPEN if large else Service.FORWARD_OPEN
        message = encode_request(service, _MANAGER_PATH, asked.encode())
        self._enter(State.OPENING, now_ns + _ANSWER_RETRIES * config.retry_ns)
        self._send(Command.SEND_RR_DATA, encode_unconnected(message, items))

    def _send_close(self, now_ns: int) -> None:
        config = self.config
        self._close_tries += 1
        asked = ForwardClose(
            config.connection_serial, config.vendor_id, config.originator_serial, config.path()
        )
        message = encode_request(Service.FORWARD_CLOSE, _MANAGER_PATH, asked.encode())
        self._enter(State.CLOSING, now_ns + config.retry_ns)
        self._send(Command.SEND_RR_DATA, encode_unconnected(message))

    def _update_body(self) -> None:
        if self._producer is not None:
            self._producer.set_body(self._body(), 0)

    def _body(self) -> bytes:
        return (RUN if self._run else IDLE) + self._outputs

    # -- frames in ------------------------------------------------------------------------------------

    def _handle(self, frame: Frame, now_ns: int) -> None:
        if frame.context != self._context.to_bytes(8, "little"):
            return  # an answer nobody waits for any more
        if frame.command == Command.REGISTER_SESSION and self.state is State.REGISTERING:
            if frame.status or not frame.session:
                self._give_up(
                    now_ns, f"the target refused the session, encapsulation status 0x{frame.status:02X}"
                )
                return
            self._session = frame.session
            self._send_open(now_ns)
        elif frame.command == Command.SEND_RR_DATA and self.state in (State.OPENING, State.CLOSING):
            if frame.status:
                raise RemoteError("encapsulation status", "0", f"0x{frame.status:02X}")
            message, items = decode_unconnected(frame.data)
            _, response = decode_response(message)
            if self.state is State.CLOSING:
                self._finish(now_ns)
            elif response.status:
                self._refused(response, now_ns)
            else:
                self._opened(OpenReply.decode(response.data), items, now_ns)

    def _refused(self, response: Response, now_ns: int) -> None:
        host = self.config.target[0]
        told = describe(response.status, response.extended)
        sentence = f"target {host} refused the Forward Open: {told}{_hint(response.extended, self.config)}"
        self._events.append(
            Refused(now_ns, self.config.address, response.status, response.extended, sentence)
        )
        self._enter(State.WAITING, now_ns + self.config.retry_ns)

    def _opened(self, reply: OpenReply, items: tuple[Item, ...], now_ns: int) -> None:
        config = self.config
        if not (reply.ot_api_us and reply.to_api_us):
            raise RemoteError("API", "more than 0 us", f"{reply.ot_api_us} us and {reply.to_api_us} us")
        ot_api_ns, to_api_ns = reply.ot_api_us * 1000, reply.to_api_us * 1000
        self._to_id = reply.to_id
        self._io_peer = (config.target[0], _ot_port(items))
        self._consumer = Consumer(to_api_ns * config.multiplier, now_ns)
        self._producer = Producer(reply.ot_id, ot_api_ns, now_ns, self._body())
        self._enter(State.CONNECTED, None)
        self._events.append(Connected(now_ns, ot_api_ns, to_api_ns))


def _ot_port(items: tuple[Item, ...]) -> int:
    """Where O->T frames go: the target's socket address item says, else the I/O port."""
    for item in items:
        if item.type_id == ItemType.SOCKADDR_OT:
            return decode_sockaddr(item.data)[1] or IO_PORT
    return IO_PORT


def _hint(extended: tuple[int, ...], config: ScannerConfig) -> str:
    """For a size error, both sums: what we asked for and what the target takes."""
    if len(extended) != 2:
        return ""
    match extended[0]:
        case 0x127:
            asked = config.output_size + Dress(header=True).overhead
            return (
                f"; we asked for {config.output_size} + 4 header + 2 count = {asked}, it takes {extended[1]}"
            )
        case 0x128:
            asked = config.input_size + Dress().overhead
            return f"; we asked for {config.input_size} + 2 count = {asked}, it gives {extended[1]}"
        case _:
            return ""
