"""The paced driver on every loop and alarm: events are never early, and hardly late."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable

import pytest

from bench.clock import LoopAlarm, PacedDriver, Phase, Timeline, run_paced
from bench.clock import paced_loop as select_loop
from bench.errors import LocalError
from bench.net.timer import TimerfdAlarm, best_alarm, paced, paced_loop

MS = 1_000_000
LOOPS: dict[str, Callable[[], asyncio.AbstractEventLoop]] = {
    "select": select_loop,
    "default": paced_loop,
    "fast": lambda: paced_loop(fast=True),
}


def lateness_us(
    loop: Callable[[], asyncio.AbstractEventLoop], make: Callable[[Timeline], PacedDriver]
) -> int:
    """The median lateness of 50 events at odd times."""

    async def main() -> int:
        timeline, late = Timeline(), list[int]()
        driver = make(timeline)
        for number in range(1, 51):
            at_ns = number * 1_300_007
            timeline.at(at_ns, Phase.NETWORK, lambda at_ns=at_ns: late.append(driver.wall_ns() - at_ns))  # type: ignore[misc]
        await run_paced(timeline, driver, timeline.sleep(70 * MS))
        assert min(late) >= 0
        return sorted(late)[25] // 1000

    with asyncio.Runner(loop_factory=loop) as runner:
        return runner.run(main())


@pytest.mark.parametrize("loop", LOOPS)
def test_events_of_the_fine_driver_are_less_than_half_a_millisecond_late(loop: str) -> None:
    assert lateness_us(LOOPS[loop], paced) < 500


@pytest.mark.parametrize("loop", LOOPS)
def test_the_loops_own_timers_do_as_a_fallback(loop: str) -> None:
    assert lateness_us(LOOPS[loop], lambda timeline: PacedDriver(timeline, LoopAlarm())) < 2_000


async def test_alarm_in_the_past_rings_at_once_and_a_disarmed_one_never() -> None:
    rung: list[str] = []
    first, second = best_alarm(), best_alarm()
    first.arm(1, lambda: rung.append("past"))
    second.arm(1, lambda: rung.append("disarmed"))
    second.disarm()
    for _ in range(20):
        await asyncio.sleep(0.001)
    first.close()
    second.close()
    assert rung == ["past"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="timerfd is a Linux call")
async def test_driver_gives_its_file_descriptor_back() -> None:
    before = len(os.listdir("/proc/self/fd"))
    timeline = Timeline()
    driver = paced(timeline)
    assert isinstance(driver.alarm, TimerfdAlarm)
    await run_paced(timeline, driver, timeline.sleep(2 * MS))
    assert len(os.listdir("/proc/self/fd")) == before


async def test_unchanged_deadline_costs_no_system_call() -> None:
    """Ten frames before one deadline arm once."""
    armed: list[int] = []

    class Counting(LoopAlarm):
        def arm(self, at_ns: int, call: Callable[[], None]) -> None:
            armed.append(at_ns)
            super().arm(at_ns, call)

    timeline = Timeline()
    driver = PacedDriver(timeline, Counting())
    heard: list[int] = []

    async def main() -> None:
        for number in range(10):
            await asyncio.sleep(0)
            driver.deliver(lambda number=number: heard.append(number))  # type: ignore[misc]
        await timeline.sleep(30 * MS)

    await run_paced(timeline, driver, main())
    assert (heard, len(armed) <= 2) == (list(range(10)), True)


async def test_error_of_a_delivered_call_ends_the_run() -> None:
    timeline = Timeline()
    driver = paced(timeline)

    def broken() -> None:
        raise ValueError("broken frame")

    asyncio.get_running_loop().call_later(0.002, driver.deliver, broken)
    with pytest.raises(ValueError, match="broken frame"):
        await run_paced(timeline, driver, timeline.sleep(500 * MS))


def test_fast_loop_that_is_not_installed_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "uvloop", None)
    with pytest.raises(LocalError, match="pip install uvloop"):
        paced_loop(fast=True)


def test_system_without_timerfd_falls_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "other")
    assert isinstance(best_alarm(), LoopAlarm)
