"""Helpers of these tests: an adapter joined with a scanner, and a bare client that sends any bytes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bench.eip.adapter import Adapter
from bench.eip.config import AdapterConfig, Identity
from bench.eip.cpf import Item, decode_unconnected, encode_unconnected
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.epath import Kind, Logical, encode_path
from bench.eip.events import Event
from bench.eip.forward_open import ForwardOpen, NetworkParameters
from bench.eip.message import Response, Service, decode_response, encode_request
from bench.eip.scanner import Scanner, ScannerConfig
from bench.eip.transport import IO_PORT, TCP_PORT, CloseTcp, ConnectTcp, SendTcp, SendUdp

MS = 1_000_000
ADAPTER = "127.0.0.1"
SCANNER = "127.0.0.2"
MANAGER = bytes.fromhex("20062401")
PATH = bytes.fromhex("20 04 24 97 2C 96 2C 64")  # configuration 151, O->T 150, T->O 100

IDENTITY = Identity(serial=0x0D1B0001, product_name="Bench I/O", product_code=7, major=2, minor=3)
CONFIG = AdapterConfig(
    identity=IDENTITY,
    address=ADAPTER,
    input_assembly=100,
    input_size=32,
    output_assembly=150,
    output_size=32,
    configuration_assembly=151,
    rpi_min_ns=2 * MS,
    rpi_default_ns=10 * MS,
)
SCANNER_CONFIG = ScannerConfig(
    target=(ADAPTER, TCP_PORT),
    address=SCANNER,
    input_assembly=100,
    input_size=32,
    output_assembly=150,
    output_size=32,
    configuration_assembly=151,
    rpi_ns=10 * MS,
    originator_serial=0x1234,
)
OPEN = ForwardOpen(
    ot_id=0,
    to_id=0x00010001,
    serial=1,
    vendor_id=0,
    originator_serial=99,
    multiplier_code=0,
    ot_rpi_us=10_000,
    ot=NetworkParameters(38),
    to_rpi_us=10_000,
    to=NetworkParameters(34),
    path=PATH,
)


class Link:
    """Passes everything an adapter and a scanner send to the other, at once, and keeps the time."""

    def __init__(self, adapter: dict[str, Any] | None = None, scanner: dict[str, Any] | None = None) -> None:
        self.adapter = Adapter(replace(CONFIG, **(adapter or {})))
        self.scanner = Scanner(replace(SCANNER_CONFIG, **(scanner or {})))
        self.now_ns = 0
        self.drop_ot = False
        self.drop_to = False
        self.refuse_tcp = False
        self.events: list[Event] = []
        self.datagrams: list[tuple[int, SendUdp]] = []

    def connect(self, run: bool = True) -> Link:
        self.scanner.set_run(run)
        self.scanner.start(self.now_ns)
        self.pump()
        return self

    def pump(self) -> None:
        while self._pump_scanner() | self._pump_adapter():
            pass
        self.events += self.scanner.take_events() + self.adapter.take_events()

    def run_for(self, span_ns: int) -> None:
        """Let both cores do all that is due in the next `span_ns`."""
        end_ns = self.now_ns + span_ns
        while (due_ns := self._due_ns()) is not None and due_ns <= end_ns:
            self.now_ns = max(due_ns, self.now_ns)
            self.scanner.handle_timer(self.now_ns)
            self.adapter.handle_timer(self.now_ns)
            self.pump()
        self.now_ns = end_ns

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    def _due_ns(self) -> int | None:
        both = (self.scanner.next_deadline_ns(), self.adapter.next_deadline_ns())
        return min((due for due in both if due is not None), default=None)

    def _pump_scanner(self) -> bool:
        outgoing = self.scanner.take_outgoing()
        for sent in outgoing:
            match sent:
                case ConnectTcp(link, _) if self.refuse_tcp:
                    self.scanner.tcp_closed(link, self.now_ns)
                case ConnectTcp(link, peer):
                    self.adapter.tcp_opened(link, (SCANNER, 50_000), self.now_ns)
                    self.scanner.tcp_opened(link, peer, self.now_ns)
                case SendTcp(link, data):
                    self.adapter.tcp_received(link, data, self.now_ns)
                case CloseTcp(link):
                    self.adapter.tcp_closed(link, self.now_ns)
                case SendUdp(port, peer, data):
                    self.datagrams.append((self.now_ns, sent))
                    if not self.drop_ot:
                        self.adapter.udp_received(peer[1], (SCANNER, port), data, self.now_ns)
        return bool(outgoing)

    def _pump_adapter(self) -> bool:
        outgoing = self.adapter.take_outgoing()
        for sent in outgoing:
            match sent:
                case SendTcp(link, data):
                    self.scanner.tcp_received(link, data, self.now_ns)
                case CloseTcp(link):
                    self.scanner.tcp_closed(link, self.now_ns)
                case SendUdp(port, peer, data):
                    self.datagrams.append((self.now_ns, sent))
                    if not self.drop_to:
                        self.scanner.udp_received(peer[1], (ADAPTER, port), data, self.now_ns)
        return bool(outgoing)


class Client:
    """One TCP link to an adapter, with nothing checked on the way out."""

    def __init__(self, adapter: Adapter, link: int = 9, address: str = "127.0.0.9") -> None:
        self.adapter = adapter
        self.link = link
        self.address = address
        self.session = 0
        self.closed = False
        self.items: tuple[Item, ...] = ()
        self._reader = FrameReader()
        adapter.tcp_opened(link, (address, 40_000), 0)

    def send(self, data: bytes, now_ns: int = 0) -> list[Frame]:
        self.adapter.tcp_received(self.link, data, now_ns)
        return self.take()

    def take(self) -> list[Frame]:
        for sent in self.adapter.take_outgoing():
            match sent:
                case SendTcp(self.link, data):
                    self._reader.feed(data)
                case CloseTcp(self.link):
                    self.closed = True
        frames = []
        while frame := self._reader.next_frame():
            frames.append(frame)
        return frames

    def register(self) -> Client:
        (frame,) = self.send(Frame(Command.REGISTER_SESSION, data=b"\x01\x00\x00\x00").encode())
        self.session = frame.session
        return self

    def message(self, message: bytes, items: tuple[Item, ...] = (), now_ns: int = 0) -> Response:
        data = encode_unconnected(message, items)
        (frame,) = self.send(Frame(Command.SEND_RR_DATA, self.session, data=data).encode(), now_ns)
        answer, self.items = decode_unconnected(frame.data)
        return decode_response(answer)[1]

    def get(self, class_id: int, instance: int, attribute: int) -> Response:
        segments = (
            Logical(Kind.CLASS, class_id),
            Logical(Kind.INSTANCE, instance),
            Logical(Kind.ATTRIBUTE, attribute),
        )
        return self.message(encode_request(Service.GET_ATTRIBUTE_SINGLE, encode_path(segments)))

    def open(self, items: tuple[Item, ...] = (), now_ns: int = 0, **changes: Any) -> Response:
        asked = replace(OPEN, **changes)
        service = Service.LARGE_FORWARD_OPEN if asked.large else Service.FORWARD_OPEN
        return self.message(encode_request(service, MANAGER, asked.encode()), items, now_ns)

    def datagram(self, data: bytes, port: int = TCP_PORT, address: str | None = None) -> list[bytes]:
        peer = (address or self.address, IO_PORT if port == IO_PORT else 40_001)
        self.adapter.udp_received(port, peer, data, 0)
        return [sent.data for sent in self.adapter.take_outgoing() if isinstance(sent, SendUdp)]
