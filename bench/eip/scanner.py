"""The scanner (originator): opens one connection of any kind, keeps it, closes it.

Bytes and `now_ns` in; bytes, events and deadlines out. See `transport.Endpoint` for the calling rules
and `originator` for what is said and understood.
"""

from __future__ import annotations

from bench.eip.cpf import Item, encode_unconnected
from bench.eip.cyclic import decode_frame
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.events import BadFrame, Connected, Disconnected, Event, InputsReceived, Refused
from bench.eip.exchange import Exchange, output_body
from bench.eip.forward_open import OpenReply
from bench.eip.learning import SizeLearner
from bench.eip.message import Response
from bench.eip.originator import (
    AWAITED,
    ScannerConfig,
    State,
    Trigger,
    close_request,
    open_request,
    read_answer,
    refusal_hint,
    route_of,
)
from bench.eip.status import describe
from bench.eip.transport import (
    Address,
    CloseTcp,
    ConnectTcp,
    JoinGroup,
    LeaveGroup,
    Outgoing,
    SendTcp,
)
from bench.errors import LocalError, RemoteError

__all__ = ["Scanner", "ScannerConfig", "State", "Trigger"]

_ANSWER_RETRIES = 5  # times `retry_ns`: how long an answer may take
_CLOSE_TRIES = 3
_ASKING = (State.READING, State.OPENING, State.CLOSING)  # an answer to a message is awaited
_COMPLAINT_NS = 1_000_000_000  # datagrams that cannot be taken are told at most once in this time


class Scanner:
    """An EtherNet/IP scanner for one class 0 or 1 connection. Starts idle: call `set_run(True)` for run.

    A refused or lost connection is tried again until `close`: after `retry_ns`, then after twice the
    time before, up to `retry_most_ns`; a connection that got frames starts over with `retry_ns`. A TCP
    session lost while cyclic data flows changes nothing: the data's own watchdog decides.

    Attributes:
        config: with `learn_sizes`, the sizes in it change when a target names others.
        strays: cyclic frames dropped as not of this connection, or from another address.
        bad: datagrams that could not be taken; only some of them are told in events.
        group: the multicast group and port of the T->O direction while it is joined.
    """

    def __init__(self, config: ScannerConfig) -> None:
        self.config = config
        self._learner = SizeLearner(config)
        self.strays = 0
        self.bad = 0
        self.group: Address | None = None
        self.state = State.IDLE
        self._run = False
        self._inputs = bytes(config.input_size)
        self._outputs = bytes(config.ot_bytes)
        self._link_open = False
        self._session = 0
        self._reader = FrameReader()
        self._context = 0
        self._attempt = 0
        self._backoff_ns = config.retry_ns
        self._quiet_ns = 0  # until when no datagram is complained about
        self._step_ns: int | None = None  # when the present step is given up or tried again
        self._close_tries = 0
        self._exchange: Exchange | None = None  # of the present or the last connection
        self._outgoing: list[Outgoing] = []
        self._events: list[Event] = []

    # -- what the controller reads and writes ---------------------------------------------------------

    @property
    def inputs(self) -> bytes:
        """The last input data received; kept when the connection is lost."""
        return self._inputs

    @property
    def outputs(self) -> bytes:
        """The output image; empty for a kind without outputs."""
        return self._outputs

    @property
    def learned(self) -> dict[str, str]:
        """By direction, "input" or "output", a sentence about the size that was learned."""
        return self._learner.told

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
        exchange = self._exchange
        return (exchange.consumer.frames, exchange.producer.frames) if exchange else (0, 0)

    @property
    def lost(self) -> int:
        """Gaps in the T->O sequence of the present or last connection."""
        return self._exchange.consumer.lost if self._exchange else 0

    def set_run(self, run: bool, now_ns: int = 0) -> None:
        """Say run or idle from the next frame on; a kind without outputs has no way to say it."""
        self._run = run
        self._update_body(now_ns)

    def set_outputs(self, data: bytes, now_ns: int) -> None:
        """Replace the output image.

        Raises:
            LocalError: a wrong size, or a connection of a kind without outputs.
        """
        if self.config.kind.heartbeat:
            kind = self.config.kind.name
            raise LocalError(f"outputs: the kind of this connection is {kind}; expected exclusive owner")
        size = self.config.output_size
        if len(data) != size:
            raise LocalError(f"{len(data)} output bytes; assembly {self.config.output_assembly} has {size}")
        self._outputs = bytes(data)
        self._update_body(now_ns)

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
        exchange = self._exchange if self.state is State.CONNECTED else None
        if local_port != self.config.io_port and not (exchange and exchange.listens_on(local_port)):
            return
        try:
            connection_id, seq32, payload = decode_frame(data)
            if exchange is None or not exchange.owns(connection_id, peer[0], to_many):
                # the first frames may overtake the answer to the Forward Open, the last the Forward Close
                self.strays += self.state not in (State.OPENING, State.CLOSING)
                return
            inputs = exchange.take(seq32, payload, now_ns)
        except RemoteError as error:
            self._complain(now_ns, peer[0], str(error))
            return
        # class 0 has no count that tells new data: there it is new when it is different
        if inputs is not None and (
            exchange.counted or inputs != self._inputs or exchange.consumer.frames == 1
        ):
            self._inputs = inputs
            self._events.append(InputsReceived(now_ns, inputs))

    def next_deadline_ns(self) -> int | None:
        exchange = self._exchange
        if exchange is not None and self.state is State.CONNECTED:
            return exchange.due_ns
        return self._step_ns

    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None:
        exchange = self._exchange
        if exchange is not None and self.state is State.CONNECTED:
            if exchange.consumer.deadline_ns <= now_ns:
                self._time_out(exchange, now_ns)
            elif exchange.producer.due_ns <= now_ns:
                self._outgoing.append(exchange.next_frame(now_ns, late_ns))
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
            self._give_up(now_ns, f"no answer to {AWAITED[self.state]} from {self.config.target[0]}")

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
        self._leave_group()
        self._wait(now_ns)
        self._events.append(Disconnected(now_ns, reason))

    def _wait(self, now_ns: int) -> None:
        self._enter(State.WAITING, now_ns + self._backoff_ns)
        most_ns = max(self.config.retry_most_ns, self.config.retry_ns)
        self._backoff_ns = min(2 * self._backoff_ns, most_ns)

    def _leave_group(self) -> None:
        if self.group is not None:
            self._outgoing.append(LeaveGroup(*self.group))
            self.group = None

    def _complain(self, now_ns: int, peer: str, sentence: str) -> None:
        self.bad += 1
        if now_ns >= self._quiet_ns:
            self._quiet_ns = now_ns + _COMPLAINT_NS
            self._events.append(BadFrame(now_ns, peer, sentence))

    def _time_out(self, exchange: Exchange, now_ns: int) -> None:
        if exchange.consumer.frames:
            self._backoff_ns = self.config.retry_ns
        self._give_up(now_ns, exchange.silence())

    def _finish(self, now_ns: int) -> None:
        if self._session:
            self._send(Command.UNREGISTER_SESSION, b"")
        self._drop_link()
        self._leave_group()
        self._backoff_ns = self.config.retry_ns
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
        # Of a group the target chooses the id: several originators share its frames.
        to_id = 0 if config.multicast else (config.connection_serial & 0xFFFF) << 16 | self._attempt
        message, items = open_request(config, to_id)
        self._enter(State.OPENING, now_ns + _ANSWER_RETRIES * config.retry_ns)
        self._send_message(message, items)

    def _send_message(self, message: bytes, items: tuple[Item, ...] = ()) -> None:
        self._send(Command.SEND_RR_DATA, encode_unconnected(message, items))

    def _send_close(self, now_ns: int) -> None:
        self._close_tries += 1
        self._enter(State.CLOSING, now_ns + self.config.retry_ns)
        self._send_message(close_request(self.config))

    def _update_body(self, now_ns: int) -> None:
        if self._exchange is not None:
            self._exchange.producer.set_body(self._body(), now_ns)

    def _body(self) -> bytes:
        return output_body(self.config, self._run, self._outputs)

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
            self._ask_or_open(now_ns)
        elif frame.command == Command.SEND_RR_DATA and self.state in _ASKING:
            if frame.status:
                raise RemoteError("encapsulation status", "0", f"0x{frame.status:02X}")
            response, items = read_answer(frame.data)
            if self.state is State.CLOSING:
                self._finish(now_ns)
            elif self.state is State.READING:
                self._adopt(self._learner.answer(self.config, response))
                self._ask_or_open(now_ns)
            elif response.status:
                self._refused(response, now_ns)
            else:
                self._opened(OpenReply.decode(response.data), items, now_ns)

    def _refused(self, response: Response, now_ns: int) -> None:
        host, extended = self.config.target[0], response.extended
        told = describe(response.status, extended)
        sentence = f"target {host} refused the Forward Open: {told}{refusal_hint(extended, self.config)}"
        self._events.append(Refused(now_ns, self.config.address, response.status, extended, sentence))
        corrected = self._learner.refusal(self.config, extended)
        if corrected is None:
            self._wait(now_ns)
        else:
            self._adopt(corrected)
            self._send_open(now_ns)

    def _ask_or_open(self, now_ns: int) -> None:
        question = self._learner.request()
        if question is None:
            self._send_open(now_ns)
        else:
            self._enter(State.READING, now_ns + _ANSWER_RETRIES * self.config.retry_ns)
            self._send_message(question)

    def _adopt(self, config: ScannerConfig) -> None:
        self.config = config
        self._inputs = bytes(config.input_size)
        self._outputs = bytes(config.ot_bytes)

    def _opened(self, reply: OpenReply, items: tuple[Item, ...], now_ns: int) -> None:
        config = self.config
        route = route_of(items, config)
        exchange = self._exchange = Exchange(config, reply, route, self._body(), now_ns)
        self.group = route.group
        if route.group is not None:
            self._outgoing.append(JoinGroup(*route.group))
        for remark in route.remarks:
            self._events.append(BadFrame(now_ns, config.target[0], remark))
        self._enter(State.CONNECTED, None)
        self._events.append(Connected(now_ns, exchange.ot_api_ns, exchange.to_api_ns))
