"""A hundred point-to-point connections to one adapter: an owner and the rest input-only, all kept alive.

The load is one loop: every millisecond it sends the O->T frames that are due and empties the socket.
The kernel has stamped the arrivals, so that looking once a millisecond costs no accuracy.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field

from tests.bench.figures import Spread, gaps_ms, missing, per_second
from tests.bench.originator import (
    FRAME,
    IO_PORT,
    RUN,
    Datagrams,
    Points,
    RefusedError,
    Session,
    Stream,
    close_stream,
    open_stream,
    wall_ns,
)
from tests.bench.servers import ADDRESS, OWN, running

RPI_US = 10_000
STEP_NS = 1_000_000
WARM_UP_NS = 500_000_000
FIRST_BARE_ID = 0x0B00_C000


@dataclass(slots=True)
class Connections:
    """What became of them; arrivals in ns of the wall clock, per connection."""

    asked: int
    rpi_us: int
    streams: list[Stream] = field(default_factory=list)
    arrivals_ns: list[list[int]] = field(default_factory=list)
    sequence: list[list[int]] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    timed_out: int = 0
    late_sends: int = 0  # O->T frames sent more than half an RPI late: the load's own fault
    server_cpu: float = float("nan")  # share of one core
    own_cpu: float = float("nan")
    wall_s: float = 0.0

    @property
    def slowest(self) -> float:
        """Frames a second of the slowest connection."""
        return min((per_second(times) for times in self.arrivals_ns), default=0.0)

    @property
    def total(self) -> float:
        return sum(per_second(times) for times in self.arrivals_ns)

    @property
    def lost(self) -> int:
        return sum(missing(numbers) for numbers in self.sequence)

    @property
    def gaps(self) -> Spread:
        return Spread.of(gap for times in self.arrivals_ns for gap in gaps_ms(times))

    @property
    def worst_p99(self) -> float:
        return max((Spread.of(gaps_ms(times)).p99 for times in self.arrivals_ns), default=float("nan"))


def hold(
    command: Sequence[str], points: Points, count: int, seconds: float, *, bare: bool = False
) -> Connections:
    """Start a server, hold *count* connections to it for *seconds*, stop it."""
    with running(command) as server, closing(Datagrams(OWN)) as link, ExitStack() as stack:
        session = None if bare else stack.enter_context(closing(Session(ADDRESS, OWN)))
        load = Load(link, session, points, count, RPI_US)
        load.open()
        before_s = server.cpu_s()
        load.run(seconds)
        load.found.server_cpu = (server.cpu_s() - before_s) / load.found.wall_s
        load.finish()
    return load.found


class Load:
    """Opens connections, keeps them alive, notes arrivals, closes them.

    Without a session the server is the floor, and the first O->T frame is the open.
    """

    def __init__(
        self, link: Datagrams, session: Session | None, points: Points, count: int, rpi_us: int
    ) -> None:
        self._link = link
        self._session = session
        self._points = points
        self._rpi_ns = rpi_us * 1000
        self.found = Connections(count, rpi_us)
        self._due: list[tuple[int, Stream, bytes]] = []
        self._places: dict[int, int] = {}
        self._next = 0
        self._grid_ns = wall_ns()
        self._begin_ns = 1 << 63

    def open(self) -> None:
        """All of them, each fed from its first moment; what is refused is noted."""
        for number in range(self.found.asked):
            try:
                stream = self._open_one(number)
            except RefusedError as refusal:
                self.found.refusals.append(str(refusal))
                continue
            self._places[stream.to_id] = len(self.found.streams)
            self.found.streams.append(stream)
            self.found.arrivals_ns.append([])
            self.found.sequence.append([])
            self._start_feeding(number, stream)
            self._turn(wall_ns())

    def run(self, seconds: float) -> None:
        """Keep all alive for *seconds* and the warm-up before them."""
        gc.collect()
        gc.disable()
        self._begin_ns = now_ns = wall_ns() + WARM_UP_NS
        end_ns = self._begin_ns + int(seconds * 1e9)
        cpu_s, wall_s = time.process_time(), time.perf_counter()
        next_ns = now_ns - WARM_UP_NS
        try:
            while now_ns < end_ns:
                next_ns += STEP_NS
                ahead_ns = next_ns - wall_ns()
                if ahead_ns > 0:
                    time.sleep(ahead_ns / 1e9)
                now_ns = wall_ns()
                self._turn(now_ns)
        finally:
            gc.enable()
        self.found.wall_s = time.perf_counter() - wall_s
        self.found.own_cpu = (time.process_time() - cpu_s) / self.found.wall_s

    def finish(self) -> None:
        """A connection is counted as timed out when its Forward Close is refused, or its end was silent."""
        now_ns = wall_ns()
        gone: set[int] = set()
        for place, stream in enumerate(self.found.streams):
            times = self.found.arrivals_ns[place]
            if not times or now_ns - times[-1] > 10 * self._rpi_ns:
                gone.add(place)
            try:
                if self._session is not None:
                    close_stream(self._session, stream)
            except RefusedError:
                gone.add(place)
            self._turn(wall_ns(), listen=False)
        self.found.timed_out = len(gone)

    def _open_one(self, number: int) -> Stream:
        rpi_us = self._rpi_ns // 1000
        if self._session is None:
            return Stream(
                (ADDRESS, IO_PORT), number, FIRST_BARE_ID + number, header=RUN if number == 0 else b""
            )
        return open_stream(self._session, ADDRESS, self._points, rpi_us, number + 1, owner=number == 0)

    def _start_feeding(self, number: int, stream: Stream) -> None:
        data = bytes(self._points.output_size) if number == 0 else b""
        phase_ns = number * self._rpi_ns // self.found.asked
        self._link.send(stream.frame(data), stream.peer)
        # one grid for all, so that the list stays in the order of the deadlines
        self._due.append((phase_ns, stream, data))

    def _turn(self, now_ns: int, listen: bool = True) -> None:
        self._feed(now_ns)
        take, places = self._link.take, self._places
        while taken := take():
            frame, at_ns = taken
            if listen and at_ns >= self._begin_ns:
                _, _, _, connection_id, seq32, _, _, _ = FRAME.unpack_from(frame)
                place = places.get(connection_id)
                if place is not None:
                    self.found.arrivals_ns[place].append(at_ns)
                    self.found.sequence[place].append(seq32)

    def _feed(self, now_ns: int) -> None:
        due, rpi_ns = self._due, self._rpi_ns
        while due:
            place = self._next % len(due)
            phase_ns, stream, data = due[place]
            due_ns = self._grid_ns + phase_ns
            if due_ns > now_ns:
                return
            self.found.late_sends += now_ns - due_ns > rpi_ns // 2 and now_ns >= self._begin_ns
            self._link.send(stream.frame(data), stream.peer)
            self._next = place + 1
            if self._next == len(due):
                self._next = 0
                self._grid_ns += rpi_ns
