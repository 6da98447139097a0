"""Every word of a step, every kind of expectation, and what a failure says."""

from __future__ import annotations

from pathlib import Path

import pytest
from scenario_files import STARTED_LINE, run, write

from bench.clock import Timeline, run_virtual
from bench.net.memory import MemoryNetwork
from bench.report.result import ScenarioResult, Verdict
from bench.scenario import Run
from bench.suite import prepare
from bench.trace import Value
from bench.world import World

MS = 1_000_000

ACTIONS = {
    "press": ("{press: start_button}\n{wait_ms: 3}", "Start", True),
    "release": ("{press: start_button}\n{wait_ms: 5}\n{release: start_button}\n{wait_ms: 3}", "Start", False),
    "hold": ("{hold: start_button, for_ms: 5}\n{wait_ms: 3}", "Start", False),
    "wait": ("{wait_ms: 12.5}", "Start", False),
    "set a truth value": ("set: {beam.blocked: true}\nwait_ms: 10", "Eye", True),
    "set a number": ("set: {air.pressure_bar: 4}", "air.pressure_bar", 4.0),
    "override": ("override: {rod_valve.14: true}\nwait_ms: 600", "Out", True),
    "force an input": ("force: {Start: true}\nexpect: Start\nunforce: Start", "force.Start", "none"),
    "force an output": ("force: {Push: true}\nwait_ms: 600\nunforce: all", "Out", True),
    "fault": ("{press: start_button}\n{wait_ms: 5}\nfault: {wire_break: Start}\nwait_ms: 5", "Start", False),
    "clear": (
        "{press: start_button}\nfault: {wire_break: Start}\n{wait_ms: 9}\n"
        "clear: {wire_break: Start}\nwait_ms: 5",
        "Start",
        True,
    ),
    "stuck on": ("fault: {stuck_on: start_button}\nwait_ms: 5", "Start", True),
    "air loss": ("fault: {air_loss: air}\nwait_ms: 2000", "air.pressure_bar", 0.0),
}


@pytest.mark.parametrize(("steps", "signal", "value"), list(ACTIONS.values()), ids=list(ACTIONS))
def test_step_does_what_it_says(tmp_path: Path, steps: str, signal: str, value: Value) -> None:
    result = run(write(tmp_path, steps))
    seen = result.trace.value(signal)
    close = pytest.approx(value, abs=0.05) if isinstance(value, float) else value
    assert (result.verdict, seen) == (Verdict.PASSED, close)


def test_held_button_is_down_for_its_time(tmp_path: Path) -> None:
    result = run(write(tmp_path, "{hold: start_button, for_ms: 20}\nwait_ms: 10"))
    assert result.trace.changes("Start") == [(0, False), (3 * MS, True), (23 * MS, False)]


def test_ramp_takes_its_time(tmp_path: Path) -> None:
    steps = "{set: {air.pressure_bar: 4}, over_ms: 100}\nwait_ms: 50\n"
    steps += "expect: air.pressure_bar > 4.99 AND air.pressure_bar < 5.01"
    assert run(write(tmp_path, steps)).verdict is Verdict.PASSED


def test_at_ms_waits_for_that_bench_time(tmp_path: Path) -> None:
    result = run(write(tmp_path, "{press: start_button, at_ms: 40}\n{expect: Start, within_ms: 5}"))
    assert [step.start_ns for step in result.steps] == [40 * MS, 40 * MS]


EXPECTATIONS = {
    "within": ("{press: start_button}\n{expect: Start, within_ms: 3}", 3),
    "at once": ("{press: start_button}\n{wait_ms: 4}\nexpect: Start", 4),
    "for": ("{expect: NOT Start, for_ms: 50}", 50),
    "within, then for": ("{press: start_button}\n{expect: Start, within_ms: 10, for_ms: 20}", 23),
    "a moving quantity": (
        "override: {rod_valve.14: true}\n{expect: rod.position_mm > 25.0, within_ms: 300}",
        None,
    ),
    "true already": ("{expect: NOT Start, within_ms: 100}", 0),
}


@pytest.mark.parametrize(("steps", "ended_ms"), list(EXPECTATIONS.values()), ids=list(EXPECTATIONS))
def test_expectation_holds(tmp_path: Path, steps: str, ended_ms: int | None) -> None:
    result = run(write(tmp_path, steps))
    ended = result.duration_ns if ended_ms is not None else None
    assert (result.verdict, ended) == (Verdict.PASSED, None if ended_ms is None else ended_ms * MS)


FAILURES = {
    "within": (
        "{expect: Start, within_ms: 30}",
        "Start did not come true within 30.000 ms (until 30.000 ms)",
    ),
    "at once": ("expect: Start", "Start was not true at 0.000 ms"),
    "for": (
        "{press: start_button}\n{expect: NOT Start, for_ms: 30}",
        "NOT Start did not stay true for 30.000 ms (FALSE at 3.000 ms)",
    ),
    "within, never": (
        "{expect: Start, within_ms: 30, for_ms: 10}",
        "Start did not come true within 30.000 ms (until 30.000 ms)",
    ),
    "within, but not for": (
        "force: {Start: true}\n{expect: Start, within_ms: 30, for_ms: 10}",
        None,
    ),
}


@pytest.mark.parametrize(("steps", "sentence"), list(FAILURES.values()), ids=list(FAILURES))
def test_failed_expectation_says_why(tmp_path: Path, steps: str, sentence: str | None) -> None:
    result = run(write(tmp_path, steps))
    if sentence is None:  # the step itself is good; the forgotten force is what fails
        sentence = "the force on Start was left on at the end"
    assert (result.verdict, result.failures[0].sentence) == (Verdict.FAILED, sentence)


def test_came_true_but_did_not_stay_is_told_as_that(tmp_path: Path) -> None:
    steps = "{press: start_button}\n{expect: Lamp, within_ms: 100, for_ms: 200}"
    result = run(
        write(tmp_path, steps, started="IF Number < 5 THEN Number := Number + 1; ELSE Lamp := FALSE; END_IF;")
    )
    assert result.failures[0].sentence.startswith("Lamp did not stay true for 200.000 ms (FALSE at ")


@pytest.fixture
def failed(tmp_path: Path) -> ScenarioResult:
    steps = "{press: start_button}\n{expect: Lamp AND NOT Start, within_ms: 100}\nwait_ms: 5"
    return run(write(tmp_path, steps, started=";"))


def test_failure_tells_step_expected_seen_and_time(failed: ScenarioResult) -> None:
    failure = failed.failures[0]
    assert (failure.step, failure.expected, failure.seen, failure.t_ns) == (
        2,
        "Lamp AND NOT Start within 100 ms",
        "Lamp TRUE, Start TRUE",
        failed.duration_ns,
    )


def test_failure_shows_the_last_changes_up_to_the_device(failed: ScenarioResult) -> None:
    signals = {change.signal for change in failed.failures[0].last_changes}
    assert {"Start", "Lamp", "start_button.pressed", "green_lamp.lit"} <= signals


def test_steps_after_a_failure_are_not_run(failed: ScenarioResult) -> None:
    assert [step.verdict for step in failed.steps] == [Verdict.PASSED, Verdict.FAILED, None]


def test_limit_ends_the_step(tmp_path: Path) -> None:
    result = run(write(tmp_path, "{wait_ms: 100}\nwait_ms: 100", head="limit_ms: 150\n"))
    assert (result.failures[0].step, result.failures[0].sentence, result.duration_ns) == (
        2,
        "the scenario's limit of 150.000 ms was reached",
        150 * MS,
    )


def test_limit_before_the_controller_is_connected(tmp_path: Path) -> None:
    result = run(write(tmp_path, "expect: NOT Start", head="limit_ms: 0.1\n", started=";"))
    assert (result.verdict, result.failures[0].sentence) == (
        Verdict.ERROR,
        "the scenario's limit of 0.100 ms was reached",
    )


def test_broken_rule_tells_values_reason_and_instant(tmp_path: Path) -> None:
    head = "rules:\n  - {never: Start AND NOT Out, because: it is only a test}\n"
    result = run(write(tmp_path, "{press: start_button}\nwait_ms: 20", head=head))
    violation = result.violations[0]
    assert (result.verdict, violation.because, violation.t_ns, violation.values, violation.line) == (
        Verdict.FAILED,
        "it is only a test",
        3 * MS,
        (("Start", True), ("Out", False)),
        4,
    )


def test_rule_that_must_always_hold(tmp_path: Path) -> None:
    head = "rules:\n  - always: rod.position_mm < 25.0\n"
    result = run(write(tmp_path, "override: {rod_valve.14: true}\nwait_ms: 500", head=head))
    name, value = result.violations[0].values[0]
    assert name == "rod.position_mm"
    assert value == pytest.approx(25.0, abs=0.5)


def test_rules_see_the_start(tmp_path: Path) -> None:
    result = run(write(tmp_path, "wait_ms: 1", head="rules:\n  - always: Start\n"))
    assert [violation.t_ns for violation in result.violations] == [0]


def test_scenario_goes_on_after_a_broken_rule(tmp_path: Path) -> None:
    head = "rules:\n  - never: Start\n"
    result = run(write(tmp_path, "{press: start_button}\n{wait_ms: 20}\nexpect: Start", head=head))
    assert [step.verdict for step in result.steps] == [Verdict.PASSED] * 3


def test_forgotten_force_fails_and_is_listed(tmp_path: Path) -> None:
    result = run(write(tmp_path, "force: {Lamp: true}"))
    assert (result.verdict, result.forces_left) == (Verdict.FAILED, ("Lamp",))


STOPS = {
    "division by zero": "Number := 1 / Divisor;",
    "a loop without end": "WHILE TRUE DO Number := 1; END_WHILE;",
}


@pytest.mark.parametrize("started", list(STOPS.values()), ids=list(STOPS))
def test_stopped_logic_is_an_error_with_its_line(tmp_path: Path, started: str) -> None:
    result = run(write(tmp_path, "{press: start_button}\nwait_ms: 100", started=started))
    place = f"the logic stopped: {tmp_path / 'tiny.st'}:{STARTED_LINE}: "
    assert (result.verdict, result.failures[0].sentence[: len(place)]) == (Verdict.ERROR, place)


def test_outputs_are_cleared_when_the_logic_stops(tmp_path: Path) -> None:
    """The controller goes idle; the adapter clears its outputs as its file says."""
    started = "IF Number < 5 THEN Number := Number + 1; ELSE Number := 1 / Divisor; END_IF;"
    result = run(write(tmp_path, "{press: start_button}\n{wait_ms: 200}", started=started))
    assert (result.verdict, result.trace.count("Lamp", rising=True)) == (Verdict.ERROR, 1)


def test_logic_that_stops_in_the_last_instant_is_not_overlooked(tmp_path: Path) -> None:
    """The expectation comes true in the scan's own instant, in which the next scan's fault is not yet due."""
    steps = "{press: start_button}\n{expect: logic.Start, within_ms: 100}"
    result = run(write(tmp_path, steps, started="Number := 1 / Divisor;"))
    assert result.verdict is Verdict.ERROR


CONDITIONS = {
    "a step": ("", "expect: 10 / logic.Divisor = 1"),
    "a waiting step": (
        "",
        "{press: start_button}\n{expect: Start AND 10 / logic.Divisor = 1, within_ms: 50}",
    ),
    "a rule": ("rules:\n  - never: 10 / logic.Divisor = 1\n", "wait_ms: 50"),
}


@pytest.mark.parametrize(("head", "steps"), list(CONDITIONS.values()), ids=list(CONDITIONS))
def test_condition_without_a_value_is_an_error(tmp_path: Path, head: str, steps: str) -> None:
    result = run(write(tmp_path, steps, head=head, started=";"))
    assert (result.verdict, "division by zero" in result.failures[0].sentence) == (Verdict.ERROR, True)


def test_refused_connection_is_an_error_with_the_reason(tmp_path: Path) -> None:
    path = write(tmp_path, "wait_ms: 1", started=";")
    prepared = prepare(path)
    timeline = Timeline()
    world = World(prepared.station, timeline, prepared.program)
    network = MemoryNetwork(timeline)
    world.join_memory(network)
    network.set_cut(True)
    scenario_run = Run(prepared.scenario, world)
    run_virtual(timeline, scenario_run.main())
    result = scenario_run.result(wall_s=0.0, mode="virtual time", lateness_ns=None)
    assert (result.verdict, result.failures[0].sentence) == (
        Verdict.ERROR,
        "the controller got no connection: no answer",
    )
