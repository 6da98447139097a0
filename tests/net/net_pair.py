"""An adapter and a scanner for the network tests, and a core that only writes down what it hears."""

from __future__ import annotations

from typing import Any

from bench.eip import Adapter, AdapterConfig, Identity, Scanner, ScannerConfig
from bench.eip.events import Event
from bench.eip.transport import TCP_PORT, Address, Outgoing

MS = 1_000_000


def adapter_at(address: str) -> Adapter:
    return Adapter(
        AdapterConfig(
            identity=Identity(serial=1, product_name="Bench I/O"),
            address=address,
            input_assembly=100,
            input_size=2,
            output_assembly=150,
            output_size=2,
            configuration_assembly=151,
            rpi_min_ns=2 * MS,
            rpi_default_ns=10 * MS,
        )
    )


def scanner_at(address: str, target: str) -> Scanner:
    return Scanner(
        ScannerConfig(
            target=(target, TCP_PORT),
            address=address,
            input_assembly=100,
            input_size=2,
            output_assembly=150,
            output_size=2,
            configuration_assembly=151,
            rpi_ns=10 * MS,
            originator_serial=2,
        )
    )


class Ear:
    """A protocol core that says what it is told to and keeps what it hears."""

    def __init__(self) -> None:
        self.heard: list[Any] = []
        self.to_say: list[Outgoing] = []

    def tcp_opened(self, link: int, peer: Address, now_ns: int) -> None:
        self.heard.append(("opened", link, now_ns))

    def tcp_received(self, link: int, data: bytes, now_ns: int) -> None:
        self.heard.append(("received", link, data, now_ns))

    def tcp_closed(self, link: int, now_ns: int) -> None:
        self.heard.append(("closed", link, now_ns))

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        self.heard.append(("datagram", local_port, data, now_ns))

    def next_deadline_ns(self) -> int | None:
        return None

    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None:
        raise AssertionError("no timer was set")

    def take_outgoing(self) -> list[Outgoing]:
        said, self.to_say = self.to_say, []
        return said

    def take_events(self) -> list[Event]:
        return []
