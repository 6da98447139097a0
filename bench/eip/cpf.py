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
_RR_PLAIN = Struct("<IHHHHHH")  # the same, then 2 items: 0x0000 of no bytes, 0x00B2 with its length
_UNIT = Struct("<IHHHHIHH")  # handle, timeout, 2 items: 0x00A1 with a connection id, 0x00B1 with its length
_IDENTITY = Struct("<HHHBBHIB")  # vendor, type, product, revision, status, serial, length of the name
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
    if not extra:
        return _RR_PLAIN.pack(0, timeout_s, 2, 0, 0, ItemType.UNCONNECTED_DATA, len(message)) + message
    items = (Item(ItemType.NULL_ADDRESS), Item(ItemType.UNCONNECTED_DATA, message), *extra)
    return _RR_HEAD.pack(0, timeout_s) + encode_items(items)


def decode_unconnected(data: bytes) -> tuple[bytes, tuple[Item, ...]]:
    """The message in a SendRRData frame, and any items after it.

    Two, three or four items are taken, in the order that all of them are sent: address, data, then
    socket addresses in either order.

    Raises:
        RemoteError: truncated, interface handle not 0, or the first items are not these two.
    """
    if len(data) >= _RR_PLAIN.size:
        handle, _, *items_head = _RR_PLAIN.unpack_from(data)
        if handle == 0 and items_head == [2, 0, 0, ItemType.UNCONNECTED_DATA, len(data) - _RR_PLAIN.size]:
            return data[_RR_PLAIN.size :], ()
    items = _items_of("SendRRData", data, (ItemType.NULL_ADDRESS, ItemType.UNCONNECTED_DATA))
    return items[1].data, items[2:]


def encode_connected(connection_id: int, payload: bytes, timeout_s: int = 0) -> bytes:
    """Data of a SendUnitData frame: `payload` is the 16-bit sequence count and the message."""
    address = (ItemType.CONNECTED_ADDRESS, 4, connection_id)
    return _UNIT.pack(0, timeout_s, 2, *address, ItemType.CONNECTED_DATA, len(payload)) + payload


def decode_connected(data: bytes) -> tuple[int, bytes]:
    """Connection id and payload (sequence count included) of a SendUnitData frame.

    Items after the first two mean nothing here and are passed over.

    Raises:
        RemoteError: truncated, interface handle not 0, the first items are not 0x00A1 of 4 bytes and
            0x00B1, or the payload has no room for its sequence count.
    """
    if len(data) >= _UNIT.size + 2:
        handle, _, count, kind, size, connection_id, *message_head = _UNIT.unpack_from(data)
        if (handle, count, kind, size) == (0, 2, ItemType.CONNECTED_ADDRESS, 4) and (
            message_head == [ItemType.CONNECTED_DATA, len(data) - _UNIT.size]
        ):
            return connection_id, data[_UNIT.size :]
    kinds = (ItemType.CONNECTED_ADDRESS, ItemType.CONNECTED_DATA)
    address, message, *_ = _items_of("SendUnitData", data, kinds)
    if len(address.data) != 4:
        raise RemoteError("connected address item", "4 bytes", f"{len(address.data)} bytes")
    if len(message.data) < 2:
        raise RemoteError(
            "connected data item", "a 2-byte sequence count and a message", f"{len(message.data)} bytes"
        )
    return int.from_bytes(address.data, "little"), message.data


def _items_of(command: str, data: bytes, first: tuple[int, int]) -> tuple[Item, ...]:
    if len(data) < _RR_HEAD.size:
        raise RemoteError(command, "interface handle and timeout, 6 bytes", f"{len(data)} bytes")
    handle, _ = _RR_HEAD.unpack_from(data)
    if handle != 0:
        raise RemoteError("interface handle", "0 (CIP)", str(handle))
    items = decode_items(data[_RR_HEAD.size :])
    if tuple(item.type_id for item in items[:2]) != first:
        got = ", ".join(f"0x{item.type_id:04X}" for item in items[:2]) or "no item"
        raise RemoteError(f"{command} items", f"0x{first[0]:04X} and 0x{first[1]:04X}", got)
    return items


@dataclass(frozen=True, slots=True)
class IdentityReply:
    """What a ListIdentity item says; `state` as the Identity object has it, 0xFF is "not told".

    `product_name` is the peer's own text, one character a byte: it may hold control characters.
    """

    protocol_version: int
    address: str
    port: int
    vendor_id: int
    device_type: int
    product_code: int
    major: int
    minor: int
    status: int
    serial: int
    product_name: str
    state: int


def decode_identity_item(data: bytes) -> IdentityReply:
    """Data of item 0x000C of a ListIdentity reply.

    Raises:
        RemoteError: truncated, bytes left over, or the socket address is not of family 2.
    """
    fixed = 2 + _SOCKADDR.size + _IDENTITY.size
    if len(data) < fixed + 1:
        raise RemoteError("identity item", f"at least {fixed + 1} bytes", f"{len(data)} bytes")
    address, port = decode_sockaddr(data[2 : 2 + _SOCKADDR.size])
    vendor_id, device_type, product_code, major, minor, status, serial, length = _IDENTITY.unpack_from(
        data, 2 + _SOCKADDR.size
    )
    if len(data) != fixed + length + 1:
        expected = f"{fixed + length + 1} bytes for a product name of {length}"
        raise RemoteError("identity item", expected, f"{len(data)} bytes")
    return IdentityReply(
        protocol_version=int.from_bytes(data[:2], "little"),
        address=address,
        port=port,
        vendor_id=vendor_id,
        device_type=device_type,
        product_code=product_code,
        major=major,
        minor=minor,
        status=status,
        serial=serial,
        product_name=data[fixed:-1].decode("latin-1"),
        state=data[-1],
    )
