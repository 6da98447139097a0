"""A target made of a script: it answers a scanner with exactly the bytes a test wants."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bench.eip.cpf import Item, ItemType, decode_unconnected, encode_items, encode_sockaddr
from bench.eip.cyclic import encode_cyclic
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.events import Event
from bench.eip.forward_open import ForwardOpen, OpenReply, encode_tail
from bench.eip.message import Response, Service, encode_response, split_request
from bench.eip.originator import ScannerConfig
from bench.eip.scanner import Scanner
from bench.eip.transport import IO_PORT, TCP_PORT, CloseTcp, ConnectTcp, Outgoing, SendTcp, SendUdp

MS = 1_000_000
HOST, OWN = "127.0.0.1", "127.0.0.2"
OT_ID, GROUP_ID = 0x0A0B_0001, 0x0A0B_0002
GROUP = ("239.192.5.128", 2222)  # as a device in a public capture answers
CONFIG = ScannerConfig(
    target=(HOST, TCP_PORT),
    address=OWN,
    input_assembly=100,
    input_size=2,
    output_assembly=150,
    output_size=1,
    configuration_assembly=151,
    rpi_ns=10 * MS,
    originator_serial=0x1234,
)


def sockaddr(kind: int, address: str = "0.0.0.0", port: int = IO_PORT) -> Item:
    return Item(kind, encode_sockaddr(address, port))


class Target:
    """Answers a scanner's TCP bytes; everything it saw and everything the scanner did is kept.

    `answers`: status and extended words of the next Forward Opens; when they are used up, it grants.
    `items`: what stands in a granted answer beside the message; `first`: before the message.
    """

    def __init__(self, **changes: Any) -> None:
        self.scanner = Scanner(replace(CONFIG, **changes))
        self.answers: list[tuple[int, ...]] = []
        self.items: tuple[Item, ...] = ()
        self.first: tuple[Item, ...] = (Item(ItemType.NULL_ADDRESS),)
        self.attributes: dict[tuple[int, int], bytes] = {}  # assembly and attribute
        self.refuse_tcp = False
        self.silent = False
        self.now_ns = 0
        self.opens: list[tuple[int, ForwardOpen]] = []
        self.asked_items: tuple[Item, ...] = ()
        self.requests: list[bytes] = []
        self.connects: list[int] = []
        self.outgoing: list[Outgoing] = []
        self.events: list[Event] = []
        self._reader = FrameReader()
        self._seq = 0

    def start(self) -> Target:
        self.scanner.start(self.now_ns)
        return self.pump()

    def pump(self) -> Target:
        while outgoing := self.scanner.take_outgoing():
            self.outgoing += outgoing
            for sent in outgoing:
                self._heard(sent)
        self.events += self.scanner.take_events()
        return self

    def run_for(self, span_ns: int, feed: bytes | None = None) -> Target:
        """Let the scanner do all that is due; with *feed*, its inputs come every 10 ms."""
        end_ns = self.now_ns + span_ns
        while (due_ns := self.scanner.next_deadline_ns()) is not None and due_ns <= end_ns:
            self.now_ns = max(due_ns, self.now_ns)
            self.scanner.handle_timer(self.now_ns)
            self.pump()
            if feed is not None:
                self.produce(feed)
        self.now_ns = end_ns
        return self

    def produce(
        self, data: bytes, *, host: str = HOST, to_many: bool = False, port: int = IO_PORT, step: int = 1
    ) -> Target:
        """One T->O frame, of class 1 unless the scanner asked for class 0."""
        self._seq = (self._seq + step) & 0xFFFF_FFFF
        asked = self.opens[-1][1]
        count = None if asked.class_trigger & 15 == 0 else self._seq & 0xFFFF
        to_id = asked.to_id or GROUP_ID
        frame = encode_cyclic(to_id, self._seq, count, data)
        self.scanner.udp_received(port, (host, IO_PORT), frame, self.now_ns, to_many)
        return self.pump()

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    def datagrams(self) -> list[SendUdp]:
        return [sent for sent in self.outgoing if isinstance(sent, SendUdp)]

    def _heard(self, sent: Outgoing) -> None:
        match sent:
            case ConnectTcp(link, peer):
                self.connects.append(self.now_ns)
                self._reader = FrameReader()
                if self.refuse_tcp:
                    self.scanner.tcp_closed(link, self.now_ns)
                else:
                    self.scanner.tcp_opened(link, peer, self.now_ns)
            case SendTcp(link, data):
                self._reader.feed(data)
                while frame := self._reader.next_frame():
                    self._answer(link, frame)
            case CloseTcp():
                self._reader = FrameReader()

    def _answer(self, link: int, frame: Frame) -> None:
        if self.silent:
            return
        if frame.command == Command.REGISTER_SESSION:
            self._reply(link, frame, frame.data, session=7)
        elif frame.command == Command.SEND_RR_DATA:
            message = self._message(frame.data)
            items = (*self.first, Item(ItemType.UNCONNECTED_DATA, message), *self.items)
            self._reply(link, frame, bytes(6) + encode_items(items), session=7)

    def _reply(self, link: int, frame: Frame, data: bytes, session: int) -> None:
        answer = frame.reply(data, session=session)
        self.scanner.tcp_received(link, answer.encode(), self.now_ns)

    def _message(self, data: bytes) -> bytes:
        message, self.asked_items = decode_unconnected(data)
        self.requests.append(message)
        service, path, body = split_request(message)
        if service == Service.FORWARD_CLOSE:
            return encode_response(service, Response(data=body[2:10] + bytes(2)))
        if service == Service.GET_ATTRIBUTE_SINGLE:
            value = self.attributes.get((path[3], path[5]))
            return encode_response(service, Response(data=value) if value is not None else Response(0x14))
        asked = ForwardOpen.decode(body, large=service == Service.LARGE_FORWARD_OPEN)
        self.opens.append((self.now_ns, asked))
        if self.answers:
            status, *words = self.answers.pop(0)
            return encode_response(service, Response(status, tuple(words), encode_tail(asked.triad)))
        to_id = asked.to_id or GROUP_ID
        reply = OpenReply(OT_ID, to_id, asked.triad, asked.ot_rpi_us, asked.to_rpi_us)
        return encode_response(service, Response(data=reply.encode()))
