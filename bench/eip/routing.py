"""Unconnected_Send: a request wrapped for a router. A plain adapter opens those meant for itself.

Layout as the open Wireshark dissector decodes it (packet-cip.c, SC_CM_UNCON_SEND): priority and tick, ticks,
message size, message, a pad byte when that is odd, route path size in words, reserved, route path.
"""

from __future__ import annotations

from dataclasses import dataclass
from struct import Struct

from bench.eip.epath import Port, Segment, decode_path
from bench.eip.message import ClassId, Service, decode_request, split_request
from bench.eip.open_request import Refusal
from bench.eip.status import Extended
from bench.errors import RemoteError

PORT_NUMBER = 2  # of the Port object: the EtherNet/IP port
_HEAD = Struct("<BBH")


@dataclass(frozen=True, slots=True)
class Wrapped:
    """The message inside, and the way it is to go (empty: this adapter)."""

    message: bytes
    route: tuple[Segment, ...]
    route_words: int


def is_wrapped(message: bytes) -> bool:
    """Whether this is an Unconnected_Send to the Connection Manager."""
    if not message or message[0] != Service.UNCONNECTED_SEND:
        return False
    try:
        request = decode_request(message)
    except RemoteError:
        return False
    return request.class_id == ClassId.CONNECTION_MANAGER and request.instance == 1


def decode_wrapped(message: bytes) -> Wrapped:
    """Raises RemoteError with the status for a parameter error, 0x01 / 0x0205."""
    _, _, data = split_request(message)
    if len(data) < _HEAD.size:
        raise _parameter("Unconnected_Send", f"at least {_HEAD.size} bytes", f"{len(data)} bytes")
    _, _, size = _HEAD.unpack_from(data)
    end = _HEAD.size + size + size % 2
    if size < 2 or len(data) < end + 2:
        raise _parameter(
            "Unconnected_Send message size", "a message and a route path", f"{size} of {len(data)} bytes"
        )
    words = data[end]
    if len(data) != end + 2 + 2 * words:
        raise _parameter("Unconnected_Send route path", f"{2 * words} bytes", f"{len(data) - end - 2} bytes")
    try:
        route = decode_path(data[end + 2 :])
    except RemoteError as error:
        raise RemoteError(
            f"route {error.field}", error.expected, error.got, status=1, extended=(Extended.INVALID_SEGMENT,)
        ) from None
    return Wrapped(data[_HEAD.size : _HEAD.size + size], route, words)


def encode_wrapped(message: bytes, route: bytes = b"", tick: int = 10, ticks: int = 5) -> bytes:
    """The data of an Unconnected_Send request."""
    pad = bytes(len(message) % 2)
    return _HEAD.pack(tick, ticks, len(message)) + message + pad + bytes((len(route) // 2, 0)) + route


def refuse_route(wrapped: Wrapped, address: str) -> Refusal | None:
    """None when the route ends here: it is empty, or names the own port and the own address."""
    for segment in wrapped.route:
        if not isinstance(segment, Port):
            return Refusal(
                (Extended.INVALID_SEGMENT,),
                f"asked for a route over {segment}; a route is made of port segments",
            )
        link = segment.link.rstrip(b"\0").decode("ascii", "replace")
        if segment.number != PORT_NUMBER:
            return Refusal(
                (Extended.PORT,),
                f"asked for a route out of port {segment.number}; this adapter has port {PORT_NUMBER} "
                "(EtherNet/IP) and nothing behind it: send the message without a route",
            )
        if link != address:
            return Refusal(
                (Extended.LINK_ADDRESS,),
                f"asked for a route to {link!r}; this adapter is {address} and forwards nothing",
            )
    return None


def _parameter(field: str, expected: str, got: str) -> RemoteError:
    return RemoteError(field, expected, got, status=1, extended=(Extended.PARAMETER,))
