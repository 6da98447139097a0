from __future__ import annotations

import dataclasses

import pytest

from bench.report import Failure, ScenarioResult, StepResult, Verdict, Violation
from bench.trace import Trace, Value

MS = 1_000_000


@pytest.fixture
def trace() -> Trace:
    trace = Trace()
    rows: list[tuple[int, str, Value]] = [
        (0, "Start", False),
        (0, "Clamped", False),
        (0, "logic.State", "Idle"),
        (0, "clamp.position_mm", 0.0),
        (100, "Start", True),
        (200, "Start", False),
        (200, "logic.State", "Clamp"),
        (250, "clamp.position_mm", 25.0),
        (300, "clamp.position_mm", 50.0),
        (350, "clamp.position_mm", 75.0),
        (400, "clamp.position_mm", 100.0),
        (400, "Clamped", True),
        (700, "Clamped", False),
    ]
    for t_ms, signal, value in rows:
        trace.add(t_ms * MS, signal, value)
    return trace


@pytest.fixture
def passed(trace: Trace) -> ScenarioResult:
    steps = (
        StepResult(1, "press: start_button", "press", "", "", 100 * MS, 100 * MS, Verdict.PASSED, 7),
        StepResult(2, "expect: Clamped", "expect", "Clamped", "TRUE", 100 * MS, 400 * MS, Verdict.PASSED, 8),
    )
    return ScenarioResult(
        title="One tray is clamped",
        file="one_tray.scenario.yaml",
        verdict=Verdict.PASSED,
        duration_ns=1000 * MS,
        wall_s=0.01,
        mode="virtual time",
        steps=steps,
        violations=(),
        failures=(),
        forces_left=(),
        notes=(),
        trace=trace,
        pictured=("Start", "Clamped", "logic.State", "clamp.position_mm"),
        digest="0123456789abcdef",
        lateness_ns=None,
    )


@pytest.fixture
def failed(passed: ScenarioResult, trace: Trace) -> ScenarioResult:
    wanted, late = "Alarm within 300 ms", 1000 * MS
    steps = (
        *passed.steps,
        StepResult(3, "expect: Alarm", "expect", wanted, "FALSE", 700 * MS, None, Verdict.FAILED, 11),
        StepResult(4, "expect: [b]NOT[/b] Clamped", "expect", "NOT Clamped", "", 0, None, None, 13),
    )
    changes = tuple(trace.last_changes(["Clamped", "Start"], 3))
    return dataclasses.replace(
        passed,
        title="A broken wire [red]raises[/red] the alarm",
        verdict=Verdict.FAILED,
        steps=steps,
        failures=(Failure(3, "Alarm did not come.", wanted, "Alarm stayed FALSE", late, changes),),
        violations=(Violation("never NOT Clamped", "the tray moves", 700 * MS, (("Clamped", False),), 5),),
        forces_left=("Clamped forced TRUE since 20.000 ms",),
        notes=("seed 7",),
    )
