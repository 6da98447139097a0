"""Message Router requests and responses: service, path, data; status and data back.

Layout as the open Wireshark dissector decodes it (packet-cip.c).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from struct import Struct

from bench.eip.cpf import Item
from bench.eip.epath import ElectronicKey, Inhibit, Kind, Logical, Port, Segment, decode_path
from bench.eip.status import Status
from bench.errors import RemoteError

_RESPONSE = Struct("<BBBB")  # service | 0x80, reserved, status, number of extended words


class Service(IntEnum):
    GET_ATTRIBUTES_ALL = 0x01
    GET_ATTRIBUTE_LIST = 0x03
    RESET = 0x05
    MULTIPLE_SERVICE_PACKET = 0x0A
    GET_ATTRIBUTE_SINGLE = 0x0E
    SET_ATTRIBUTE_SINGLE = 0x10
    FORWARD_CLOSE = 0x4E
    UNCONNECTED_SEND = 0x52
    FORWARD_OPEN = 0x54
    LARGE_FORWARD_OPEN = 0x5B


class ClassId(IntEnum):
    IDENTITY = 0x01
    MESSAGE_ROUTER = 0x02
    ASSEMBLY = 0x04
    CONNECTION_MANAGER = 0x06
    QOS = 0x48
    PORT = 0xF4
    TCPIP_INTERFACE = 0xF5
    ETHERNET_LINK = 0xF6


@dataclass(frozen=True, slots=True)
class Request:
    """A decoded request; `instance` 0 addresses the class itself."""

    service: int
    class_id: int
    instance: int = 0
    attribute: int | None = None
    key: ElectronicKey | None = None
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Response:
    """An answer. `items` are extra packet items beside it; `sentence` says why it is a refusal.

    With status 0 a sentence tells what else there is to know about a request that was granted.
    """

    status: int = 0
    extended: tuple[int, ...] = ()
    data: bytes = b""
    items: tuple[Item, ...] = ()
    sentence: str = ""


def encode_request(service: int, path: bytes, data: bytes = b"") -> bytes:
    return bytes((service, len(path) // 2)) + path + data


def split_request(message: bytes) -> tuple[int, bytes, bytes]:
    """Service, path bytes and data of a request.

    Raises:
        RemoteError: shorter than two bytes (no status: nothing can be answered at this layer), or
            the path is cut (status 0x04).
    """
    if len(message) < 2:
        raise RemoteError("request", "service and path size, 2 bytes", f"{len(message)} bytes")
    end = 2 + 2 * message[1]
    if len(message) < end:
        got = f"{len(message) - 2} bytes"
        raise RemoteError("request path", f"{end - 2} bytes", got, status=Status.PATH_SEGMENT)
    return message[0], message[2:end], message[end:]


def decode_request(message: bytes) -> Request:
    """A request with its path resolved; raises RemoteError with the status to answer with."""
    service, path, data = split_request(message)
    class_id, instance, attribute, key = _resolve(path)
    return Request(service, class_id, instance, attribute, key, data)


@lru_cache(maxsize=256)  # a client polls the same few paths; resolving is most of the work
def _resolve(path: bytes) -> tuple[int, int, int | None, ElectronicKey | None]:
    class_id: int | None = None
    instance = 0
    attribute: int | None = None
    key: ElectronicKey | None = None
    rank = 0
    for segment in decode_path(path):
        match segment:
            case Logical(Kind.CLASS, value):
                class_id, rank = value, _follows(rank, 1)
            case Logical(Kind.INSTANCE | Kind.POINT, value):
                instance, rank = value, _follows(rank, 2)
            case Logical(Kind.ATTRIBUTE, value):
                attribute, rank = value, _follows(rank, 3)
            case ElectronicKey():
                key = segment
            case _:
                raise _unexpected(segment)
    if class_id is None:
        raise RemoteError("request path", "a class segment", "none", status=Status.PATH_SEGMENT)
    return class_id, instance, attribute, key


def _follows(before: int, rank: int) -> int:
    if rank > before:
        return rank
    names = ("", "class", "instance", "attribute")
    expected = "class, instance, attribute in this order, each once"
    got = f"{names[rank]} after {names[before]}"
    raise RemoteError("request path", expected, got, status=Status.PATH_SEGMENT)


def _unexpected(segment: Segment) -> RemoteError:
    expected = "class, instance, point, attribute or key segments"
    if isinstance(segment, Logical):
        got = f"a {segment.kind.name.lower()} segment ({segment.value})"
    else:
        got = {Port: "a port segment", Inhibit: "an inhibit segment"}.get(type(segment), "a data segment")
    return RemoteError("request path", expected, got, status=Status.PATH_SEGMENT)


def encode_response(service: int, response: Response) -> bytes:
    words = b"".join(word.to_bytes(2, "little") for word in response.extended)
    head = _RESPONSE.pack(service | 0x80, 0, response.status, len(response.extended))
    return head + words + response.data


def decode_response(message: bytes) -> tuple[int, Response]:
    """Service of the request that is answered, and the answer.

    Raises:
        RemoteError: truncated, or not a response.
    """
    if len(message) < _RESPONSE.size:
        raise RemoteError("response", f"at least {_RESPONSE.size} bytes", f"{len(message)} bytes")
    service, _, status, count = _RESPONSE.unpack_from(message)
    if not service & 0x80:
        raise RemoteError("response service", "bit 7 set", f"0x{service:02X}")
    end = _RESPONSE.size + 2 * count
    if len(message) < end:
        raise RemoteError("extended status", f"{count} words", f"{len(message) - _RESPONSE.size} bytes")
    words = tuple(int.from_bytes(message[at : at + 2], "little") for at in range(_RESPONSE.size, end, 2))
    return service & 0x7F, Response(status, words, message[end:])
