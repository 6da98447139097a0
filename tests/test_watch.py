"""Who is asked to look, and when."""

from __future__ import annotations

import pytest

from bench.clock import Timeline
from bench.watch import Watchers

KINDS = {"Lamp": "BOOL", "rod.position_mm": "LREAL", "logic.T1.ET": "TIME"}


@pytest.fixture
def timeline() -> Timeline:
    return Timeline()


@pytest.fixture
def watchers(timeline: Timeline) -> Watchers:
    return Watchers(timeline, KINDS)


@pytest.fixture
def looks(timeline: Timeline, watchers: Watchers) -> list[str]:
    """Names of the watchers that looked; each has had its first look."""
    seen: list[str] = []
    for name in KINDS:
        watchers.add((name,), lambda name=name: seen.append(name))  # type: ignore[misc]
    watchers.recorded("anything")
    timeline.run_until(0)
    assert seen == list(KINDS)
    seen.clear()
    return seen


def test_a_record_wakes_those_who_watch_it_once_an_instant(
    timeline: Timeline, watchers: Watchers, looks: list[str]
) -> None:
    for _ in range(3):
        watchers.recorded("Lamp")
    timeline.run_until(1)
    assert looks == ["Lamp"]


def test_a_step_wakes_those_who_watch_the_plant(
    timeline: Timeline, watchers: Watchers, looks: list[str]
) -> None:
    watchers.stepped()
    timeline.run_until(1)
    assert looks == ["rod.position_mm"]


def test_a_scan_wakes_those_who_watch_a_running_time(
    timeline: Timeline, watchers: Watchers, looks: list[str]
) -> None:
    watchers.scanned()
    timeline.run_until(1)
    assert looks == ["logic.T1.ET"]


def test_a_removed_watcher_looks_no_more(timeline: Timeline, watchers: Watchers) -> None:
    seen: list[int] = []
    watchers.remove(watchers.add(("Lamp",), lambda: seen.append(timeline.now_ns)))
    watchers.recorded("Lamp")
    timeline.run_until(1)
    assert seen == []
