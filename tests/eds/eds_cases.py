"""What the tests of EDS files share: an adapter's file, and a scanner that opens what the file says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from eip_link import CONFIG, MANAGER, Client

from bench.eds import EdsConnection, connections, forward_open, read_eds, write_eds
from bench.eip.adapter import Adapter
from bench.eip.config import AdapterConfig
from bench.eip.message import Response, Service, encode_request
from bench.errors import WrongFiles

OWNER, INPUT_ONLY, LISTEN_ONLY = 0, 1, 2  # the order in our files


@dataclass(frozen=True)
class NamedBit:
    tag: str
    byte: int
    bit: int
    device: str = ""
    note: str = ""


def config(**changes: Any) -> AdapterConfig:
    return replace(CONFIG, **changes)


def offered(text: str) -> tuple[EdsConnection, ...]:
    return connections(read_eds(text))


def text_of(**changes: Any) -> str:
    return write_eds(config(**changes))


def mistakes(text: str) -> list[str]:
    """`line:column: sentence` of everything wrong with a file, its connections included."""
    try:
        connections(read_eds(text))
    except WrongFiles as wrong:
        return [f"{m.line}:{m.column}: {m.sentence}" for m in wrong.mistakes]
    return []


@dataclass
class Scanner:
    """Opens connections of an EDS at one adapter, each under a serial of its own."""

    client: Client
    serial: int = 0

    @classmethod
    def at(cls, adapter: Adapter, link: int = 9, address: str = "127.0.0.9") -> Scanner:
        return cls(Client(adapter, link, address).register())

    def open(self, connection: EdsConnection, **asked: Any) -> Response:
        self.serial += 1
        triad = (self.serial, 0, 99 + self.client.link)
        request = forward_open(connection, triad=triad, to_id=0x10000 + self.serial, **asked)
        service = Service.LARGE_FORWARD_OPEN if request.large else Service.FORWARD_OPEN
        return self.client.message(encode_request(service, MANAGER, request.encode()))
