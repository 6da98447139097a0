"""How good a link is: latency, jitter, loss, duplication, reordering, drawn from a seed.

Every direction between two hosts has its own generator, so that what one pair suffers does not change
when another pair talks more.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from zlib import crc32

from bench.errors import LocalError

_MASK = (1 << 64) - 1
_CERTAIN = 1 << 53


@dataclass(frozen=True, slots=True)
class LinkQuality:
    """What a link does to what is sent on it.

    Args:
        latency_ns: the least time from sending to arrival, >= 0.
        jitter_ns: up to this much is added, uniformly; alone it never changes the order.
        loss, duplication, reordering: of a datagram, 0 to 1. A reordered one arrives right after the next
            one of its direction. A lost piece of a stream would be sent again: streams only arrive later.
        seed: of the draws; the same seed gives the same run, on every computer.

    Raises:
        LocalError: a value out of its range.
    """

    latency_ns: int = 100_000
    jitter_ns: int = 0
    loss: float = 0.0
    duplication: float = 0.0
    reordering: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        for name in ("latency_ns", "jitter_ns"):
            if getattr(self, name) < 0:
                raise LocalError(f"{name} is {getattr(self, name)}; expected 0 or more")
        for name in ("loss", "duplication", "reordering"):
            if not 0 <= getattr(self, name) <= 1:
                raise LocalError(f"{name} is {getattr(self, name)}; expected 0 to 1")

    @property
    def clean(self) -> bool:
        """Nothing but latency."""
        return not any(getattr(self, field.name) for field in fields(self)[1:5])


class Dice:
    """splitmix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014)."""

    __slots__ = ("_state",)

    def __init__(self, seed: int) -> None:
        self._state = seed & _MASK

    def roll(self) -> int:
        """The next number, 0 to 2^64 - 1."""
        self._state = z = (self._state + 0x9E37_79B9_7F4A_7C15) & _MASK
        z = (z ^ z >> 30) * 0xBF58_476D_1CE4_E5B9 & _MASK
        z = (z ^ z >> 27) * 0x94D0_49BB_1331_11EB & _MASK
        return z ^ z >> 31

    def falls(self, chance: float) -> bool:
        """True with the probability *chance*."""
        return (self.roll() >> 11) < chance * _CERTAIN

    def up_to(self, most: int) -> int:
        """A whole number from 0 to *most*, both included."""
        return self.roll() * (most + 1) >> 64


class Direction:
    """The way from one host to another: when what is sent now arrives."""

    __slots__ = ("_dice", "_key", "_last_ns", "_stream_ns", "quality")

    def __init__(self, quality: LinkQuality, source: str, target: str) -> None:
        self._key = crc32(f"{source}>{target}".encode())
        self._last_ns = 0
        self._stream_ns = 0
        self.become(quality)

    def become(self, quality: LinkQuality) -> None:
        """Draw anew, by another quality; a stream still keeps its order."""
        self.quality = quality
        self._dice = Dice(quality.seed << 32 ^ self._key)

    def stream(self, now_ns: int) -> int:
        """Arrival of a piece of a stream: never before the piece sent before it."""
        self._stream_ns = max(self._stream_ns, self._travelled(now_ns))
        return self._stream_ns

    def datagram(self, now_ns: int) -> tuple[int, ...]:
        """Arrivals of a datagram: none when it is lost, two when it is doubled."""
        quality, dice = self.quality, self._dice
        if quality.loss and dice.falls(quality.loss):
            return ()
        copies = 1 + bool(quality.duplication and dice.falls(quality.duplication))
        return tuple(self._next(now_ns) for _ in range(copies))

    def held_back(self) -> bool:
        """Whether this datagram lets the next one pass."""
        return bool(self.quality.reordering) and self._dice.falls(self.quality.reordering)

    def _next(self, now_ns: int) -> int:
        self._last_ns = max(self._last_ns, self._travelled(now_ns))
        return self._last_ns

    def _travelled(self, now_ns: int) -> int:
        quality = self.quality
        at_ns = now_ns + quality.latency_ns
        return at_ns + self._dice.up_to(quality.jitter_ns) if quality.jitter_ns else at_ns
