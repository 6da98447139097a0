"""The CIP objects of the adapter: attributes per instance, services per class, as tables.

Attribute numbers and layouts as the open Wireshark dissector decodes them (packet-cip.c).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from struct import Struct
from typing import Protocol

from bench.eip.config import AdapterConfig, Identity, key_mismatch
from bench.eip.cpf import Item, ipv4_bytes
from bench.eip.message import ClassId, Request, Response, Service
from bench.eip.status import Status
from bench.eip.transport import Address
from bench.errors import RemoteError

Reader = Callable[[], bytes]
Attributes = Mapping[int, Reader]

_U16 = Struct("<H")
_U32 = Struct("<I")


class Device(Protocol):
    """What the objects read of the running adapter."""

    @property
    def config(self) -> AdapterConfig: ...
    @property
    def inputs(self) -> bytes: ...
    @property
    def outputs(self) -> bytes: ...
    @property
    def status_word(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a request came from: its link, its peer, the items beside it, the time."""

    link: int
    peer: Address
    items: tuple[Item, ...]
    now_ns: int


Handler = Callable[["CipClass", Request, Origin], Response]


@dataclass(frozen=True, slots=True)
class CipClass:
    """One class: what can be read of each instance, and what can be asked of it.

    `all_attributes` is the order of Get_Attributes_All. Instance 0 is the class itself.
    """

    name: str
    instances: Mapping[int, Attributes]
    services: Mapping[int, Handler] = field(default_factory=dict)
    all_attributes: tuple[int, ...] = ()


def get_attribute_single(cip_class: CipClass, request: Request, origin: Origin) -> Response:
    attributes = cip_class.instances[request.instance]
    reader = attributes.get(-1 if request.attribute is None else request.attribute)
    if reader is None:
        asked = "no attribute" if request.attribute is None else f"attribute {request.attribute}"
        known = ", ".join(str(number) for number in attributes) or "none"
        where = f"{cip_class.name} instance {request.instance}"
        sentence = f"asked for {asked} of {where}; it has {known}"
        return Response(Status.ATTRIBUTE_NOT_SUPPORTED, sentence=sentence)
    return Response(data=reader())


def get_attributes_all(cip_class: CipClass, request: Request, origin: Origin) -> Response:
    if request.instance == 0:
        return _unsupported(cip_class, request)
    attributes = cip_class.instances[request.instance]
    return Response(data=b"".join(attributes[number]() for number in cip_class.all_attributes))


READ_SINGLE: Mapping[int, Handler] = {Service.GET_ATTRIBUTE_SINGLE: get_attribute_single}
READ_ALL: Mapping[int, Handler] = {**READ_SINGLE, Service.GET_ATTRIBUTES_ALL: get_attributes_all}


def route(classes: Mapping[int, CipClass], identity: Identity, request: Request, origin: Origin) -> Response:
    """Hand a request to the class, instance and service it names, or say which of them is missing."""
    cip_class = classes.get(request.class_id)
    if cip_class is None:
        sentence = f"asked for class 0x{request.class_id:02X}; this adapter has {_hex_list(classes)}"
        return Response(Status.PATH_DESTINATION, sentence=sentence)
    if request.instance not in cip_class.instances:
        known = ", ".join(str(number) for number in cip_class.instances if number)
        sentence = f"asked for instance {request.instance} of {cip_class.name}; it has {known}"
        return Response(Status.OBJECT_MISSING, sentence=sentence)
    mismatch = key_mismatch(request.key, identity) if request.key else None
    if mismatch is not None:
        return Response(Status.KEY_FAILURE, sentence=f"sent an electronic key for {mismatch[1]}")
    handler = cip_class.services.get(request.service)
    if handler is None:
        return _unsupported(cip_class, request)
    try:
        return handler(cip_class, request, origin)
    except RemoteError as error:
        return Response(error.status or Status.NOT_ENOUGH_DATA, error.extended, sentence=f"sent {error}")


def _unsupported(cip_class: CipClass, request: Request) -> Response:
    where = f"{cip_class.name} instance {request.instance}"
    offered = _hex_list(cip_class.services)
    sentence = f"asked for service 0x{request.service:02X} of {where}; the class offers {offered}"
    return Response(Status.SERVICE_NOT_SUPPORTED, sentence=sentence)


def _hex_list(numbers: Mapping[int, object]) -> str:
    return ", ".join(f"0x{number:02X}" for number in numbers) or "none"


def build_classes(device: Device, manager: Mapping[int, Handler]) -> dict[int, CipClass]:
    """All classes of the adapter; `manager` holds the Connection Manager's services."""
    nothing: Attributes = {}
    return {
        ClassId.IDENTITY: CipClass(
            "Identity", {0: _class_attributes(1), 1: _identity(device)}, READ_ALL, (1, 2, 3, 4, 5, 6, 7)
        ),
        ClassId.MESSAGE_ROUTER: CipClass(
            "Message Router", {0: _class_attributes(1), 1: nothing}, READ_SINGLE
        ),
        ClassId.ASSEMBLY: CipClass("Assembly", _assemblies(device), READ_SINGLE),
        ClassId.CONNECTION_MANAGER: CipClass(
            "Connection Manager", {0: _class_attributes(1), 1: nothing}, {**READ_SINGLE, **manager}
        ),
        ClassId.TCPIP_INTERFACE: CipClass(
            "TCP/IP Interface",
            {0: _class_attributes(4), 1: _tcpip(device.config)},
            READ_ALL,
            (1, 2, 3, 4, 5, 6),
        ),
        ClassId.ETHERNET_LINK: CipClass(
            "Ethernet Link", {0: _class_attributes(4), 1: _ethernet(device.config)}, READ_ALL, (1, 2, 3)
        ),
    }


def identity_item(device: Device, port: int) -> bytes:
    """Data of the ListIdentity item: version, socket address, then the Identity attributes, state."""
    address = (2).to_bytes(2, "big") + port.to_bytes(2, "big") + ipv4_bytes(device.config.address) + bytes(8)
    attributes = _identity(device)
    values = b"".join(attributes[number]() for number in range(1, 8))
    return _U16.pack(1) + address + values + b"\x03"  # 3: operational


def _class_attributes(revision: int, instances: int = 1, highest: int = 1) -> Attributes:
    return {1: _fixed(_U16.pack(revision)), 2: _fixed(_U16.pack(highest)), 3: _fixed(_U16.pack(instances))}


def _identity(device: Device) -> Attributes:
    identity = device.config.identity
    return {
        1: _fixed(_U16.pack(identity.vendor_id)),
        2: _fixed(_U16.pack(identity.device_type)),
        3: _fixed(_U16.pack(identity.product_code)),
        4: _fixed(bytes((identity.major, identity.minor))),
        5: lambda: _U16.pack(device.status_word),
        6: _fixed(_U32.pack(identity.serial)),
        7: _fixed(bytes((len(identity.product_name),)) + identity.product_name.encode("ascii")),
    }


def _assemblies(device: Device) -> dict[int, Attributes]:
    config = device.config
    numbers = (config.input_assembly, config.output_assembly, config.configuration_assembly)
    return {
        0: _class_attributes(2, len(numbers), max(numbers)),
        config.input_assembly: _assembly(lambda: device.inputs),
        config.output_assembly: _assembly(lambda: device.outputs),
        config.configuration_assembly: _assembly(lambda: config.configuration),
    }


def _assembly(data: Reader) -> Attributes:
    return {3: data, 4: lambda: _U16.pack(len(data()))}


def _tcpip(config: AdapterConfig) -> Attributes:
    address = ipv4_bytes(config.address)[::-1]  # a UDINT, so little-endian on the wire
    mask = ipv4_bytes("255.255.255.0")[::-1]
    return {
        1: _fixed(_U32.pack(1)),  # configured
        2: _fixed(_U32.pack(0)),  # nothing can be set over the network
        3: _fixed(_U32.pack(0)),  # statically assigned
        4: _fixed(_U16.pack(2) + b"\x20\xf6\x24\x01"),  # path to the Ethernet Link object
        5: _fixed(address + mask + bytes(12) + _U16.pack(0)),
        6: _fixed(_U16.pack(0)),  # no host name
        8: _fixed(b"\x01"),  # TTL of multicast frames
        13: _fixed(_U16.pack(0)),  # encapsulation inactivity timeout: off
    }


def _ethernet(config: AdapterConfig) -> Attributes:
    # A locally administered address made of the serial, so that two adapters of a bench differ.
    physical = b"\x02\x00" + config.identity.serial.to_bytes(4, "big")
    return {
        1: _fixed(_U32.pack(100)),  # Mbit/s
        2: _fixed(_U32.pack(0x0F)),  # link active, full duplex, speed and duplex negotiated
        3: _fixed(physical),
    }


def _fixed(value: bytes) -> Reader:
    return lambda: value
