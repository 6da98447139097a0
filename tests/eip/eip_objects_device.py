"""A device for the tests of the objects: the attributes of `Device`, set by hand."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from bench.eip.config import AdapterConfig, Identity, Network
from bench.eip.device import LinkCounters, ManagerCounters, Settings
from bench.eip.message import Request, Response
from bench.eip.objects import CipClass, Origin, answer, build_classes

CONFIG = AdapterConfig(
    identity=Identity(
        vendor_id=0, serial=0x0D1B0001, product_name="Bench I/O", product_code=7, major=2, minor=3
    ),
    address="10.1.2.37",
    input_assembly=100,
    input_size=4,
    output_assembly=150,
    output_size=2,
    configuration_assembly=151,
    configuration=b"\x01\x02\x03",
    rpi_min_ns=2_000_000,
    rpi_default_ns=10_000_000,
    network=Network(netmask="255.255.255.0", gateway="10.1.2.1", host_name="dibbler", interface="ETH 1"),
)


@dataclass
class FakeDevice:
    config: AdapterConfig = CONFIG
    inputs: bytes = b"\x0a\x0b\x0c\x0d"
    outputs: bytes = b"\x00\x00"
    status_word: int = 0x0030
    state: int = 3
    owned: bool = False
    kept: bool = False
    io_open: bool = False
    open_connections: int = 0
    manager_counters: ManagerCounters = field(default_factory=ManagerCounters)
    link_counters: LinkCounters = field(default_factory=LinkCounters)
    settings: Settings = field(default_factory=Settings)

    def write_outputs(self, data: bytes, now_ns: int) -> None:
        self.outputs = data


class Desk:
    """Asks the objects of a device; requests and replies are written in hexadecimal."""

    def __init__(self, **config: Any) -> None:
        self.device = FakeDevice(replace(CONFIG, **config))
        self.classes = build_classes(self.device, {0x54: self._opened, 0x4E: self._opened})
        self.origin = Origin(1, ("10.1.2.9", 50_000), (), 0)
        self.response = Response()

    def _opened(self, cip_class: CipClass, request: Request, origin: Origin) -> Response:
        return Response(data=b"\x99")

    def ask(self, message: str | bytes, **origin: Any) -> bytes:
        """The reply; `response` is what it was made of."""
        asked = bytes.fromhex(message) if isinstance(message, str) else message
        reply, self.response = answer(
            self.classes, self.device.config.identity, asked, replace(self.origin, **origin)
        )
        return reply

    def hex(self, message: str | bytes, **origin: Any) -> str:
        return self.ask(message, **origin).hex(" ").upper()

    @property
    def sentence(self) -> str:
        return self.response.sentence
