"""Objects about the device itself: Identity, Message Router, Assembly, Connection Manager.

Attribute numbers and layouts as the open Wireshark dissector decodes them (packet-cip.c); object
revisions are from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from struct import Struct

from bench.eip.config import AdapterConfig, other_byte
from bench.eip.device import Device, ManagerCounters
from bench.eip.message import Response, Service
from bench.eip.services import READ, READ_ALL, SET, Attributes, CipClass, Handler, Reader, Setter, wrong_size
from bench.eip.status import Status

_U16 = Struct("<H")
_U32 = Struct("<I")
_DATA = 3  # the attribute of an assembly that is its data
_SIZE = 4

NO_RESET = (
    "this adapter is not reset over the network; restart it where it runs, or cycle its power in a scenario"
)
IDENTITY_ALL = (1, 2, 3, 4, 5, 6, 7)


def fixed(value: bytes) -> Reader:
    """Reads the same bytes at every time."""
    return lambda: value


def short_string(text: str) -> bytes:
    """A length byte and at most 255 ASCII characters; others read `?`."""
    data = text.encode("ascii", "replace")[:255]
    return bytes((len(data),)) + data


def class_attributes(revision: int, instances: int = 1, highest: int = 1) -> dict[int, Reader]:
    """Attributes 1 to 3 of a class: revision, highest instance, number of instances."""
    return {1: fixed(_U16.pack(revision)), 2: fixed(_U16.pack(highest)), 3: fixed(_U16.pack(instances))}


def identity_class(device: Device) -> CipClass:
    return CipClass(
        "Identity",
        {0: class_attributes(1), 1: identity_attributes(device)},
        READ_ALL,
        IDENTITY_ALL,
        refused={Service.RESET: NO_RESET},
    )


def identity_attributes(device: Device) -> Attributes:
    """Attributes 1 to 8; status word and state are read as they stand."""
    identity = device.config.identity
    return {
        1: fixed(_U16.pack(identity.vendor_id)),
        2: fixed(_U16.pack(identity.device_type)),
        3: fixed(_U16.pack(identity.product_code)),
        4: fixed(bytes((identity.major, identity.minor))),
        5: lambda: _U16.pack(device.status_word),
        6: fixed(_U32.pack(identity.serial)),
        7: fixed(short_string(identity.product_name)),
        8: lambda: bytes((device.state,)),
    }


def message_router(device: Device, classes: Mapping[int, CipClass], multiple: Handler) -> CipClass:
    """Object list, how many connections there may be, how many there are; takes packets of requests."""
    limits = device.config.limits
    available = limits.io_connections + limits.message_connections
    attributes: Attributes = {
        1: lambda: b"".join(map(_U16.pack, (len(classes), *sorted(classes)))),
        2: fixed(_U16.pack(min(available, 0xFFFF))),
        3: lambda: _U16.pack(min(device.open_connections, 0xFFFF)),
    }
    return CipClass(
        "Message Router",
        {0: class_attributes(1), 1: attributes},
        {**READ, Service.MULTIPLE_SERVICE_PACKET: multiple},
        alone=frozenset({Service.MULTIPLE_SERVICE_PACKET}),
    )


def connection_manager(device: Device, manager: Mapping[int, Handler]) -> CipClass:
    """The counters, and the services of connections, which are not taken out of a packet of requests."""
    names = ManagerCounters.__slots__
    counters = {number: _counter(device, name) for number, name in enumerate(names, 1)}
    return CipClass(
        "Connection Manager",
        {0: class_attributes(1), 1: counters},
        {**READ, **manager},
        alone=frozenset(manager),
    )


def _counter(device: Device, name: str) -> Reader:
    return lambda: _U16.pack(getattr(device.manager_counters, name) & 0xFFFF)


def assembly_class(device: Device) -> CipClass:
    """Input, output and configuration data, and the two heartbeat points, which carry none."""
    config = device.config
    instances: dict[int, Attributes] = {
        config.input_assembly: _assembly(lambda: device.inputs),
        config.output_assembly: _assembly(lambda: device.outputs),
        config.configuration_assembly: _assembly(fixed(config.configuration)),
        config.input_only_point: _assembly(fixed(b"")),
        config.listen_only_point: _assembly(fixed(b"")),
    }
    setters: dict[tuple[int, int], Setter] = {
        (config.input_assembly, _DATA): _never(
            f"input assembly {config.input_assembly}", "its data is produced"
        ),
        (config.output_assembly, _DATA): _outputs_setter(device),
        (config.configuration_assembly, _DATA): _configuration_setter(device),
    }
    for point in (config.input_only_point, config.listen_only_point):
        setters[point, _DATA] = _never(f"assembly {point}", "it is a heartbeat point and has no data")
    known = class_attributes(2, len(instances), max(instances))
    services = {**READ, **SET}
    return CipClass("Assembly", {0: known, **instances}, services, setters=setters)


def _assembly(data: Reader) -> Attributes:
    return {_DATA: data, _SIZE: lambda: _U16.pack(len(data()))}


def _never(what: str, why: str) -> Setter:
    refusal = Response(Status.NOT_SETTABLE, sentence=f"asked to set {what}; {why}")
    return lambda data, now_ns: refusal


def _outputs_setter(device: Device) -> Setter:
    config = device.config
    what = f"output assembly {config.output_assembly}"
    if not config.settable_outputs:
        return _never(what, "outputs are written over a connection; the station file may allow messages")

    def set_outputs(data: bytes, now_ns: int) -> Response:
        if device.owned:
            sentence = (
                f"asked to set {what}, which an open connection owns; it can be set while nobody owns it"
            )
            return Response(Status.STATE_CONFLICT, sentence=sentence)
        if device.kept:
            sentence = (
                f"asked to set {what}, which is kept for its owner, whose connection timed out; "
                "it can be set when the owner has closed"
            )
            return Response(Status.STATE_CONFLICT, sentence=sentence)
        refusal = wrong_size(what, config.output_size, data)
        if refusal is None:
            device.write_outputs(data, now_ns)
        return refusal or Response()

    return set_outputs


def _configuration_setter(device: Device) -> Setter:
    config = device.config
    what = f"configuration assembly {config.configuration_assembly}"

    def set_configuration(data: bytes, now_ns: int) -> Response:
        if device.io_open:
            sentence = (
                f"asked to set {what} while an I/O connection is open; close every I/O connection first"
            )
            return Response(Status.STATE_CONFLICT, sentence=sentence)
        refusal = wrong_size(what, len(config.configuration), data)
        return refusal or other_configuration(config, data) or Response()

    return set_configuration


def other_configuration(config: AdapterConfig, data: bytes) -> Response | None:
    """The refusal of configuration data (of the right size) that the station does not expect, or None."""
    at = other_byte(data, config.configuration)
    if at is None:
        return None
    sentence = (
        f"sent configuration data with 0x{data[at]:02X} at byte {at}; assembly "
        f"{config.configuration_assembly} of this station expects 0x{config.configuration[at]:02X} there"
    )
    return Response(Status.ATTRIBUTE_VALUE, sentence=sentence)
