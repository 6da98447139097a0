"""One cyclic connection, watched: gaps between T->O frames, and how soon an output comes back.

Reaction: an output frame with a new mark is sent at a phase that has nothing to do with the adapter's
grid, spread evenly over a whole interval; the clock stops at the arrival of
the first input frame that carries the mark. An adapter that puts its newest data into frames on an
exact grid gives 0 to RPI, uniformly.
"""

from __future__ import annotations

import gc
from dataclasses import dataclass, field

from tests.bench.figures import Spread, gaps_ms, missing, per_second
from tests.bench.originator import FRAME, Datagrams, Points, Stream, wall_ns

WARM_UP_NS = 300_000_000
SILENCE_NS = 1_000_000_000  # an adapter that has sent nothing by then is given up
MARK_BYTES = 4
GOLDEN = 0.618_033_988_75  # its multiples modulo 1 fill an interval evenly after any number of samples


@dataclass(slots=True)
class Watched:
    """Raw samples of one cell; times in ns of the wall clock."""

    arrivals_ns: list[int] = field(default_factory=list)
    sequence: list[int] = field(default_factory=list)
    reactions_ns: list[int] = field(default_factory=list)
    rpi_us: int = 0
    unanswered: int = 0  # marks never seen in an input frame

    @property
    def rate(self) -> float:
        return per_second(self.arrivals_ns)

    @property
    def lost(self) -> int:
        return missing(self.sequence)

    @property
    def gaps(self) -> Spread:
        return Spread.of(gaps_ms(self.arrivals_ns))

    @property
    def in_bursts(self) -> int:
        """Frames that came within an eighth of the packet interval after the one before."""
        return sum(gap < self.rpi_us / 8000 for gap in gaps_ms(self.arrivals_ns))

    @property
    def reactions(self) -> Spread:
        return Spread.of(ns / 1e6 for ns in self.reactions_ns)


class Watcher:
    """Feeds an adapter outputs every RPI and marks at random phases, and notes what comes back."""

    def __init__(self, link: Datagrams, stream: Stream, points: Points, rpi_us: int) -> None:
        self._link = link
        self._stream = stream
        self._data = bytearray(points.output_size)
        self._rpi_ns = rpi_us * 1000
        self._mark = 0
        self._marked_ns: int | None = None
        self.found = Watched(rpi_us=rpi_us)

    def run(self, seconds: float) -> Watched:
        """Blocks for *seconds* and the warm-up before them."""
        gc.collect()
        gc.disable()
        try:
            self._loop(wall_ns() + WARM_UP_NS, int(seconds * 1e9))
        finally:
            gc.enable()
        return self.found

    def _loop(self, begin_ns: int, length_ns: int) -> None:
        now_ns = keep_ns = wall_ns()
        self._mark_ns = begin_ns
        while now_ns < begin_ns + length_ns:
            may_mark = self._marked_ns is None
            due_ns = min(keep_ns, self._mark_ns) if may_mark else keep_ns
            self._link.wait((due_ns - now_ns) / 1e9)
            while taken := self._link.take():
                self._arrived(*taken, begin_ns)
            now_ns = wall_ns()
            if not self.found.arrivals_ns and now_ns > begin_ns + SILENCE_NS + 2 * self._rpi_ns:
                return
            if self._marked_ns is None and now_ns >= self._mark_ns:
                self._send_mark()
                keep_ns = now_ns + self._rpi_ns
            elif now_ns >= keep_ns:
                self._link.send(self._stream.frame(bytes(self._data)), self._stream.peer)
                keep_ns += self._rpi_ns * (1 + (now_ns - keep_ns) // self._rpi_ns)
        self.found.unanswered = int(
            self._marked_ns is not None and now_ns - self._marked_ns > 4 * self._rpi_ns
        )

    def _send_mark(self) -> None:
        self._mark += 1
        self._data[:MARK_BYTES] = self._mark.to_bytes(MARK_BYTES, "little")
        frame = self._stream.frame(bytes(self._data))
        self._marked_ns = wall_ns()
        self._link.send(frame, self._stream.peer)

    def _arrived(self, frame: bytes, at_ns: int, begin_ns: int) -> None:
        if len(frame) < FRAME.size:
            return
        _, _, _, connection_id, seq32, _, _, _ = FRAME.unpack_from(frame)
        if connection_id != self._stream.to_id or at_ns < begin_ns:
            return
        self.found.arrivals_ns.append(at_ns)
        self.found.sequence.append(seq32)
        mark = frame[FRAME.size : FRAME.size + MARK_BYTES]
        if self._marked_ns is not None and mark == self._data[:MARK_BYTES]:
            self.found.reactions_ns.append(at_ns - self._marked_ns)
            self._marked_ns = None
            self._mark_ns = at_ns + int(self._rpi_ns * (0.25 + self._mark * GOLDEN % 1))
