"""Bench time: the promised order, waits, deadlocks, and the same order under both drivers."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.clock import PacedDriver, Phase, Timeline, paced_loop, run_paced, run_virtual
from bench.errors import DeadlockError, LocalError

MS = 1_000_000
Program = Callable[[Timeline, list[str]], Coroutine[Any, Any, None]]


@pytest.fixture
def timeline() -> Timeline:
    return Timeline()


def run_all(timeline: Timeline) -> None:
    while timeline.next_ns() is not None:
        timeline.run_next()


def test_phases_of_one_instant_run_in_order(timeline: Timeline) -> None:
    seen: list[Phase] = []
    for phase in reversed(Phase):
        timeline.at(5, phase, lambda phase=phase: seen.append(phase))  # type: ignore[misc]
    run_all(timeline)
    assert seen == list(Phase)


def test_equal_deadlines_run_first_in_first_out(timeline: Timeline) -> None:
    seen: list[int] = []
    for number in range(8):
        timeline.at(5, Phase.SCAN, lambda number=number: seen.append(number))  # type: ignore[misc]
    run_all(timeline)
    assert seen == [0, 1, 2, 3, 4, 5, 6, 7]


@given(st.lists(st.tuples(st.integers(0, 5), st.sampled_from(Phase))))
def test_events_run_by_time_phase_and_arrival(events: list[tuple[int, Phase]]) -> None:
    timeline = Timeline()
    seen: list[tuple[int, Phase, int]] = []
    for number, (t_ns, phase) in enumerate(events):
        timeline.at(t_ns, phase, lambda key=(t_ns, phase, number): seen.append(key))  # type: ignore[misc]
    run_all(timeline)
    assert seen == sorted((t_ns, phase, number) for number, (t_ns, phase) in enumerate(events))


def test_cancelled_event_never_runs(timeline: Timeline) -> None:
    seen: list[str] = []
    entry = timeline.at(5, Phase.SCAN, lambda: seen.append("cancelled"))
    timeline.at(6, Phase.SCAN, lambda: seen.append("other"))
    entry.cancel()
    due_ns = timeline.next_ns()
    run_all(timeline)
    assert (due_ns, seen, entry.pending) == (6, ["other"], False)


def test_event_that_ran_is_not_pending(timeline: Timeline) -> None:
    entry = timeline.after(5, Phase.SCAN, lambda: None)
    before = entry.pending
    run_all(timeline)
    assert (before, entry.pending, timeline.now_ns) == (True, False, 5)


def test_past_is_refused(timeline: Timeline) -> None:
    timeline.run_until(3 * MS)
    with pytest.raises(LocalError, match=r"asked for 2\.000 ms at 3\.000 ms: that is over"):
        timeline.at(2 * MS, Phase.SCAN, lambda: None)


def test_nothing_due_is_refused(timeline: Timeline) -> None:
    with pytest.raises(LocalError, match="nothing is due"):
        timeline.run_next()


def test_run_until_stops_at_its_time(timeline: Timeline) -> None:
    seen: list[int] = []
    for t_ns in (1, 2, 3):
        timeline.at(t_ns, Phase.SCAN, lambda: seen.append(timeline.now_ns))
    timeline.run_until(2)
    assert (seen, timeline.now_ns, timeline.next_ns()) == ([1, 2], 2, 3)


def test_deadlock_names_who_waits_for_what(timeline: Timeline) -> None:
    async def waits(what: str) -> None:
        await timeline.wait(what)

    async def main() -> None:
        await asyncio.gather(waits("a tray"), waits("the pusher"))

    with pytest.raises(DeadlockError) as stuck:
        run_virtual(timeline, main())
    assert stuck.value.waiting == ("a tray", "the pusher")


def test_deadlock_without_a_wait_on_the_timeline(timeline: Timeline) -> None:
    async def main() -> None:
        await asyncio.Event().wait()

    with pytest.raises(DeadlockError, match="nobody"):
        run_virtual(timeline, main())


def test_deadlock_can_be_survived(timeline: Timeline) -> None:
    async def main() -> int:
        with pytest.raises(DeadlockError):
            await timeline.wait("nothing")
        await timeline.sleep(5)
        return timeline.now_ns

    assert run_virtual(timeline, main()) == 5


def test_error_of_an_event_reaches_the_caller(timeline: Timeline) -> None:
    def broken() -> None:
        raise ValueError("broken")

    timeline.at(5, Phase.PLANT, broken)
    with pytest.raises(ValueError, match="broken"):
        run_virtual(timeline, timeline.sleep(10))


def test_wait_ends_once(timeline: Timeline) -> None:
    async def main() -> bool:
        wait = timeline.wait("a value")
        timeline.at(1, Phase.CHECK, lambda: wait.finish(False))
        timeline.at(1, Phase.CHECK, lambda: wait.finish(True))
        return await wait

    assert (run_virtual(timeline, main()), timeline.woken, timeline.waiting) == (False, 1, [])


def test_cancelled_sleep_leaves_nothing_behind(timeline: Timeline) -> None:
    async def main() -> None:
        task = asyncio.create_task(timeline.sleep(50))
        await timeline.sleep(5)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    run_virtual(timeline, main())
    assert (timeline.next_ns(), timeline.waiting, timeline.now_ns) == (None, [], 5)


# --- the same program under both drivers ---


async def two_in_step(timeline: Timeline, seen: list[str]) -> None:
    async def steps(name: str, delay_ns: int) -> None:
        for _ in range(3):
            await timeline.sleep(delay_ns)
            seen.append(f"{name} {timeline.now_ns / MS}")

    await asyncio.gather(steps("a", 1 * MS), steps("b", 1 * MS), steps("c", 2 * MS))
    seen.append(f"all {timeline.now_ns / MS}")


async def task_on_task(timeline: Timeline, seen: list[str]) -> None:
    """Whoever waits for a task goes on in the instant in which it ended, before the next event."""

    async def inner() -> int:
        await timeline.sleep(2 * MS)
        return timeline.now_ns

    async def outer() -> int:
        return await asyncio.create_task(inner())

    for number in range(4):
        timeline.at(2 * MS, Phase.CHECK, lambda number=number: seen.append(f"event {number}"))  # type: ignore[misc]
    ended_ns = await asyncio.create_task(outer())
    seen.append(f"inner {ended_ns / MS} outer {timeline.now_ns / MS}")
    await timeline.sleep(1 * MS)


async def event_between_tasks(timeline: Timeline, seen: list[str]) -> None:
    ready = asyncio.Event()

    async def consumer() -> None:
        await ready.wait()
        seen.append(f"got {timeline.now_ns / MS}")

    task = asyncio.create_task(consumer())
    await timeline.sleep(1 * MS)
    ready.set()
    seen.append("set")
    await timeline.sleep(1 * MS)
    await task


async def phases(timeline: Timeline, seen: list[str]) -> None:
    for phase in reversed(Phase):
        timeline.at(1 * MS, phase, lambda phase=phase: seen.append(phase.name))  # type: ignore[misc]
    await timeline.sleep_until(1 * MS)
    seen.append("coroutine")
    await timeline.sleep(0)


PROGRAMS = {
    two_in_step: [
        *("a 1.0", "b 1.0", "a 2.0", "c 2.0", "b 2.0", "a 3.0", "b 3.0", "c 4.0", "c 6.0"),
        "all 6.0",
    ],
    task_on_task: ["event 0", "event 1", "event 2", "event 3", "inner 2.0 outer 2.0"],
    event_between_tasks: ["set", "got 1.0"],
    phases: [*(phase.name for phase in Phase), "coroutine"],
}


def paced(program: Program) -> list[str]:
    async def main() -> list[str]:
        timeline, seen = Timeline(), list[str]()
        await run_paced(timeline, PacedDriver(timeline), program(timeline, seen))
        return seen

    with asyncio.Runner(loop_factory=paced_loop) as runner:
        return runner.run(main())


def virtual(program: Program) -> list[str]:
    timeline, seen = Timeline(), list[str]()
    run_virtual(timeline, program(timeline, seen))
    return seen


@pytest.mark.parametrize("program", PROGRAMS)
def test_both_drivers_give_the_same_order(program: Program) -> None:
    assert paced(program) == virtual(program)


def stall(driver: PacedDriver) -> None:
    """Keep the computer busy for 3 ms."""
    target_ns = driver.wall_ns() + 3 * MS
    while driver.wall_ns() < target_ns:
        pass


async def test_paced_wakes_waiters_before_late_events() -> None:
    """After a stall everything is late; a chain of tasks still goes on before the next event."""
    timeline, seen = Timeline(), list[str]()
    driver = PacedDriver(timeline)
    timeline.at(1 * MS, Phase.PLANT, lambda: stall(driver))
    timeline.at(3 * MS, Phase.PLANT, lambda: seen.append("late event"))
    chain = asyncio.gather(timeline.sleep_until(2 * MS))
    await asyncio.sleep(0)  # it waits before the clock starts, however slow this computer is

    async def main() -> None:
        await chain
        seen.append(f"main at {timeline.now_ns / MS}")
        await timeline.sleep_until(3 * MS)

    await run_paced(timeline, driver, main())
    assert seen == ["main at 2.0", "late event"]


async def test_paced_lateness_is_recorded() -> None:
    timeline = Timeline()
    driver = PacedDriver(timeline)
    timeline.at(1 * MS, Phase.PLANT, lambda: stall(driver))
    timeline.at(2 * MS, Phase.PLANT, lambda: None)
    await run_paced(timeline, driver, timeline.sleep(2 * MS))
    assert (driver.worst_late_ns >= 2 * MS, driver.late_count >= 1) == (True, True)


async def test_handed_in_frames_wake_the_driver() -> None:
    timeline = Timeline()
    driver = PacedDriver(timeline)
    seen: list[int] = []

    async def main() -> None:
        frame = timeline.wait("a frame")
        asyncio.get_running_loop().call_later(0.002, driver.hand_in, frame.finish)
        await frame
        seen.append(timeline.now_ns)

    await run_paced(timeline, driver, main())
    assert seen[0] >= 2 * MS


async def test_paced_passes_on_the_error_of_an_event() -> None:
    timeline = Timeline()

    def broken() -> None:
        raise ValueError("broken")

    timeline.at(1, Phase.PLANT, broken)
    with pytest.raises(ValueError, match="broken"):
        await run_paced(timeline, PacedDriver(timeline), timeline.sleep(50 * MS))


async def test_stopped_driver_ends_whoever_still_waits() -> None:
    timeline = Timeline()
    driver = PacedDriver(timeline)
    timeline.at(1, Phase.PLANT, driver.stop)
    with pytest.raises(LocalError, match="stopped while somebody still ran"):
        await run_paced(timeline, driver, timeline.sleep(50 * MS))
