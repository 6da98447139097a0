"""Objects about the network: TCP/IP Interface, Ethernet Link, QoS, Port.

Attribute numbers and layouts as the open Wireshark dissector decodes them (packet-enip.c, packet-cip.c);
object revisions are from memory.
"""

from __future__ import annotations

from struct import Struct

from bench.eip.cpf import ipv4_bytes
from bench.eip.device import DSCP_MAX, INACTIVITY_MAX_S, Device, LinkCounters, Traffic
from bench.eip.device_objects import class_attributes, fixed, short_string
from bench.eip.epath import Port, encode_path
from bench.eip.message import Response
from bench.eip.multicast import group_of
from bench.eip.routing import PORT_NUMBER
from bench.eip.services import READ, READ_ALL, SET, Attributes, CipClass, Reader, Setter, wrong_size
from bench.eip.status import Status

_U16 = Struct("<H")
_U32 = Struct("<I")
_COUNTERS = Struct("<11I")
_TO_TCPIP = b"\x20\xf5\x24\x01"
_TO_LINK = b"\x20\xf6\x24\x01"
_INACTIVITY = 13
_MBIT_S = 100
_PORT_TYPE = 4  # EtherNet/IP
# Attributes this adapter lacks stand in Get_Attributes_All as zeros: 7 safety network number, 11 last
# address conflict, 12 quick connect; 5 media counters.
_TCPIP_ALL = (1, 2, 3, 4, 5, 6, bytes(6), 8, 9, 10, bytes(35), bytes(1), _INACTIVITY)
_LINK_ALL = (1, 2, 3, 4, bytes(48), 6, 7, 8, 9, 10, 11)


def tcpip_class(device: Device) -> CipClass:
    return CipClass(
        "TCP/IP Interface",
        {0: class_attributes(4), 1: _tcpip(device)},
        {**READ_ALL, **SET},
        _TCPIP_ALL,
        {(1, _INACTIVITY): _inactivity_setter(device)},
    )


def _tcpip(device: Device) -> Attributes:
    config, network = device.config, device.config.network
    addresses = (config.address, network.netmask, network.gateway, "0.0.0.0", "0.0.0.0")  # two name servers
    interface = b"".join(map(_udint_address, addresses)) + _U16.pack(0)  # no domain name
    group = _udint_address(group_of(config.address, network.netmask))
    return {
        1: fixed(_U32.pack(1)),  # configured
        2: fixed(_U32.pack(0)),  # nothing of it can be set over the network
        3: fixed(_U32.pack(0)),  # statically assigned
        4: fixed(_U16.pack(len(_TO_LINK) // 2) + _TO_LINK),
        5: fixed(interface),
        6: fixed(_padded_string(network.host_name)),
        8: fixed(b"\x01"),  # TTL of multicast frames
        9: fixed(b"\x00\x00" + _U16.pack(1) + group),  # default allocation, one group, the first
        10: fixed(b"\x00"),  # addresses are not checked for conflicts
        _INACTIVITY: lambda: _U16.pack(device.settings.inactivity_s),
    }


def _udint_address(address: str) -> bytes:
    """Little-endian, as a UDINT is, unlike a socket address."""
    return ipv4_bytes(address)[::-1]


def _padded_string(text: str) -> bytes:
    data = text.encode("ascii", "replace")[:64]
    return _U16.pack(len(data)) + data + bytes(len(data) % 2)


def _inactivity_setter(device: Device) -> Setter:
    what = "the encapsulation inactivity timeout"

    def set_inactivity(data: bytes, now_ns: int) -> Response:
        refusal = wrong_size(what, _U16.size, data)
        if refusal is not None:
            return refusal
        (seconds,) = _U16.unpack(data)
        if seconds > INACTIVITY_MAX_S:
            sentence = f"asked for {what} of {seconds} s; expected 0 (off) to {INACTIVITY_MAX_S}"
            return Response(Status.ATTRIBUTE_VALUE, sentence=sentence)
        device.settings.inactivity_s = seconds
        return Response()

    return set_inactivity


def ethernet_link_class(device: Device) -> CipClass:
    return CipClass("Ethernet Link", {0: class_attributes(4), 1: _ethernet(device)}, READ_ALL, _LINK_ALL)


def _ethernet(device: Device) -> Attributes:
    # A locally administered address made of the serial, so that two adapters of a bench differ.
    physical = b"\x02\x00" + device.config.identity.serial.to_bytes(4, "big")
    return {
        1: fixed(_U32.pack(_MBIT_S)),
        2: fixed(_U32.pack(0x0F)),  # link active, full duplex, speed and duplex negotiated
        3: fixed(physical),
        4: lambda: _link_counters(device.link_counters),
        6: fixed(_U16.pack(1) + _U16.pack(0)),  # negotiates; no speed is forced
        7: fixed(b"\x00"),  # of no known type: the bench does not ask the computer what it has
        8: fixed(b"\x01"),  # enabled
        9: fixed(b"\x01"),  # enabled by whoever administers it
        10: fixed(short_string(device.config.network.interface[:64])),
        11: fixed(_U32.pack(0x02) + b"\x01" + _U16.pack(_MBIT_S) + b"\x01"),  # negotiates one: full duplex
    }


def _link_counters(counters: LinkCounters) -> bytes:
    return _COUNTERS.pack(*(getattr(counters, name) & 0xFFFF_FFFF for name in LinkCounters.__slots__))


def qos_class(device: Device) -> CipClass:
    attributes: dict[int, Reader] = {1: fixed(b"\x00")}  # frames carry no tag
    setters: dict[tuple[int, int], Setter] = {}
    for traffic in Traffic:
        attributes[int(traffic)] = _dscp_reader(device, traffic)
        setters[1, int(traffic)] = _dscp_setter(device, traffic)
    return CipClass("QoS", {0: class_attributes(1), 1: attributes}, {**READ, **SET}, setters=setters)


def _dscp_reader(device: Device, traffic: Traffic) -> Reader:
    def read() -> bytes:
        settings = device.settings
        return bytes((settings.pending_dscp.get(traffic, settings.dscp[traffic]),))

    return read


def _dscp_setter(device: Device, traffic: Traffic) -> Setter:
    what = f"the DSCP of {traffic.name.lower()} traffic"

    def set_dscp(data: bytes, now_ns: int) -> Response:
        refusal = wrong_size(what, 1, data)
        if refusal is not None:
            return refusal
        if data[0] > DSCP_MAX:
            sentence = f"asked for {what} of {data[0]}; expected 0 to {DSCP_MAX}"
            return Response(Status.ATTRIBUTE_VALUE, sentence=sentence)
        device.settings.pending_dscp[traffic] = data[0]
        in_use = device.settings.dscp[traffic]
        return Response(
            sentence=f"set {what} to {data[0]}; {in_use} is in use until the adapter starts again"
        )

    return set_dscp


def port_class(device: Device) -> CipClass:
    type_and_number = _U16.pack(_PORT_TYPE) + _U16.pack(PORT_NUMBER)
    itself: Attributes = {
        **class_attributes(2),
        8: fixed(_U16.pack(1)),  # the instance every request comes in by
        9: fixed(bytes(4) + type_and_number),  # by instance number, so instance 0 stands first, as zeros
    }
    return CipClass(
        "Port",
        {0: itself, 1: _port(device)},
        READ_ALL,
        (1, 2, 3, 4, 7),
        class_services=READ_ALL,
        all_class_attributes=(1, 2, 3, 8, 9),
    )


def _port(device: Device) -> Attributes:
    network = device.config.network
    node = encode_path([Port(PORT_NUMBER, device.config.address.encode("ascii"))])
    return {
        1: fixed(_U16.pack(_PORT_TYPE)),
        2: fixed(_U16.pack(PORT_NUMBER)),
        3: fixed(_U16.pack(len(_TO_TCPIP) // 2) + _TO_TCPIP),
        4: fixed(short_string((network.interface or "Ethernet")[:64])),
        7: fixed(node),
    }
