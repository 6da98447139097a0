"""EPATH: the segments that name a class, an instance, a point or a key.

Segment bytes as the open Wireshark dissector decodes them (packet-cip.c); the production inhibit
segments 0x43 and 0x51 are from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from struct import Struct

from bench.eip.status import Status
from bench.errors import RemoteError

_KEY = Struct("<HHHBB")
_KEY_HEAD = b"\x34\x04"
_SIMPLE_DATA = 0x80
_INHIBIT_MS = 0x43
_INHIBIT_US = 0x51
_LONG_PORT = 0x0F  # port numbers from here on stand in 16 bits of their own
_LONG_LINK = 0x10  # the link address has a length


class Kind(IntEnum):
    """Logical segment types, as the byte of their 8-bit form."""

    CLASS = 0x20
    INSTANCE = 0x24
    MEMBER = 0x28
    POINT = 0x2C
    ATTRIBUTE = 0x30


@dataclass(frozen=True, slots=True)
class Logical:
    kind: Kind
    value: int


@dataclass(frozen=True, slots=True)
class ElectronicKey:
    """What the originator expects to find; 0 anywhere means any.

    `compatible` allows the device to stand in for an older minor revision.
    """

    vendor_id: int = 0
    device_type: int = 0
    product_code: int = 0
    major: int = 0
    minor: int = 0
    compatible: bool = False


@dataclass(frozen=True, slots=True)
class DataSegment:
    """A simple data segment: a whole number of 16-bit words."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Inhibit:
    """Production inhibit time of a T->O direction."""

    time_us: int


@dataclass(frozen=True, slots=True)
class Port:
    """A hop: out of port `number` to `link`, a node address as bytes (one byte, or text)."""

    number: int
    link: bytes


Segment = Logical | ElectronicKey | DataSegment | Inhibit | Port


def encode_path(segments: Iterable[Segment]) -> bytes:
    """Padded EPATH; logical values above 255 take the 16-bit form."""
    return b"".join(_encode_segment(segment) for segment in segments)


def _encode_segment(segment: Segment) -> bytes:
    match segment:
        case Logical(kind, value) if value < 0x100:
            return bytes((kind, value))
        case Logical(kind, value):
            return bytes((kind | 1, 0)) + value.to_bytes(2, "little")
        case ElectronicKey():
            major = segment.major | (0x80 if segment.compatible else 0)
            return _KEY_HEAD + _KEY.pack(
                segment.vendor_id, segment.device_type, segment.product_code, major, segment.minor
            )
        case DataSegment(data):
            return bytes((_SIMPLE_DATA, (len(data) + 1) // 2)) + data + bytes(len(data) % 2)
        case Inhibit(time_us) if time_us % 1000 == 0 and time_us < 256_000:
            return bytes((_INHIBIT_MS, time_us // 1000))
        case Inhibit(time_us):
            return bytes((_INHIBIT_US, 2)) + time_us.to_bytes(4, "little")
        case Port(number, link):
            return _encode_port(number, link)


def _encode_port(number: int, link: bytes) -> bytes:
    long_link = len(link) != 1
    head = bytes((min(number, _LONG_PORT) | _LONG_LINK * long_link,))
    head += bytes((len(link),)) * long_link
    head += number.to_bytes(2, "little") * (number >= _LONG_PORT)
    whole = head + link
    return whole + bytes(len(whole) % 2)


def decode_path(data: bytes) -> tuple[Segment, ...]:
    """All segments of a padded EPATH.

    Raises:
        RemoteError: an unknown or cut segment; names the byte at which it starts.
    """
    segments: list[Segment] = []
    at = 0
    while at < len(data):
        segment, size = _decode_segment(data, at)
        segments.append(segment)
        at += size
    return tuple(segments)


def _decode_segment(data: bytes, at: int) -> tuple[Segment, int]:
    head = data[at]
    if head & 0xE0 == 0x20 and head & 0xFC in _LOGICAL:
        return _decode_logical(data, at, _LOGICAL[head & 0xFC])
    if head == _KEY_HEAD[0]:
        return _decode_key(data, at)
    if head == _SIMPLE_DATA:
        words = _need(data, at, 2)[1]
        return DataSegment(_need(data, at, 2 + 2 * words)[2:]), 2 + 2 * words
    if head < 0x20 and head & 0x0F:
        return _decode_port(data, at)
    if head == _INHIBIT_MS:
        return Inhibit(1000 * _need(data, at, 2)[1]), 2
    if head == _INHIBIT_US:
        raw = _need(data, at, 6)
        if raw[1] != 2:
            raise _error(at, "2 words of inhibit time", str(raw[1]))
        return Inhibit(int.from_bytes(raw[2:6], "little")), 6
    raise _error(
        at,
        "a port (0x01-0x1F), logical (0x20-0x31), key (0x34), inhibit (0x43, 0x51) or data (0x80) segment",
        f"0x{head:02X}",
    )


_LOGICAL = {int(kind): kind for kind in Kind}


def _decode_logical(data: bytes, at: int, kind: Kind) -> tuple[Segment, int]:
    width = data[at] & 3
    if width == 0:
        return Logical(kind, _need(data, at, 2)[1]), 2
    if width == 1:
        return Logical(kind, int.from_bytes(_need(data, at, 4)[2:], "little")), 4
    raise _error(at, "an 8-bit or 16-bit logical segment", f"0x{data[at]:02X}")


def _decode_key(data: bytes, at: int) -> tuple[Segment, int]:
    raw = _need(data, at, 2 + _KEY.size)
    if raw[:2] != _KEY_HEAD:
        raise _error(at, "key format 4", f"format {raw[1]}")
    vendor_id, device_type, product_code, major, minor = _KEY.unpack_from(raw, 2)
    key = ElectronicKey(vendor_id, device_type, product_code, major & 0x7F, minor, bool(major & 0x80))
    return key, len(raw)


def _decode_port(data: bytes, at: int) -> tuple[Segment, int]:
    head = data[at]
    number, start = head & 0x0F, at + 1
    size = 1
    if head & _LONG_LINK:
        size = _need(data, at, 2)[1]
        start += 1
    if number == _LONG_PORT:
        number = int.from_bytes(_need(data, at, start - at + 2)[-2:], "little")
        start += 2
    end = start - at + size
    link = _need(data, at, end)[start - at :]
    return Port(number, link), len(_need(data, at, end + end % 2))


def _need(data: bytes, at: int, size: int) -> bytes:
    if len(data) - at < size:
        raise _error(at, f"{size} bytes", f"{len(data) - at} bytes")
    return data[at : at + size]


def _error(at: int, expected: str, got: str) -> RemoteError:
    return RemoteError(f"path segment at byte {at}", expected, got, status=Status.PATH_SEGMENT)
