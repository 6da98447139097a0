"""One adapter against everybody: a tape of calls, and what must hold after each of them.

What is held against the adapter: no exception; a deadline that is over is never asked for again; the
outputs are exactly those of `output_model`; nothing is sent to anybody who did not ask; answers, events and
state are bounded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from bench.eip.adapter import Adapter
from bench.eip.config import AdapterConfig, OnLoss, OutputFormat
from bench.eip.cpf import decode_connected, decode_unconnected, encode_connected, encode_unconnected
from bench.eip.cyclic import EXCLUSIVE_OWNER, encode_cyclic
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.events import ConnectionOpened, ConnectionReport, Event
from bench.eip.forward_open import OpenReply, Triad
from bench.eip.message import Service, decode_response
from bench.eip.transport import IO_PORT, TCP_PORT, Address, CloseTcp, Outgoing, SendTcp, SendUdp
from bench.errors import RemoteError
from tests.fuzz.frames import CONFIG, CONFIGURATION, MS, OTHERS, PORTS, extra_items, message, open_request
from tests.fuzz.output_model import OutputModel, Owner
from tests.fuzz.tape import Tape

MOST_STEPS = 300
GROUP = "239.192.1.0"
_REPLY_BYTES = 4200  # of one frame: what an encapsulation frame holds
_AHEAD = (1, 2, 0, 100, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF)
_COMMANDS = (*Command, 0x99, 0xFFFF)
_OWNER_WITHOUT_HEADER = 11  # of `frames.OPENS`
_OPENERS = (Service.FORWARD_OPEN, Service.LARGE_FORWARD_OPEN)


@dataclass(slots=True)
class Peer:
    """One TCP link as its far end knows it."""

    address: str
    session: int = 0
    reader: FrameReader = field(default_factory=lambda: FrameReader(0xFFFF))
    heard: bytes = b""  # the last bytes sent to the adapter


@dataclass(frozen=True, slots=True)
class Grant:
    """A Forward Open that was granted."""

    address: str
    reply: OpenReply


def config_of(choice: int) -> AdapterConfig:
    """One adapter of 64."""
    rules = (OnLoss.CLEAR, OnLoss.HOLD)
    return replace(
        CONFIG,
        on_idle=rules[choice & 1],
        on_timeout=rules[choice >> 1 & 1],
        keep_owner_slot=not choice & 4,
        output_format=OutputFormat.ZERO_LENGTH if choice & 8 else OutputFormat.HEADER,
        settable_outputs=bool(choice & 16),
        configuration=CONFIGURATION if choice & 32 else b"",
    )


class AdapterSession:
    """Runs a tape. `log`, when given, takes every call in words."""

    def __init__(self, data: bytes, log: list[str] | None = None) -> None:
        self._tape = Tape(data)
        self._log = log
        choice = self._tape.byte()
        self.config = config_of(choice)
        self.adapter = Adapter(self.config)
        self.model = OutputModel(self.config)
        self.now_ns = 0
        self.links: dict[int, Peer] = {}
        self.grants: dict[int, Grant] = {}
        self._latest: list[Grant] = []
        self._asked: set[Address] = set()
        self._hosts: set[str] = set()
        self._last_link = 0
        self._steps: tuple[Callable[[Tape], None], ...] = (
            self._cyclic,
            self._message,
            self._open_io,
            self._open_link,
            self._register,
            self._timer,
            self._connected_message,
            self._stream,
            self._frame,
            self._datagram,
            self._list,
            self._inputs,
            self._close_link,
            self._wait,
        )
        if choice & 0x80:  # a head start: most tapes would not get this far
            self._open_link(Tape(b""))
            self._register(Tape(b""))
            self._open_io(Tape(bytes((0, _OWNER_WITHOUT_HEADER if choice & 8 else 0))))

    def run(self) -> None:
        for number, arguments in self._tape.steps(MOST_STEPS):
            self._steps[number % len(self._steps)](arguments)

    # -- steps ----------------------------------------------------------------------------------------

    def _open_link(self, tape: Tape) -> None:
        if len(self.links) > 8:
            return
        self._last_link = number = self._last_link + 1
        address = tape.pick(OTHERS)
        self.links[number] = peer = Peer(address)
        self._say("tcp_opened", number, address)
        self.adapter.tcp_opened(number, (address, 40_000 + number), self.now_ns)
        self._after_stream(number, peer, 0)

    def _close_link(self, tape: Tape) -> None:
        number = self._some_link(tape)
        if number is not None:
            peer = self.links.pop(number)
            self._say("tcp_closed", number)
            self.adapter.tcp_closed(number, self.now_ns)
            self._after_stream(number, peer, 0)

    def _register(self, tape: Tape) -> None:
        self._send(tape, Command.REGISTER_SESSION, b"\x01\0\0\0")

    def _message(self, tape: Tape) -> None:
        number = tape.byte()
        body = tape.bend(message(tape))
        self._send(Tape(bytes((number,)) + tape.rest()), Command.SEND_RR_DATA, encode_unconnected(body))

    def _open_io(self, tape: Tape) -> None:
        number = tape.byte()
        body = encode_unconnected(open_request(tape), extra_items(tape))
        self._send(Tape(bytes((number,)) + tape.rest()), Command.SEND_RR_DATA, body)

    def _connected_message(self, tape: Tape) -> None:
        number = tape.byte()
        grant = self._some_grant(tape)
        count = tape.number(2).to_bytes(2, "little")
        body = encode_connected(grant.reply.ot_id if grant else tape.number(4), count + message(tape))
        self._send(Tape(bytes((number,)) + tape.rest()), Command.SEND_UNIT_DATA, body)

    def _frame(self, tape: Tape) -> None:
        command = tape.pick(_COMMANDS)
        self._send(tape, command, tape.take(tape.byte()))

    def _send(self, tape: Tape, command: int, body: bytes) -> None:
        """One frame on some link, bent and cut as the tape says."""
        number = self._some_link(tape)
        if number is None:
            return
        plan, peer = tape.byte(), self.links[number]
        session = peer.session if plan < 0xF0 else tape.number(4)
        whole = tape.bend(Frame(command, session, data=tape.bend(body)).encode())
        cut = 1 + tape.byte() if plan & 1 else len(whole)
        for at in range(0, len(whole), max(cut, 8)):
            self._receive(number, peer, whole[at : at + max(cut, 8)])

    def _stream(self, tape: Tape) -> None:
        number = self._some_link(tape)
        if number is not None:
            self._receive(number, self.links[number], tape.rest())

    def _receive(self, number: int, peer: Peer, data: bytes) -> None:
        peer.heard = (peer.heard + data)[-8192:]
        self._say("tcp_received", number, data.hex())
        self.adapter.tcp_received(number, data, self.now_ns)
        self._after_stream(number, peer, len(data))

    def _cyclic(self, tape: Tape) -> None:
        """A frame of some connection, from its originator unless the tape says another."""
        grant = self._some_grant(tape)
        owner = self.model.owner
        ot_id = grant.reply.ot_id if grant else tape.number(4)
        address = grant.address if grant else OTHERS[0]
        plan = tape.byte()
        port = PORTS[0]
        if plan >= 0xE0:
            address, port = tape.pick(OTHERS), tape.pick(PORTS)
        sequence = owner.sequence if owner and owner.ot_id == ot_id else 0
        sequence = (sequence + tape.pick(_AHEAD)) % 2**32
        count = None if plan & 1 else tape.byte()
        header = b"" if plan & 2 else (1 - tape.byte() % 2).to_bytes(4, "little")
        payload = b"" if plan & 4 else bytes((tape.byte(),)) * self.config.output_size
        body = header + payload
        self._udp(IO_PORT, (address, port), tape.bend(encode_cyclic(ot_id, sequence, count, body)), False)

    def _datagram(self, tape: Tape) -> None:
        port = tape.pick((IO_PORT, TCP_PORT, 9999))
        peer = tape.pick(OTHERS), tape.pick(PORTS)
        self._udp(port, peer, tape.rest(), bool(tape.byte() & 1))

    def _list(self, tape: Tape) -> None:
        command = tape.pick((Command.LIST_IDENTITY, Command.LIST_SERVICES, Command.LIST_INTERFACES, 0x65))
        peer = tape.pick(OTHERS), tape.pick((5000, *PORTS))
        to_many = bool(tape.byte() & 1)
        context = tape.take(8).ljust(8, b"\0")
        self._udp(TCP_PORT, peer, tape.bend(Frame(command, context=context).encode()), to_many)

    def _udp(self, port: int, peer: Address, data: bytes, to_many: bool) -> None:
        self._say("udp_received", port, peer, data.hex(), to_many)
        if port == IO_PORT and not to_many:
            self.model.frame(peer, data, self.now_ns)
        self._asked.add(peer)
        self.adapter.udp_received(port, peer, data, self.now_ns, to_many)
        outgoing, events = self._drain()
        sent = [one for one in outgoing if isinstance(one, SendUdp)]
        assert len(sent) == len(outgoing) <= 1, outgoing
        for answer in sent:
            assert (port, to_many) == (TCP_PORT, False)
            assert (answer.local_port, answer.peer) == (port, peer)
            assert len(answer.data) <= 4 * len(data)
        assert len(events) <= 4, events
        self._check(())

    def _timer(self, tape: Tape) -> None:
        """To the next deadline, or by a step; the shell may be late."""
        due_ns = self.adapter.next_deadline_ns()
        step_ms = tape.pick((0, 1, 9, 41, 300, 3000, 30_000))
        if step_ms == 0 and due_ns is not None:
            self.now_ns = max(self.now_ns, due_ns)
        self.now_ns += step_ms * MS
        late_ns = tape.pick((0, 1, 5 * MS, 100 * MS))
        self._say("handle_timer", self.now_ns, late_ns)
        waited = len(self.adapter._sessions.discovery.waiting)
        most = self.adapter.open_connections + waited + len(self.links)
        self.adapter.handle_timer(self.now_ns, late_ns)
        outgoing, events = self._drain()
        assert len(outgoing) <= most, f"{len(outgoing)} sent at once for {most} connections and questions"
        assert len(events) <= 2 * most + 2 * self.config.limits.complaints_per_s + 2, events
        for one in outgoing:
            self._check_produced(one)
        next_ns = self.adapter.next_deadline_ns()
        assert next_ns is None or next_ns > self.now_ns, f"deadline {next_ns} is over at {self.now_ns}"
        owner = self.model.owner
        over = owner is not None and owner.deadline_ns <= self.now_ns
        assert self.adapter.owned == (owner is not None and not over), f"watchdog of {owner} at {self.now_ns}"
        if over:
            self.model.lost()
        self._check(events)

    def _check_produced(self, one: Outgoing) -> None:
        if isinstance(one, CloseTcp):
            del self.links[one.link]
            return
        assert isinstance(one, SendUdp), one
        if one.local_port == IO_PORT:
            assert one.peer[0] in {*self._hosts, GROUP}, one
        else:
            assert one.peer in self._asked, one

    def _inputs(self, tape: Tape) -> None:
        data = bytes((tape.byte(),)) * self.config.input_size
        self._say("set_inputs", data.hex(), self.now_ns)
        self.adapter.set_inputs(data, self.now_ns)
        assert self._drain() == ([], [])
        self._check(())

    def _wait(self, tape: Tape) -> None:
        """Time passes and the shell is not there."""
        self.now_ns += tape.pick((1, 10, 100, 20_000)) * MS

    # -- what must hold -------------------------------------------------------------------------------

    def _after_stream(self, number: int, peer: Peer, size: int) -> None:
        """Answers go to the link that asked, and what was granted is noted."""
        outgoing, events = self._drain()
        frames = size // 24 + 2
        fresh: list[Grant] = []
        for one in outgoing:
            assert isinstance(one, SendTcp | CloseTcp), one
            assert one.link == number, one
            if isinstance(one, CloseTcp):
                self.links.pop(number)
            else:
                assert number in self.links, f"answer on link {number}, which is closed"
                assert len(one.data) <= frames * _REPLY_BYTES, f"{len(one.data)} bytes for {size}"
                fresh += self._granted(peer, one.data)
        assert len(events) <= 4 * frames + 8, events
        self._owner_after(peer.address, fresh, events)
        self._outputs_set(peer)
        self._check(events)

    def _owner_after(self, address: str, fresh: list[Grant], events: list[Event]) -> None:
        """Owners that came and went in a call on a link from *address*."""
        live = self._live_owner()
        owner = self.model.owner
        opened = {
            _triad(event.report)
            for event in events
            if isinstance(event, ConnectionOpened) and event.report.kind == EXCLUSIVE_OWNER.name
        }
        if owner is not None and (live is None or opened):
            assert owner.address == address, f"{address} ended the connection of {owner}"
            self.model.lost()
        if live is None or not opened:
            assert (live is None) == (self.model.owner is None), f"{live} without {self.model.owner}"
            return
        (grant,) = [one for one in fresh if one.reply.triad == _triad(live)][-1:]
        assert live.originator == address == grant.address
        counted = live.transport_class == 1
        ids = grant.reply.ot_id, grant.address, grant.reply.triad
        self.model.opened(Owner(*ids, counted, live.timeout_ns, 0), self.now_ns)

    def _live_owner(self) -> ConnectionReport | None:
        live = [
            report
            for report in self.adapter.connections()
            if report.state == "established" and report.kind == EXCLUSIVE_OWNER.name
        ]
        assert len(live) <= 1, live
        return live[0] if live else None

    def _outputs_set(self, peer: Peer) -> None:
        """Where the station allows it, an explicit message may set what nobody owns."""
        outputs = self.adapter.outputs
        if not self.config.settable_outputs or self.model.owner or outputs == self.model.data:
            return
        assert outputs in peer.heard, f"outputs {outputs.hex()} that nobody sent"
        self.model.data = outputs

    def _granted(self, peer: Peer, data: bytes) -> list[Grant]:
        """Sessions and connections that these answers bring."""
        peer.reader.feed(data)
        found = []
        while (frame := peer.reader.next_frame()) is not None:
            if frame.command == Command.REGISTER_SESSION and not frame.status:
                peer.session = frame.session
            reply = _open_reply(frame)
            if reply is not None and reply.ot_id and reply.ot_id not in self.grants:
                grant = Grant(peer.address, reply)
                self.grants[reply.ot_id] = grant
                self._latest = [grant, *self._latest[:7]]
                self._hosts.add(peer.address)
                found.append(grant)
        return found

    def _check(self, events: tuple[Event, ...] | list[Event]) -> None:
        adapter, limits, model = self.adapter, self.config.limits, self.model
        image, expected = (adapter.outputs, adapter.running), (model.data, model.running)
        assert image == expected, f"outputs and run are {image}, expected {expected}"
        assert adapter.sessions <= limits.sessions
        assert adapter.open_connections <= limits.io_connections + limits.message_connections
        assert len(adapter.refusals) <= 64
        assert len(adapter.connections()) <= 33 + limits.io_connections
        assert len(adapter._manager._timers) <= 160, f"{len(adapter._manager._timers)} watched deadlines"
        assert len(adapter._sessions._deadlines) <= 2 * limits.sessions + 65
        assert len(adapter._sessions.discovery.waiting) <= 64
        assert adapter.status_word & ~0x0FF1 == 0
        for event in events:
            assert str(event)

    def _drain(self) -> tuple[list[Outgoing], list[Event]]:
        outgoing, events = self.adapter.take_outgoing(), self.adapter.take_events()
        return outgoing, events

    # -- picking --------------------------------------------------------------------------------------

    def _some_link(self, tape: Tape) -> int | None:
        """An open link, the newest for 0."""
        numbers = list(self.links)
        number = tape.byte()
        return numbers[-1 - number % len(numbers)] if numbers else None

    def _some_grant(self, tape: Tape) -> Grant | None:
        number = tape.byte()
        return self._latest[number % len(self._latest)] if self._latest else None

    def _say(self, call: str, *arguments: object) -> None:
        if self._log is not None:
            self._log.append(f"{self.now_ns / MS:12.3f} ms  {call}({', '.join(map(str, arguments))})")


def _triad(report: ConnectionReport) -> Triad:
    return report.connection_serial, report.vendor_id, report.originator_serial


def _open_reply(frame: Frame) -> OpenReply | None:
    """The answer to a Forward Open in a frame, connected or not."""
    try:
        if frame.command == Command.SEND_RR_DATA and not frame.status:
            answer = decode_unconnected(frame.data)[0]
        elif frame.command == Command.SEND_UNIT_DATA:
            answer = decode_connected(frame.data)[1][2:]
        else:
            return None
        service, response = decode_response(answer)
        granted = service in _OPENERS and not response.status
        return OpenReply.decode(response.data) if granted else None
    except RemoteError:
        return None


def run(data: bytes, log: list[str] | None = None) -> None:
    """One session."""
    AdapterSession(data, log).run()
