"""The Forward Open a scanner would send from what an EDS says."""

from __future__ import annotations

from bench.eds.connections import Direction, EdsConnection
from bench.eds.flags import HIGH, LOW, SCHEDULED, Trigger
from bench.eip.epath import DataSegment, ElectronicKey, encode_path
from bench.eip.forward_open import ConnectionType, ForwardOpen, NetworkParameters, Triad
from bench.errors import LocalError

_LARGEST_SMALL = 0x1FF  # a connection size above this needs the large request


def forward_open(
    connection: EdsConnection,
    *,
    triad: Triad,
    to_id: int,
    ot_id: int = 0,
    rpi_us: int | None = None,
    multicast: bool = False,
    trigger: Trigger = Trigger.CYCLIC,
    transport_class: int = 1,
    multiplier_code: int = 0,
    key: ElectronicKey | None = None,
) -> ForwardOpen:
    """The request for *connection*; without `rpi_us` each direction asks for the EDS's default.

    `multicast` is about T->O; O->T is always point to point. The server bit of the EDS is left out:
    for classes 0 and 1 it means nothing, and a captured scanner sends 0x01.

    Raises:
        LocalError: the EDS does not offer what was asked; says what it does offer.
    """
    _offered("trigger", trigger, connection.triggers)
    _offered("transport class", transport_class, connection.classes)
    if connection.proxy_size:
        raise LocalError(
            f"{connection.name} needs {connection.proxy_size} bytes of configuration for a proxy"
        )
    counted = transport_class != 0
    to_type = ConnectionType.MULTICAST if multicast else ConnectionType.POINT_TO_POINT
    ot = _parameters("O->T", connection.ot, ConnectionType.POINT_TO_POINT, counted)
    to = _parameters("T->O", connection.to, to_type, counted)
    data = connection.configuration
    path = encode_path([key] if key else []) + connection.path
    if data:
        path += encode_path([DataSegment(data)])
    return ForwardOpen(
        ot_id=ot_id,
        to_id=to_id,
        serial=triad[0],
        vendor_id=triad[1],
        originator_serial=triad[2],
        multiplier_code=multiplier_code,
        ot_rpi_us=_interval("O->T", connection.ot, rpi_us),
        ot=ot,
        to_rpi_us=_interval("T->O", connection.to, rpi_us),
        to=to,
        path=path,
        class_trigger=trigger << 4 | transport_class,
        large=max(ot.size, to.size) > _LARGEST_SMALL,
    )


def _offered(name: str, asked: int, offered: tuple[int, ...]) -> None:
    if asked not in offered:
        listed = ", ".join(str(int(number)) for number in offered) or "none"
        raise LocalError(f"{name} {int(asked)}: the EDS offers {listed}")


def _parameters(name: str, side: Direction, asked: ConnectionType, counted: bool) -> NetworkParameters:
    if asked not in side.types:
        offered = ", ".join(kind.name.lower() for kind in side.types)
        raise LocalError(f"{name} {asked.name.lower()}: the EDS offers {offered}")
    priority = next((p for p in (SCHEDULED, HIGH, LOW) if p in side.priorities), SCHEDULED)
    return NetworkParameters(
        side.wire_size(counted), asked, priority, variable=side.variable and not side.fixed
    )


def _interval(name: str, side: Direction, asked_us: int | None) -> int:
    rpi_us = side.rpi.start_us if asked_us is None else asked_us
    if not side.rpi.minimum_us <= rpi_us <= side.rpi.maximum_us:
        raise LocalError(
            f"{name} packet interval {rpi_us} us: the EDS offers "
            f"{side.rpi.minimum_us} to {side.rpi.maximum_us} us"
        )
    return rpi_us
