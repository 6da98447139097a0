"""The CIP objects of the adapter, put together: classes by their number, and what ListIdentity tells.

What a class is and how a request finds it stands in `services`, the objects in `device_objects` and
`network_objects`, what they ask of the adapter in `device`.
"""

from __future__ import annotations

from collections.abc import Mapping

from bench.eip.cpf import encode_sockaddr
from bench.eip.device import Device, LinkCounters, ManagerCounters, Settings, State, Traffic
from bench.eip.device_objects import (
    IDENTITY_ALL,
    assembly_class,
    connection_manager,
    identity_attributes,
    identity_class,
    message_router,
    other_configuration,
)
from bench.eip.message import ClassId
from bench.eip.network_objects import ethernet_link_class, port_class, qos_class, tcpip_class
from bench.eip.services import CipClass, Handler, Origin, answer, multiple_service, route

__all__ = [
    "CipClass",
    "Device",
    "Handler",
    "LinkCounters",
    "ManagerCounters",
    "Origin",
    "Settings",
    "State",
    "Traffic",
    "answer",
    "build_classes",
    "identity_item",
    "other_configuration",
    "route",
]

_VERSION = (1).to_bytes(2, "little")  # of the encapsulation protocol


def build_classes(device: Device, manager: Mapping[int, Handler]) -> dict[int, CipClass]:
    """All classes of the adapter; `manager` holds the Connection Manager's services."""
    classes: dict[int, CipClass] = {}
    multiple = multiple_service(classes, lambda: device.config.identity)
    classes.update(
        {
            ClassId.IDENTITY: identity_class(device),
            ClassId.MESSAGE_ROUTER: message_router(device, classes, multiple),
            ClassId.ASSEMBLY: assembly_class(device),
            ClassId.CONNECTION_MANAGER: connection_manager(device, manager),
            ClassId.QOS: qos_class(device),
            ClassId.PORT: port_class(device),
            ClassId.TCPIP_INTERFACE: tcpip_class(device),
            ClassId.ETHERNET_LINK: ethernet_link_class(device),
        }
    )
    return classes


def identity_item(device: Device, port: int) -> bytes:
    """Data of the ListIdentity item: version, socket address, the Identity attributes, the state."""
    attributes = identity_attributes(device)
    values = b"".join(attributes[number]() for number in (*IDENTITY_ALL, 8))
    return _VERSION + encode_sockaddr(device.config.address, port) + values
