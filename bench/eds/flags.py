"""The two 32-bit words of a connection entry: what it can do, in bits.

Bit numbers as the comments of a public EDS file of an open adapter list them; the meaning of the
real-time format numbers 1 and 3 is from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY
from bench.eip.forward_open import ConnectionType

SERVER = 1 << 31
_TRIGGER_BIT = 16
_KIND_BIT = 24
KIND_NAMES = (LISTEN_ONLY.name, INPUT_ONLY.name, EXCLUSIVE_OWNER.name, "redundant owner")
LOW, HIGH, SCHEDULED = 0, 1, 2  # priorities; 3, urgent, has no bit


class Trigger(IntEnum):
    """What makes the target produce; the number is the one in a Forward Open."""

    CYCLIC = 0
    CHANGE_OF_STATE = 1
    APPLICATION = 2


class RealTimeFormat(IntEnum):
    """What stands before the data of one direction, and how it says run or idle."""

    MODELESS = 0  # bare data
    ZERO_LENGTH = 1  # bare data; a frame without data is idle
    HEARTBEAT = 3  # no data at all
    HEADER = 4  # a 32-bit run/idle header


@dataclass(frozen=True, slots=True)
class Transport:
    """The first word: transport classes, triggers and application types on offer."""

    classes: tuple[int, ...]
    triggers: tuple[Trigger, ...]
    kinds: tuple[str, ...]
    server: bool = False

    def encode(self) -> int:
        kinds = _mask((KIND_NAMES.index(name) for name in self.kinds), _KIND_BIT)
        return SERVER * self.server | kinds | _mask(self.triggers, _TRIGGER_BIT) | _mask(self.classes, 0)

    @classmethod
    def decode(cls, raw: int) -> Transport:
        """Reserved bits are ignored."""
        return cls(
            _set_bits(raw, 0, 16),
            tuple(Trigger(bit) for bit in _set_bits(raw, _TRIGGER_BIT, len(Trigger))),
            tuple(KIND_NAMES[bit] for bit in _set_bits(raw, _KIND_BIT, len(KIND_NAMES))),
            bool(raw & SERVER),
        )


@dataclass(frozen=True, slots=True)
class DirectionFlags:
    """One direction's half of the second word; `format` is a `RealTimeFormat` or an unknown number."""

    format: int
    types: tuple[ConnectionType, ...] = (ConnectionType.POINT_TO_POINT,)
    priorities: tuple[int, ...] = (SCHEDULED,)
    fixed: bool = True
    variable: bool = False

    def encode(self, to_originator: bool) -> int:
        """The bits of O->T, or of T->O."""
        sizes, formats, types, priorities = _PLACES[to_originator]
        return (
            (self.fixed | self.variable << 1) << sizes
            | self.format << formats
            | _mask(self.types, types)
            | _mask(self.priorities, priorities)
        )

    @classmethod
    def decode(cls, raw: int, to_originator: bool) -> DirectionFlags:
        sizes, formats, types, priorities = _PLACES[to_originator]
        return cls(
            raw >> formats & 7,
            tuple(ConnectionType(bit) for bit in _set_bits(raw, types, 3)),
            _set_bits(raw, priorities, 3),
            bool(raw >> sizes & 1),
            bool(raw >> sizes & 2),
        )


# lowest bits of: fixed and variable, real-time format, connection types, priorities
_PLACES = ((0, 8, 16, 24), (2, 12, 20, 28))


def _mask(bits: Iterable[int], shift: int) -> int:
    value = 0
    for bit in bits:
        value |= 1 << bit + shift
    return value


def _set_bits(raw: int, shift: int, count: int) -> tuple[int, ...]:
    return tuple(bit for bit in range(count) if raw >> shift + bit & 1)
