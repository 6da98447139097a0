"""Common packet format: a count and typed items, and the socket address item.

Item types as the open Wireshark dissector names them (enip.cpf.typeid).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from struct import Struct

from bench.errors import LocalError, RemoteError

_COUNT = Struct("<H")
_ITEM = Struct("<HH")
_SOCKADDR = Struct(">HH4s8s")  # the one big-endian structure of the protocol
_RR_HEAD = Struct("<IH")  # interface handle, timeout
_FAMILY_INET = 2


class ItemType(IntEnum):
    NULL_ADDRESS = 0x0000
    IDENTITY = 0x000C
    CONNECTED_ADDRESS = 0x00A1
    CONNECTED_DATA = 0x00B1
    UNCONNECTED_DATA = 0x00B2
    SERVICES = 0x0100
    SOCKADDR_OT = 0x8000
    SOCKADDR_TO = 0x8001
    SEQUENCED_ADDRESS = 0x8002


@dataclass(frozen=True, slots=True)
class Item:
    type_id: int
    data: bytes = b""


def encode_items(items: Iterable[Item]) -> bytes:
    parts = [_ITEM.pack(item.type_id, len(item.data)) + item.data for item in items]
    return _COUNT.pack(len(parts)) + b"".join(parts)


def decode_items(data: bytes) -> tuple[Item, ...]:
    """All items of a packet.

    Raises:
        RemoteError: truncated, or bytes are left over after the last item.
    """
    if len(data) < 2:
        raise RemoteError("item count", "2 bytes", f"{len(data)} bytes")
    (count,) = _COUNT.unpack_from(data)
    items: list[Item] = []
    at = 2
    for index in range(count):
        if len(data) - at < 4:
            raise RemoteError(
                f"item {index + 1} of {count}", "a 4-byte item header", f"{len(data) - at} bytes"
            )
        type_id, length = _ITEM.unpack_from(data, at)
        at += 4
        if len(data) - at < length:
            raise RemoteError(f"item 0x{type_id:04X}", f"{length} bytes", f"{len(data) - at} bytes")
        items.append(Item(type_id, data[at : at + length]))
        at += length
    if at != len(data):
        raise RemoteError("packet", f"{at} bytes for {count} items", f"{len(data)} bytes")
    return tuple(items)


def encode_sockaddr(address: str, port: int) -> bytes:
    """16 bytes: family 2, port, IPv4 address, zeros."""
    return _SOCKADDR.pack(_FAMILY_INET, port, ipv4_bytes(address), bytes(8))


def decode_sockaddr(data: bytes) -> tuple[str, int]:
    """Address and port.

    Raises:
        RemoteError: not 16 bytes, or the family is not 2.
    """
    if len(data) != _SOCKADDR.size:
        raise RemoteError("socket address item", f"{_SOCKADDR.size} bytes", f"{len(data)} bytes")
    family, port, address, _ = _SOCKADDR.unpack(data)
    if family != _FAMILY_INET:
        raise RemoteError("socket address family", str(_FAMILY_INET), str(family))
    return ".".join(str(byte) for byte in address), port


def ipv4_bytes(address: str) -> bytes:
    """Dotted IPv4 to 4 bytes in network order; raises LocalError for anything else."""
    parts = address.split(".")
    if len(parts) != 4 or not all(part.isdecimal() and int(part) < 256 for part in parts):
        raise LocalError(f"{address!r} is not an IPv4 address; write four numbers as in 127.0.0.1")
    return bytes(int(part) for part in parts)


def encode_unconnected(message: bytes, extra: Iterable[Item] = (), timeout_s: int = 0) -> bytes:
    """Data of a SendRRData frame that carries one unconnected message."""
    items = (Item(ItemType.NULL_ADDRESS), Item(ItemType.UNCONNECTED_DATA, message), *extra)
    return _RR_HEAD.pack(0, timeout_s) + encode_items(items)


def decode_unconnected(data: bytes) -> tuple[bytes, tuple[Item, ...]]:
    """The message in a SendRRData frame, and any items after it.

    Two, three or four items are taken, in the order that all of them are sent: address, data, then
    socket addresses in either order.

    Raises:
        RemoteError: truncated, interface handle not 0, or the first items are not these two.
    """
    if len(data) < _RR_HEAD.size:
        raise RemoteError("SendRRData", "interface handle and timeout, 6 bytes", f"{len(data)} bytes")
    handle, _ = _RR_HEAD.unpack_from(data)
    if handle != 0:
        raise RemoteError("interface handle", "0 (CIP)", str(handle))
    items = decode_items(data[_RR_HEAD.size :])
    kinds = [item.type_id for item in items[:2]]
    if kinds != [ItemType.NULL_ADDRESS, ItemType.UNCONNECTED_DATA]:
        got = ", ".join(f"0x{kind:04X}" for kind in kinds) or "no item"
        raise RemoteError("SendRRData items", "0x0000 and 0x00B2", got)
    return items[1].data, items[2:]
