"""A CIP class as tables, the services every class shares, and the way of a request to its handler.

Service numbers and layouts as the open Wireshark dissector decodes them (packet-cip.c).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from struct import Struct

from bench.eip.config import Identity, key_mismatch
from bench.eip.cpf import Item
from bench.eip.message import Request, Response, Service, decode_request, encode_response
from bench.eip.status import Status
from bench.eip.transport import Address
from bench.errors import RemoteError

_TOLD = 8  # things listed in one sentence: a peer must not make the log long
REPLY_BYTES = 4000  # of a reply to an unconnected message: one encapsulation frame of 4096 holds it

Reader = Callable[[], bytes]
Attributes = Mapping[int, Reader]
Setter = Callable[[bytes, int], Response]  # the data and now_ns

_U16 = Struct("<H")
_ID_AND_STATUS = Struct("<HH")
_REPLY_HEAD_BYTES = 4


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a request came from: its link, its peer, the items beside it, the time.

    `reply_bytes` is the room for the reply with its head: of a connection its T->O size less the
    count. `embedded` marks a request out of a Multiple Service Packet.
    """

    link: int
    peer: Address
    items: tuple[Item, ...]
    now_ns: int
    reply_bytes: int = REPLY_BYTES
    embedded: bool = False


Handler = Callable[["CipClass", Request, Origin], Response]


def get_attribute_single(cip_class: CipClass, request: Request, origin: Origin) -> Response:
    attributes = cip_class.instances[request.instance]
    reader = attributes.get(-1 if request.attribute is None else request.attribute)
    if reader is None:
        return _no_attribute(cip_class, request)
    return Response(data=reader())


def get_attributes_all(cip_class: CipClass, request: Request, origin: Origin) -> Response:
    attributes = cip_class.instances[request.instance]
    listed = cip_class.all_attributes if request.instance else cip_class.all_class_attributes
    parts = (part if isinstance(part, bytes) else attributes[part]() for part in listed)
    return Response(data=b"".join(parts))


def get_attribute_list(cip_class: CipClass, request: Request, origin: Origin) -> Response:
    """A count and attribute numbers in; a count and {number, status, value} out.

    When one of them cannot be read the others still are, and the general status is 0x0A.
    """
    data = request.data
    count = _count(data, "attribute list", "attribute")
    _exactly("attribute list", data, 2 + 2 * count, f"{2 + 2 * count} bytes for {count} attributes")
    attributes = cip_class.instances[request.instance]
    parts = [_U16.pack(count)]
    room = origin.reply_bytes - _REPLY_HEAD_BYTES
    missing: list[int] = []
    for at in range(2, len(data), 2):
        (number,) = _U16.unpack_from(data, at)
        reader = attributes.get(number)
        if reader is None:
            missing.append(number)
            parts.append(_ID_AND_STATUS.pack(number, Status.ATTRIBUTE_NOT_SUPPORTED))
        else:
            parts.append(_ID_AND_STATUS.pack(number, Status.OK) + reader())
        room -= len(parts[-1])
        if room < 0:
            return _too_large(origin)
    if not missing:
        return Response(data=b"".join(parts))
    asked = _shortened([str(number) for number in missing], ", ")
    sentence = f"asked for attributes {asked} of {_where(cip_class, request)}; it has {_numbers(attributes)}"
    return Response(Status.ATTRIBUTE_LIST, data=b"".join(parts), sentence=sentence)


def set_attribute_single(cip_class: CipClass, request: Request, origin: Origin) -> Response:
    attribute = -1 if request.attribute is None else request.attribute
    setter = cip_class.setters.get((request.instance, attribute))
    if setter is not None:
        return setter(request.data, origin.now_ns)
    if attribute not in cip_class.instances[request.instance]:
        return _no_attribute(cip_class, request)
    settable = [number for instance, number in cip_class.setters if instance == request.instance]
    which = f"settable there: {_numbers(settable)}" if settable else "nothing can be set there"
    sentence = (
        f"asked to set attribute {attribute} of {_where(cip_class, request)}, which is only read; {which}"
    )
    return Response(Status.NOT_SETTABLE, sentence=sentence)


READ: Mapping[int, Handler] = {
    Service.GET_ATTRIBUTE_SINGLE: get_attribute_single,
    Service.GET_ATTRIBUTE_LIST: get_attribute_list,
}
READ_ALL: Mapping[int, Handler] = {**READ, Service.GET_ATTRIBUTES_ALL: get_attributes_all}
SET: Mapping[int, Handler] = {Service.SET_ATTRIBUTE_SINGLE: set_attribute_single}


@dataclass(frozen=True, slots=True)
class CipClass:
    """One class: what can be read of each instance, and what can be asked of it.

    Instance 0 is the class itself. The two `all_...` are what Get_Attributes_All returns, in order:
    a number is that attribute, bytes stand in for one this adapter does not have. `refused` names
    services that are known and refused, with the reason. `alone` holds those that are not taken out
    of a Multiple Service Packet.
    """

    name: str
    instances: Mapping[int, Attributes]
    services: Mapping[int, Handler] = field(default_factory=lambda: READ)
    all_attributes: tuple[int | bytes, ...] = ()
    setters: Mapping[tuple[int, int], Setter] = field(default_factory=dict)
    class_services: Mapping[int, Handler] = field(default_factory=lambda: READ)
    all_class_attributes: tuple[int | bytes, ...] = ()
    refused: Mapping[int, str] = field(default_factory=dict)
    alone: frozenset[int] = frozenset()


def route(classes: Mapping[int, CipClass], identity: Identity, request: Request, origin: Origin) -> Response:
    """Hand a request to the class, instance and service it names, or say which of them is missing."""
    cip_class = classes.get(request.class_id)
    if cip_class is None:
        sentence = f"asked for class 0x{request.class_id:02X}; this adapter has {_hex_list(classes)}"
        return Response(Status.PATH_DESTINATION, sentence=sentence)
    if request.instance not in cip_class.instances:
        known = _numbers([number for number in cip_class.instances if number])
        sentence = f"asked for instance {request.instance} of {cip_class.name}; it has {known}"
        return Response(Status.OBJECT_MISSING, sentence=sentence)
    if request.key is not None:
        mismatch = key_mismatch(request.key, identity)
        if mismatch is not None:
            return Response(Status.KEY_FAILURE, sentence=f"sent an electronic key for {mismatch[1]}")
    services = cip_class.services if request.instance else cip_class.class_services
    handler = services.get(request.service)
    if handler is None:
        return _no_service(cip_class, services, request)
    if origin.embedded and request.service in cip_class.alone:
        sentence = (
            f"put service 0x{request.service:02X} of {_where(cip_class, request)} "
            "into a Multiple Service Packet; send it as a message of its own"
        )
        return Response(Status.SERVICE_NOT_SUPPORTED, sentence=sentence)
    try:
        return handler(cip_class, request, origin)
    except RemoteError as error:
        return Response(error.status or Status.NOT_ENOUGH_DATA, error.extended, sentence=f"sent {error}")


def answer(
    classes: Mapping[int, CipClass], identity: Identity, message: bytes, origin: Origin
) -> tuple[bytes, Response]:
    """The reply to one Message Router request as bytes, and the response it was made of.

    The response's `items` go beside the reply; its `sentence` is for the log when `status` is not 0.

    Raises:
        RemoteError: fewer than two bytes (status None): there is no service to reply to.
    """
    try:
        request = decode_request(message)
    except RemoteError as error:
        if error.status is None:
            raise
        response = Response(error.status, error.extended, sentence=f"sent {error}")
    else:
        response = route(classes, identity, request, origin)
    reply = encode_response(message[0], response)
    if len(reply) > origin.reply_bytes:
        response = _too_large(origin, len(reply))
        reply = encode_response(message[0], response)
    return reply, response


def multiple_service(classes: Mapping[int, CipClass], identity: Callable[[], Identity]) -> Handler:
    """The handler of the Multiple Service Packet: several requests in, as many replies out.

    One that fails does not stop the others; the general status is then 0x1E. A reply that finds no
    room any more is replaced by the status 0x11.
    """

    def handle(cip_class: CipClass, request: Request, origin: Origin) -> Response:
        messages = split_packet(request.data)
        head = 2 + 2 * len(messages)
        room = origin.reply_bytes - 2 * _REPLY_HEAD_BYTES - head - _REPLY_HEAD_BYTES * (len(messages) - 1)
        if room < 0:
            return _too_large(origin)
        offsets: list[int] = []
        replies: list[bytes] = []
        refusals: list[str] = []
        at = head
        for number, message in enumerate(messages, 1):
            where = Origin(
                origin.link, origin.peer, (), origin.now_ns, room + _REPLY_HEAD_BYTES, embedded=True
            )
            reply, response = answer(classes, identity(), message, where)
            offsets.append(at)
            replies.append(reply)
            at += len(reply)
            room -= len(reply) - _REPLY_HEAD_BYTES
            if response.status:
                refusals.append(f"{response.sentence} (request {number} of {len(messages)} in one packet)")
        data = b"".join(map(_U16.pack, (len(messages), *offsets))) + b"".join(replies)
        status = Status.EMBEDDED_SERVICE if refusals else Status.OK
        return Response(status, data=data, sentence=_shortened(refusals, "; "))

    return handle


def split_packet(data: bytes) -> list[bytes]:
    """The requests of a Multiple Service Packet: a count, an offset each (from the count), the requests.

    Raises:
        RemoteError: cut (0x13), no request, or offsets that leave a gap, go back or point outside (0x20).
    """
    count = _count(data, "Multiple Service Packet", "request")
    head = 2 + 2 * count
    if not count:
        raise RemoteError("Multiple Service Packet", "1 request or more", "0", status=Status.PARAMETER)
    if len(data) < head:
        got = f"{len(data)} bytes"
        expected = f"{head} bytes for {count} offsets"
        raise RemoteError("Multiple Service Packet", expected, got, status=Status.NOT_ENOUGH_DATA)
    starts = [_U16.unpack_from(data, at)[0] for at in range(2, head, 2)]
    least = head
    for number, start in enumerate(starts, 1):
        if start < least or start + 2 > len(data) or (number == 1 and start != head):
            where = f"offset {number} of {count} in the Multiple Service Packet"
            expected = f"{head}" if number == 1 else f"{least} to {len(data) - 2}"
            raise RemoteError(where, expected, str(start), status=Status.PARAMETER)
        least = start + 2
    return [data[start:end] for start, end in zip(starts, [*starts[1:], len(data)], strict=True)]


def wrong_size(what: str, expected: int, data: bytes) -> Response | None:
    """The refusal of data that has not `expected` bytes, or None."""
    if len(data) == expected:
        return None
    status = Status.NOT_ENOUGH_DATA if len(data) < expected else Status.TOO_MUCH_DATA
    return Response(status, sentence=f"sent {len(data)} bytes for {what}; it takes {expected}")


def _count(data: bytes, where: str, what: str) -> int:
    if len(data) < 2:
        expected, got = f"a count of {what}s, 2 bytes", f"{len(data)} bytes"
        raise RemoteError(where, expected, got, status=Status.NOT_ENOUGH_DATA)
    count: int = _U16.unpack_from(data)[0]
    return count


def _exactly(where: str, data: bytes, size: int, expected: str) -> None:
    if len(data) != size:
        status = Status.NOT_ENOUGH_DATA if len(data) < size else Status.TOO_MUCH_DATA
        raise RemoteError(where, expected, f"{len(data)} bytes", status=status)


def _no_attribute(cip_class: CipClass, request: Request) -> Response:
    asked = "no attribute" if request.attribute is None else f"attribute {request.attribute}"
    known = _numbers(cip_class.instances[request.instance])
    sentence = f"asked for {asked} of {_where(cip_class, request)}; it has {known}"
    return Response(Status.ATTRIBUTE_NOT_SUPPORTED, sentence=sentence)


def _no_service(cip_class: CipClass, services: Mapping[int, Handler], request: Request) -> Response:
    asked = f"asked for service 0x{request.service:02X} of {_where(cip_class, request)}"
    reason = cip_class.refused.get(request.service)
    offered = reason or f"it offers {_hex_list(services)}"
    return Response(Status.SERVICE_NOT_SUPPORTED, sentence=f"{asked}; {offered}")


def _too_large(origin: Origin, size: int | None = None) -> Response:
    asked = "more" if size is None else f"{size} bytes"
    room = f"the reply has room for {origin.reply_bytes} bytes; ask for less at once"
    return Response(Status.REPLY_TOO_LARGE, sentence=f"asked for {asked} in one reply; {room}")


def _where(cip_class: CipClass, request: Request) -> str:
    itself = "" if request.instance else " (the class itself)"
    return f"{cip_class.name} instance {request.instance}{itself}"


def _numbers(numbers: Mapping[int, object] | list[int]) -> str:
    return ", ".join(str(number) for number in numbers) or "none"


def _shortened(parts: list[str], between: str) -> str:
    more = [f"and {len(parts) - _TOLD} more"] if len(parts) > _TOLD else []
    return between.join(parts[:_TOLD] + more)


def _hex_list(numbers: Mapping[int, object]) -> str:
    return ", ".join(f"0x{number:02X}" for number in sorted(numbers)) or "none"
