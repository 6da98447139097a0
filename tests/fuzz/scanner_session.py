"""One scanner against a hostile target: a tape of answers, frames and silence.

What is held against the scanner: no exception; no deadline that is over; it sends to its target alone, no
faster than it asked for; inputs are its target's frames and nothing else; one link, joined groups left.
"""

from __future__ import annotations

from collections.abc import Callable

from bench.eip.config import OutputFormat
from bench.eip.cpf import Item, ItemType, decode_unconnected, encode_items, encode_sockaddr
from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY, encode_cyclic
from bench.eip.encapsulation import Command, Frame, decode_datagram
from bench.eip.forward_open import ForwardOpen, OpenReply, encode_tail
from bench.eip.message import Response, Service, encode_response, split_request
from bench.eip.originator import Trigger
from bench.eip.scanner import Scanner, ScannerConfig, State
from bench.eip.transport import (
    IO_PORT,
    TCP_PORT,
    CloseTcp,
    ConnectTcp,
    JoinGroup,
    LeaveGroup,
    Outgoing,
    SendTcp,
    SendUdp,
)
from tests.fuzz.frames import ADAPTER, MS, OTHERS
from tests.fuzz.tape import Tape

MOST_STEPS = 300
SIZE = 4
LINK = 1
_MOST_SENT = 8  # by one call: an answer leads to one question, and a few answers may come at once
_RPI_NS = 10 * MS
_GROUPS = ("239.192.1.0", "224.0.0.1", "0.0.0.0", "127.0.0.9", "255.255.255.255")
_WORDS: tuple[tuple[int, ...], ...] = (  # sizes, intervals and configurations that a refusal may name
    (),
    (0x127, 12),
    (0x128, 20),
    (0x127, 1),
    (0x128, 0xFFFF),
    (0x112, 2, 2000, 0, 2000, 0),
    (0x126, 3),
)
_KINDS = (EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY)


def config_of(choice: int) -> ScannerConfig:
    """One scanner of 192."""
    kind = _KINDS[choice % 3]
    zero_length = bool(choice & 64) and not kind.heartbeat
    return ScannerConfig(
        target=(ADAPTER, TCP_PORT),
        address=OTHERS[0],
        input_assembly=100,
        input_size=SIZE,
        output_assembly=0 if kind.heartbeat else 150,
        output_size=0 if kind.heartbeat else SIZE,
        configuration_assembly=151,
        rpi_ns=_RPI_NS,
        originator_serial=5,
        kind=kind,
        multicast=bool(choice & 4),
        transport_class=0 if choice & 8 else 1,
        trigger=Trigger.CHANGE_OF_STATE if choice & 16 else Trigger.CYCLIC,
        learn_sizes=("input", "output") if choice & 32 else (),
        output_format=OutputFormat.ZERO_LENGTH if zero_length else OutputFormat.HEADER,
        io_port=2222 if choice & 128 else 2300,
    )


class ScannerSession:
    """Runs a tape. `log`, when given, takes every call in words."""

    def __init__(self, data: bytes, log: list[str] | None = None) -> None:
        self._tape = Tape(data)
        self._log = log
        choice = self._tape.byte()
        self.scanner = Scanner(config_of(choice))
        self.now_ns = 0
        self.link = ""  # "", "asked", "open"
        self.groups: set[tuple[str, int]] = set()
        self.last = Frame(0)  # the last question
        self.to_id = 0
        self._paced = choice & 16 == 0
        self._frames: list[int] = []
        self._steps: tuple[Callable[[Tape], None], ...] = (
            self._answer,
            self._timer,
            self._cyclic,
            self._opened,
            self._stream,
            self._datagram,
            self._outputs,
            self._run,
            self._close,
            self._closed,
            self._wait,
        )
        self._start()

    def run(self) -> None:
        for number, arguments in self._tape.steps(MOST_STEPS):
            self._steps[number % len(self._steps)](arguments)

    # -- steps ----------------------------------------------------------------------------------------

    def _start(self) -> None:
        self._say("start")
        self.scanner.start(self.now_ns)
        self._check()

    def _opened(self, tape: Tape) -> None:
        if self.link == "asked":
            self.link = "open"
        self._say("tcp_opened")
        self.scanner.tcp_opened(LINK, (ADAPTER, TCP_PORT), self.now_ns)
        self._check()

    def _closed(self, tape: Tape) -> None:
        self.link = ""
        self._say("tcp_closed")
        self.scanner.tcp_closed(LINK, self.now_ns)
        self._check()

    def _answer(self, tape: Tape) -> None:
        """What a target would say to the last question, bent and cut as the tape says."""
        question = self.last
        data = self._reply_data(question, tape)
        plan = tape.byte()
        session = 9 if plan < 0xE0 else tape.number(4)
        status = 0 if plan < 0xF0 else tape.byte()
        answer = Frame(question.command, session, status, question.context, 0, tape.bend(data))
        whole = tape.bend(answer.encode()) * (2 if plan & 2 else 1)
        cut = 8 + tape.byte() if plan & 1 else max(len(whole), 1)
        for at in range(0, len(whole), cut):
            self._receive(whole[at : at + cut])

    def _reply_data(self, question: Frame, tape: Tape) -> bytes:
        if question.command != Command.SEND_RR_DATA:
            return question.data
        service, _, body = split_request(decode_unconnected(question.data)[0])
        status = tape.pick((0, 0, 0, 0, 1, 0x0C, 0xFF))
        items: list[Item] = [Item(ItemType.NULL_ADDRESS)]
        if status:
            words = tape.pick(_WORDS) or tuple(tape.number(2) for _ in range(tape.byte() % 7))
            response = Response(status, words, tape.take(tape.byte() % 16))
        elif service in (Service.FORWARD_OPEN, Service.LARGE_FORWARD_OPEN):
            response = Response(data=self._grant(body, service, tape))
        elif service == Service.FORWARD_CLOSE:
            response = Response(data=encode_tail((1, 0, 5)))
        else:
            response = Response(data=tape.pick((SIZE, 0, 500, 0xFFFF)).to_bytes(2, "little"))
        items.append(Item(ItemType.UNCONNECTED_DATA, tape.bend(encode_response(service, response))))
        for type_id in (ItemType.SOCKADDR_OT, ItemType.SOCKADDR_TO)[: tape.byte() % 3]:
            address = encode_sockaddr(tape.pick(_GROUPS), tape.pick((2222, 0, 65535)))
            items.append(Item(type_id, tape.bend(address)))
        return bytes(6) + encode_items(items)

    def _grant(self, body: bytes, service: int, tape: Tape) -> bytes:
        asked = ForwardOpen.decode(body, service == Service.LARGE_FORWARD_OPEN)
        self.to_id = asked.to_id or 77
        intervals = (asked.ot_rpi_us, asked.ot_rpi_us // 2, 0, 1, 1_000_000, 0xFFFF_FFFF)
        ot_us, to_us = tape.pick(intervals), tape.pick(intervals)
        return OpenReply(0x55, self.to_id, asked.triad, ot_us, to_us).encode()

    def _stream(self, tape: Tape) -> None:
        self._receive(tape.rest())

    def _receive(self, data: bytes) -> None:
        self._say("tcp_received", data.hex())
        self.scanner.tcp_received(LINK, data, self.now_ns)
        self._check()

    def _cyclic(self, tape: Tape) -> None:
        plan = tape.byte()
        count = None if self.scanner.config.transport_class == 0 else tape.byte()
        size = self.scanner.config.input_size if plan < 0xE0 else tape.byte()
        body = bytes((tape.byte(),)) * min(size, 1400)
        frame = encode_cyclic(self.to_id, tape.number(4), count, body)
        address = ADAPTER if plan < 0xF0 else tape.pick(OTHERS)
        self._udp(tape, (address, 2222), tape.bend(frame), bool(plan & 1))

    def _datagram(self, tape: Tape) -> None:
        address = tape.pick((ADAPTER, *OTHERS))
        self._udp(tape, (address, 2222), tape.rest(), False)

    def _udp(self, tape: Tape, peer: tuple[str, int], data: bytes, to_many: bool) -> None:
        port = tape.pick((self.scanner.config.io_port, IO_PORT, TCP_PORT))
        before = self.scanner.inputs
        self._say("udp_received", port, peer, data.hex(), to_many)
        self.scanner.udp_received(port, peer, data, self.now_ns, to_many)
        if self.scanner.inputs != before:
            assert peer[0] == ADAPTER, f"inputs of {peer}"
            assert data.endswith(self.scanner.inputs)
            assert self.scanner.connected
        self._check(inputs=True)

    def _timer(self, tape: Tape) -> None:
        due_ns = self.scanner.next_deadline_ns()
        step_ms = tape.pick((0, 1, 10, 45, 1000, 9000))
        if step_ms == 0 and due_ns is not None:
            self.now_ns = max(self.now_ns, due_ns)
        self.now_ns += step_ms * MS
        late_ns = tape.pick((0, 1, 30 * MS))
        self._say("handle_timer", late_ns)
        for _ in range(3):  # a watchdog and a frame may be due at one instant
            self.scanner.handle_timer(self.now_ns, late_ns)
            self._check()
            next_ns = self.scanner.next_deadline_ns()
            if next_ns is None or next_ns > self.now_ns:
                return
        raise AssertionError(f"deadline {next_ns} is over at {self.now_ns} after three calls")

    def _outputs(self, tape: Tape) -> None:
        config = self.scanner.config
        if not config.kind.heartbeat:
            self._say("set_outputs")
            self.scanner.set_outputs(bytes((tape.byte(),)) * config.output_size, self.now_ns)
            self._check()

    def _run(self, tape: Tape) -> None:
        self._say("set_run")
        self.scanner.set_run(bool(tape.byte() & 1), self.now_ns)
        self._check()

    def _close(self, tape: Tape) -> None:
        self._say("close")
        self.scanner.close(self.now_ns)
        self._check()
        if self.scanner.state in (State.IDLE, State.CLOSED) and tape.byte() & 1:
            self._start()

    def _wait(self, tape: Tape) -> None:
        self.now_ns += tape.pick((1, 10, 100, 9000)) * MS

    # -- what must hold -------------------------------------------------------------------------------

    def _check(self, inputs: bool = False) -> None:
        scanner = self.scanner
        outgoing, events = scanner.take_outgoing(), scanner.take_events()
        assert len(outgoing) <= _MOST_SENT, outgoing
        assert len(events) <= _MOST_SENT, events
        for one in outgoing:
            self._sent(one)
        for event in events:
            assert str(event)
        assert len(scanner.inputs) == scanner.config.input_size
        assert len(scanner.outputs) == scanner.config.ot_bytes
        assert len(self.groups) <= 1
        assert (scanner.group is not None) == bool(self.groups)
        assert not (self.groups and scanner.state in (State.CLOSED, State.WAITING)), self.groups
        if scanner.state not in (State.IDLE, State.CLOSED):
            assert scanner.next_deadline_ns() is not None, f"stuck in {scanner.state}"

    def _sent(self, one: Outgoing) -> None:
        match one:
            case ConnectTcp(link, peer):
                assert (link, peer, self.link) == (LINK, (ADAPTER, TCP_PORT), "")
                self.link = "asked"
            case SendTcp(link, data):
                assert (link, self.link) == (LINK, "open"), f"sent on a link that is {self.link or 'closed'}"
                self.last = decode_datagram(data)
            case CloseTcp(link):
                assert link == LINK
                assert self.link
                self.link = ""
            case SendUdp(port, peer, _):
                assert (port, peer[0]) == (self.scanner.config.io_port, ADAPTER)
                self._paced_frame()
            case JoinGroup(group, port):
                assert 224 <= int(group.split(".")[0]) <= 239, group
                self.groups.add((group, port))
            case LeaveGroup(group, port):
                self.groups.remove((group, port))

    def _paced_frame(self) -> None:
        """Never more than twice the rate asked for, whatever the target granted."""
        self._frames = [*self._frames[-7:], self.now_ns]
        if self._paced and len(self._frames) == 8:
            span_ns = self._frames[-1] - self._frames[0]
            assert span_ns * 2 >= 3 * _RPI_NS or not self._frames, f"8 frames in {span_ns / MS} ms"

    def _say(self, call: str, *arguments: object) -> None:
        if self._log is not None:
            state = self.scanner.state.name
            self._log.append(f"{self.now_ns / MS:12.3f} ms  {state} {call}({', '.join(map(str, arguments))})")


def run(data: bytes, log: list[str] | None = None) -> None:
    """One session."""
    ScannerSession(data, log).run()
