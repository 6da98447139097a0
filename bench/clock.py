"""Bench time: one timeline of events, and the two drivers that run it.

Times are int nanoseconds from the start of the run. Events of one instant run by phase, and inside
a phase first in, first out; that order is promised. Only this module reads the computer's clock.

Coroutines wait with `await timeline.sleep(...)` or on a `Wait` taken from `timeline.wait(...)`; both
drivers wake them at the same bench time:

- `run_virtual` jumps from event to event. The asyncio loop is only asked one thing, through the
  selector that its constructor takes: "is any task still able to run?" While none is, the timeline
  is pumped until somebody's wait is over. No timer of the loop is ever used.
- `PacedDriver` is an asyncio task that waits for the wall clock to reach the next event, on an alarm
  that it is given. It records how late events ran and never drops one.
"""

from __future__ import annotations

import asyncio
import heapq
import selectors
import time
from collections.abc import Callable, Coroutine, Generator
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Protocol, TypeVar

from bench.errors import DeadlockError, LocalError
from bench.units import NS_PER_S, ms_text

T = TypeVar("T")
_AT_ONCE = 1000  # late events before sockets and signals get their turn, even if the plant is too slow
_LOOK_EVERY = 256  # events between two looks for Ctrl-C in virtual time
_TURNS = 8  # of the loop, for a woken task and for those that wait for it in turn (gather takes three)


class Phase(IntEnum):
    """The order in which things of one instant happen."""

    PLANT = 0  # physics moves, contacts change
    INPUT = 1  # the adapter samples its inputs
    SCAN = 2  # the controller scans
    OUTPUT = 3  # output modules switch their loads
    NETWORK = 4  # frames leave and arrive
    CHECK = 5  # rules, expectations and waiting coroutines


@dataclass(slots=True)
class Entry:
    """One scheduled call; `cancel` takes it back at no cost."""

    t_ns: int
    call: Callable[[], None] | None

    def cancel(self) -> None:
        self.call = None

    @property
    def pending(self) -> bool:
        return self.call is not None


class Wait:
    """Something a coroutine waits for; finished once, by whoever sees it come true."""

    __slots__ = ("_future", "_timeline", "what")

    def __init__(self, timeline: Timeline, what: str) -> None:
        self.what = what
        self._timeline = timeline
        self._future: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        timeline.waiting.append(self)
        self._future.add_done_callback(self._left)

    def _left(self, _: asyncio.Future[bool]) -> None:
        if self in self._timeline.waiting:
            self._timeline.waiting.remove(self)

    @property
    def done(self) -> bool:
        return self._future.done()

    def finish(self, value: bool = True) -> None:
        """End the wait; later calls change nothing."""
        if not self._future.done():
            self._future.set_result(value)
            self._timeline.woken += 1

    def fail(self, error: BaseException) -> None:
        """End the wait with an error for the one who waits."""
        if not self._future.done():
            self._future.set_exception(error)
            self._timeline.woken += 1

    def __await__(self) -> Generator[Any, None, bool]:
        return self._future.__await__()


@dataclass(slots=True)
class Timeline:
    """Events in bench time, ordered by (time, phase, first come)."""

    now_ns: int = 0
    waiting: list[Wait] = field(default_factory=list)
    sooner: Callable[[], None] | None = None  # told when a new event became the next one
    woken: int = 0  # waits ended so far; a driver compares it to know that somebody must run
    _heap: list[tuple[int, int, int, Entry]] = field(default_factory=list)
    _count: int = 0

    def at(self, t_ns: int, phase: Phase, call: Callable[[], None]) -> Entry:
        """Call `call()` at bench time *t_ns*.

        Raises:
            LocalError: *t_ns* is in the past (nothing scheduled).
        """
        if t_ns < self.now_ns:
            raise LocalError(f"asked for {ms_text(t_ns)} ms at {ms_text(self.now_ns)} ms: that is over")
        entry = Entry(t_ns, call)
        self._count += 1
        heapq.heappush(self._heap, (t_ns, phase, self._count, entry))
        if self.sooner is not None and self._heap[0][3] is entry:
            self.sooner()
        return entry

    def after(self, delay_ns: int, phase: Phase, call: Callable[[], None]) -> Entry:
        """Call `call()` *delay_ns* from now."""
        return self.at(self.now_ns + delay_ns, phase, call)

    def no_later(self, entry: Entry | None, t_ns: int, phase: Phase, call: Callable[[], None]) -> Entry:
        """*entry* if it is still to come and due by *t_ns*; else `call()` at *t_ns* in its place."""
        if entry is not None and entry.pending:
            if entry.t_ns <= t_ns:
                return entry
            entry.cancel()
        return self.at(t_ns, phase, call)

    def next_ns(self) -> int | None:
        """Time of the next event, None when nothing is due ever."""
        heap = self._heap
        while heap and heap[0][3].call is None:
            heapq.heappop(heap)
        return heap[0][0] if heap else None

    def run_next(self) -> None:
        """Run the next event; bench time is its time.

        Raises:
            LocalError: nothing is due.
        """
        if self.next_ns() is None:
            raise LocalError("nothing is due on the timeline")
        t_ns, _, _, entry = heapq.heappop(self._heap)
        call, entry.call = entry.call, None
        self.now_ns = t_ns
        if call is not None:
            call()

    def run_until(self, t_ns: int) -> None:
        """Run everything due up to and including *t_ns* without waking coroutines in between."""
        while (due_ns := self.next_ns()) is not None and due_ns <= t_ns:
            self.run_next()
        self.now_ns = max(self.now_ns, t_ns)

    def wait(self, what: str) -> Wait:
        """A wait to be finished by somebody else; *what* names it in a deadlock report."""
        return Wait(self, what)

    async def sleep(self, delay_ns: int) -> None:
        """Wait *delay_ns* of bench time (wakes in the CHECK phase)."""
        await self.sleep_until(self.now_ns + delay_ns)

    async def sleep_until(self, t_ns: int) -> None:
        """Wait until bench time *t_ns*; at once when that is now or over."""
        if t_ns <= self.now_ns:
            return
        wait = self.wait(f"the time {ms_text(t_ns)} ms")
        entry = self.at(t_ns, Phase.CHECK, wait.finish)
        try:
            await wait
        finally:
            entry.cancel()


class _IdleSelector(selectors.SelectSelector):
    """Pumps the timeline whenever the asyncio loop has nothing ready to run."""

    def __init__(self, timeline: Timeline) -> None:
        super().__init__()
        self._timeline = timeline

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout > 0:
            self._pump()
        return super().select(0)

    def _pump(self) -> None:
        timeline = self._timeline
        woken, count = timeline.woken, 0
        while timeline.woken == woken:
            if timeline.next_ns() is None:
                self._deadlock()
                return
            timeline.run_next()
            count += 1
            if count % _LOOK_EVERY == 0 and super().select(0):  # Ctrl-C: the loop has woken itself
                return

    def _deadlock(self) -> None:
        waiting = list(self._timeline.waiting)
        error = DeadlockError(self._timeline.now_ns, [wait.what for wait in waiting])
        if not waiting:  # a task waits for something that bench time cannot bring
            raise error
        for wait in waiting:
            wait.fail(error)


def virtual_loop(timeline: Timeline) -> asyncio.AbstractEventLoop:
    """An asyncio loop whose idle moments pump *timeline*; pass it to `asyncio.Runner`."""
    return asyncio.SelectorEventLoop(_IdleSelector(timeline))


def run_virtual(timeline: Timeline, main: Coroutine[Any, Any, T]) -> T:
    """Run *main* and the timeline in virtual time until *main* returns.

    Raises:
        DeadlockError: somebody waits and nothing is due.
    """
    with asyncio.Runner(loop_factory=lambda: virtual_loop(timeline)) as runner:
        return runner.run(main)


class Alarm(Protocol):
    """Calls back once, at an instant of the computer's monotonic clock; made for one asyncio loop."""

    def arm(self, at_ns: int, call: Callable[[], None]) -> None:
        """Call `call()` at *at_ns* of the monotonic clock, at once when that is over; one call at a time.

        It may come early by the loop's grain; the caller looks at the clock and arms again.
        """

    def disarm(self) -> None:
        """Call nothing until the next `arm`."""

    def close(self) -> None:
        """Give back what the operating system lent; another `arm` may follow."""


class LoopAlarm:
    """An alarm from the loop's own timers, as fine as the loop's `call_later` is."""

    __slots__ = ("_handle",)

    def __init__(self) -> None:
        self._handle: asyncio.TimerHandle | None = None

    def arm(self, at_ns: int, call: Callable[[], None]) -> None:
        self.disarm()
        ahead_s = max(0, at_ns - time.monotonic_ns()) / NS_PER_S
        self._handle = asyncio.get_running_loop().call_later(ahead_s, call)

    def disarm(self) -> None:
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None

    def close(self) -> None:
        self.disarm()


@dataclass(slots=True)
class PacedDriver:
    """Runs a timeline against the wall clock inside a running asyncio loop.

    While nothing is due and no task has been woken, its own task sleeps: the alarm and arriving frames
    run what is due right in the loop's callback, which saves two turns of the loop an event.

    Args:
        timeline: what to run.
        alarm: when to look again; `bench.net.timer` has a finer one than the loop's own timers.

    `worst_late_ns` and `late_count` (events more than 1 ms late) tell how well it kept up.
    """

    timeline: Timeline
    alarm: Alarm = field(default_factory=LoopAlarm)
    worst_late_ns: int = 0
    late_count: int = 0
    _start_ns: int | None = None
    _kick: asyncio.Event = field(default_factory=asyncio.Event)
    _stopped: bool = False
    _idle: bool = False  # the task sleeps; callbacks may run what is due
    _busy: bool = False  # inside an event, or about to look at what is due
    _armed_ns: int | None = None  # of the monotonic clock
    _error: Exception | None = None  # of an event that ran in a callback

    def wall_ns(self) -> int:
        """Bench time by the wall clock, 0 before the start."""
        return 0 if self._start_ns is None else time.monotonic_ns() - self._start_ns

    def behind_ns(self) -> int:
        """How long the next event has been due, 0 when none is."""
        due_ns = self.timeline.next_ns()
        return 0 if due_ns is None else max(0, self.wall_ns() - due_ns)

    def arrival_ns(self, stamp_ns: int) -> int:
        """Bench time of an instant of the time of day (ns since 1970), as the system stamps frames with."""
        wall_ns = self.wall_ns()
        return min(wall_ns, wall_ns - (time.time_ns() - stamp_ns))

    def hand_in(self, call: Callable[[], None]) -> None:
        """Bring something from outside (a frame) onto the timeline, at the present wall time."""
        self.timeline.at(max(self.wall_ns(), self.timeline.now_ns), Phase.NETWORK, call)
        self._wake()

    def deliver(self, call: Callable[[], None]) -> None:
        """As `hand_in`, from a callback of the loop: run now if no task waits for its turn."""
        timeline, was_busy = self.timeline, self._busy
        self._busy = True  # no alarm for what runs in a moment
        try:
            timeline.at(max(self.wall_ns(), timeline.now_ns), Phase.NETWORK, call)
        finally:
            self._busy = was_busy
        self.nudge()

    def nudge(self) -> None:
        """Run what is due if no task waits for its turn; else that happens after the task."""
        if self._idle and not self._busy:
            try:
                done = self._catch_up()
            except Exception as error:
                self._error, done = error, False
            if not done:
                self._wake()

    def stop(self) -> None:
        """Let `run` return at its next turn."""
        self._stopped = True
        self._wake()

    async def run(self) -> None:
        """Pop what is due, wait for what is not, until `stop`; waits for coroutines between events."""
        timeline, woken = self.timeline, self.timeline.woken
        if self._start_ns is None:
            self._start_ns = time.monotonic_ns() - timeline.now_ns
        timeline.sooner = self._sooner
        try:
            while not self._stopped:
                if timeline.woken != woken:
                    # The virtual driver goes on when no task is able to run; here they get their turns first.
                    woken = timeline.woken
                    for _ in range(_TURNS):
                        await asyncio.sleep(0)
                elif self._catch_up():
                    await self._rest()
                elif timeline.woken == woken:
                    await asyncio.sleep(0)
        finally:
            timeline.sooner = None
            self._armed_ns = None
            self.alarm.close()

    async def _rest(self) -> None:
        self._kick.clear()
        self._idle = True
        try:
            await self._kick.wait()
        finally:
            self._idle = False
        if self._error is not None:
            raise self._error

    def _wake(self) -> None:
        self._idle = False
        self._kick.set()

    def _catch_up(self) -> bool:
        """Run what is due; False when tasks, sockets and signals must have a turn before more is run."""
        timeline, woken = self.timeline, self.timeline.woken
        self._busy = True
        try:
            for _ in range(_AT_ONCE):
                if timeline.woken != woken or self._stopped:
                    return False
                due_ns = timeline.next_ns()
                if due_ns is None:
                    return True
                late_ns = self.wall_ns() - due_ns
                if late_ns < 0:
                    self._arm(due_ns)
                    return True
                if late_ns > self.worst_late_ns:
                    self.worst_late_ns = late_ns
                self.late_count += late_ns > 1_000_000
                timeline.run_next()
            return False
        finally:
            self._busy = False

    def _sooner(self) -> None:
        """A task scheduled something while the driver waits for a later event."""
        due_ns = self.timeline.next_ns()
        if self._idle and not self._busy and due_ns is not None:
            self._arm(due_ns)

    def _arm(self, due_ns: int) -> None:
        assert self._start_ns is not None
        at_ns, armed_ns = due_ns + self._start_ns, self._armed_ns
        # An alarm that comes too early costs one look; setting it anew costs a system call.
        if armed_ns is None or at_ns < armed_ns or armed_ns < time.monotonic_ns():
            self._armed_ns = at_ns
            self.alarm.arm(at_ns, self._ring)

    def _ring(self) -> None:
        self._armed_ns = None
        self.nudge()


async def run_paced(timeline: Timeline, driver: PacedDriver, main: Coroutine[Any, Any, T]) -> T:
    """Run *main* with *driver* beside it; an error in either ends both."""
    pump = asyncio.create_task(driver.run(), name="timeline")
    task = asyncio.create_task(main, name="main")
    try:
        await asyncio.wait({pump, task}, return_when=asyncio.FIRST_COMPLETED)
        if pump.done() and not task.done():
            await pump
            raise LocalError("the timeline was stopped while somebody still ran on it")
        return await task
    finally:
        task.cancel()
        driver.stop()
        await asyncio.gather(pump, task, return_exceptions=True)


def wall_clock_s() -> float:
    """Seconds of the computer's monotonic clock: for reporting how long a run took."""
    return time.perf_counter()


def paced_loop() -> asyncio.AbstractEventLoop:
    """A stock asyncio loop whose timers are not rounded up to whole milliseconds.

    The default selector on Linux takes its timeout in ms; `select` takes it in us.
    """
    return asyncio.SelectorEventLoop(selectors.SelectSelector())


def start_number() -> int:
    """A number from 1 to 65535 that is another one at the next start, a second later or more."""
    return int(time.time()) % 0xFFFF + 1
