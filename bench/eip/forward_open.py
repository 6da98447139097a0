"""Forward Open, Large Forward Open and Forward Close: requests and replies as bytes.

Layouts as the open Wireshark dissector decodes them (packet-cip.c, cip.cm.*).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from struct import Struct

from bench.eip.status import Status
from bench.errors import RemoteError

# priority/tick, ticks, O->T id, T->O id, serial, vendor, originator serial, multiplier, reserved,
# O->T RPI us, O->T parameters, T->O RPI us, T->O parameters, class/trigger, path words
_OPEN = Struct("<BBIIHHIB3xIHIHBB")
_LARGE_OPEN = Struct("<BBIIHHIB3xIIIIBB")
_OPEN_REPLY = Struct("<IIHHIIIBx")
_CLOSE = Struct("<BBHHIBx")
_TAIL = Struct("<HHIBx")  # serial, vendor, originator serial, size of what follows, reserved
_RPI_WORDS = Struct("<BBII")

CLASS_1_CYCLIC = 0x01
PRIORITY_TICK = 0x0A  # 2^10 ms ticks: this and the count below bound the open itself to about 5 s
TIMEOUT_TICKS = 0x05

Triad = tuple[int, int, int]  # connection serial, vendor id, originator serial


class ConnectionType(IntEnum):
    NULL = 0
    MULTICAST = 1
    POINT_TO_POINT = 2
    RESERVED = 3


@dataclass(frozen=True, slots=True)
class NetworkParameters:
    """Parameters of one direction; `size` in bytes on the wire, counts and header included."""

    size: int
    type: int = ConnectionType.POINT_TO_POINT
    priority: int = 2  # scheduled
    variable: bool = False
    redundant: bool = False

    def encode(self, large: bool) -> int:
        flags = self.redundant << 6 | self.type << 4 | self.priority << 1 | self.variable
        return flags << (25 if large else 9) | self.size

    @classmethod
    def decode(cls, raw: int, large: bool) -> NetworkParameters:
        shift = 25 if large else 9
        flags = raw >> shift
        size = raw & (0xFFFF if large else 0x1FF)
        return cls(size, flags >> 4 & 3, flags >> 1 & 3, bool(flags & 1), bool(flags >> 6 & 1))


@dataclass(frozen=True, slots=True)
class ForwardOpen:
    ot_id: int
    to_id: int
    serial: int
    vendor_id: int
    originator_serial: int
    multiplier_code: int
    ot_rpi_us: int
    ot: NetworkParameters
    to_rpi_us: int
    to: NetworkParameters
    path: bytes
    class_trigger: int = CLASS_1_CYCLIC
    priority_tick: int = PRIORITY_TICK
    timeout_ticks: int = TIMEOUT_TICKS
    large: bool = False

    @property
    def triad(self) -> Triad:
        return self.serial, self.vendor_id, self.originator_serial

    @property
    def transport_class(self) -> int:
        return self.class_trigger & 0x0F

    @property
    def trigger(self) -> int:
        """Production trigger: 0 cyclic, 1 change of state, 2 application. Bit 7 is the direction."""
        return self.class_trigger >> 4 & 7

    @property
    def is_null(self) -> bool:
        """No data in either direction: a question, or a new configuration, but no connection."""
        return self.ot.type == self.to.type == ConnectionType.NULL

    def encode(self) -> bytes:
        layout = _LARGE_OPEN if self.large else _OPEN
        head = layout.pack(
            self.priority_tick,
            self.timeout_ticks,
            self.ot_id,
            self.to_id,
            *self.triad,
            self.multiplier_code,
            self.ot_rpi_us,
            self.ot.encode(self.large),
            self.to_rpi_us,
            self.to.encode(self.large),
            self.class_trigger,
            len(self.path) // 2,
        )
        return head + self.path

    @classmethod
    def decode(cls, data: bytes, large: bool = False) -> ForwardOpen:
        """Raises RemoteError with status 0x13 (cut) or 0x15 (bytes left over)."""
        layout = _LARGE_OPEN if large else _OPEN
        _fits("Forward Open", data, layout.size)
        (
            tick,
            ticks,
            ot_id,
            to_id,
            serial,
            vendor,
            originator,
            code,
            ot_rpi,
            ot,
            to_rpi,
            to,
            transport,
            words,
        ) = layout.unpack_from(data)
        _exact("Forward Open path", data, layout.size + 2 * words)
        return cls(
            ot_id=ot_id,
            to_id=to_id,
            serial=serial,
            vendor_id=vendor,
            originator_serial=originator,
            multiplier_code=code,
            ot_rpi_us=ot_rpi,
            ot=NetworkParameters.decode(ot, large),
            to_rpi_us=to_rpi,
            to=NetworkParameters.decode(to, large),
            path=data[layout.size :],
            class_trigger=transport,
            priority_tick=tick,
            timeout_ticks=ticks,
            large=large,
        )


@dataclass(frozen=True, slots=True)
class OpenReply:
    """A granted Forward Open: the ids to use and the packet intervals that will really be kept."""

    ot_id: int
    to_id: int
    triad: Triad
    ot_api_us: int
    to_api_us: int

    def encode(self) -> bytes:
        return _OPEN_REPLY.pack(self.ot_id, self.to_id, *self.triad, self.ot_api_us, self.to_api_us, 0)

    @classmethod
    def decode(cls, data: bytes) -> OpenReply:
        """Application data after the fixed part is ignored; raises RemoteError when cut."""
        _fits("Forward Open reply", data, _OPEN_REPLY.size)
        ot_id, to_id, serial, vendor, originator, ot_api, to_api, _ = _OPEN_REPLY.unpack_from(data)
        return cls(ot_id, to_id, (serial, vendor, originator), ot_api, to_api)


@dataclass(frozen=True, slots=True)
class ForwardClose:
    serial: int
    vendor_id: int
    originator_serial: int
    path: bytes

    @property
    def triad(self) -> Triad:
        return self.serial, self.vendor_id, self.originator_serial

    def encode(self) -> bytes:
        head = _CLOSE.pack(PRIORITY_TICK, TIMEOUT_TICKS, *self.triad, len(self.path) // 2)
        return head + self.path

    @classmethod
    def decode(cls, data: bytes) -> ForwardClose:
        """Raises RemoteError with status 0x13 (cut) or 0x15 (bytes left over)."""
        _fits("Forward Close", data, _CLOSE.size)
        _, _, serial, vendor, originator, words = _CLOSE.unpack_from(data)
        _exact("Forward Close path", data, _CLOSE.size + 2 * words)
        return cls(serial, vendor, originator, data[_CLOSE.size :])


def encode_tail(triad: Triad) -> bytes:
    """The 10 bytes of a granted close, and of every refused open or close."""
    return _TAIL.pack(*triad, 0)


def decode_tail(data: bytes) -> Triad:
    """Raises RemoteError when cut."""
    _fits("connection serial, vendor and originator", data, _TAIL.size)
    serial, vendor, originator, _ = _TAIL.unpack_from(data)
    return serial, vendor, originator


def rpi_words(ot_type: int, ot_us: int, to_type: int, to_us: int) -> tuple[int, ...]:
    """The five words after 0x112: per direction what was wrong and the acceptable RPI.

    Types: 0 the one asked for is acceptable, 2 the smallest acceptable, 3 the largest acceptable, 4 the one
    required (cip.cm.ext112_* of the open Wireshark dissector).
    """
    raw = _RPI_WORDS.pack(ot_type, to_type, ot_us, to_us)
    return tuple(int.from_bytes(raw[at : at + 2], "little") for at in range(0, len(raw), 2))


def _fits(field: str, data: bytes, size: int) -> None:
    if len(data) < size:
        raise RemoteError(
            field, f"at least {size} bytes", f"{len(data)} bytes", status=Status.NOT_ENOUGH_DATA
        )


def _exact(field: str, data: bytes, size: int) -> None:
    _fits(field, data, size)
    if len(data) > size:
        raise RemoteError(field, f"{size} bytes in all", f"{len(data)} bytes", status=Status.TOO_MUCH_DATA)
