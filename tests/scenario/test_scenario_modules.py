"""Modules that go missing and an adapter that loses its power, as scenario steps."""

from __future__ import annotations

from pathlib import Path

import pytest
from scenario_files import STATION, run

from bench.clock import Timeline
from bench.errors import LocalError, WrongFiles
from bench.net.memory import MemoryNetwork
from bench.report.result import ScenarioResult, Verdict
from bench.suite import prepare, read_station
from bench.world import MINOR_RECOVERABLE, World

MS = 1_000_000
PROGRAM = """\
PROGRAM Tiny
VAR_INPUT Start : BOOL; END_VAR
VAR_OUTPUT Lamp : BOOL; END_VAR
Lamp := TRUE;
END_PROGRAM
"""
STATUS = "  - {name: ST, kind: module_status}\n"


def write(folder: Path, steps: str, logic: bool = False) -> Path:
    """A scenario of *steps* in the tiny station with a module status; the program holds Lamp on."""
    station = STATION.replace("points:\n  Start", f"{STATUS}points:\n  InputsGone: {{at: ST.0}}\n  Start")
    (folder / "station.yaml").write_text(station, encoding="utf-8")
    (folder / "tiny.st").write_text(PROGRAM, encoding="utf-8")
    head = "logic: tiny.st\n" if logic else ""
    lines = "".join(f"  - {line}\n" for line in steps.strip().splitlines())
    path = folder / "tiny.scenario.yaml"
    path.write_text(f"scenario: Tiny\nstation: station.yaml\n{head}steps:\n{lines}", encoding="utf-8")
    return path


def ran(folder: Path, steps: str, logic: bool = False) -> ScenarioResult:
    return run(write(folder, steps, logic))


@pytest.mark.parametrize("kind", ["module_missing", "module_fault"])
def test_a_missing_input_module_reads_false_and_is_told(tmp_path: Path, kind: str) -> None:
    steps = f"press: start_button\nwait_ms: 10\nfault: {{{kind}: DI}}\nwait_ms: 1\n"
    steps += f"clear: {{{kind}: DI}}\nwait_ms: 9"
    trace = ran(tmp_path, steps).trace
    assert (trace.changes("Start"), trace.changes("InputsGone")) == (
        [(0, False), (3 * MS, True), (10 * MS, False), (14 * MS, True)],
        [(0, False), (10 * MS, True), (11 * MS, False)],
    )


def test_a_missing_output_module_lets_go(tmp_path: Path) -> None:
    steps = "{expect: green_lamp.lit, within_ms: 50}\nfault: {module_missing: DQ}\n"
    steps += "{expect: NOT green_lamp.lit AND ST.1, within_ms: 50}\nclear: {module_missing: DQ}\n"
    steps += "{expect: green_lamp.lit AND NOT ST.1, within_ms: 50}"
    assert ran(tmp_path, steps, logic=True).verdict is Verdict.PASSED


def test_two_faults_of_one_module_are_over_when_both_are(tmp_path: Path) -> None:
    steps = (
        "fault: {module_missing: DI}\nfault: {module_fault: DI}\nclear: {module_missing: DI}\nwait_ms: 1\n"
    )
    steps += "expect: InputsGone\nclear: {module_fault: DI}\nwait_ms: 1\nexpect: NOT InputsGone"
    assert ran(tmp_path, steps).verdict is Verdict.PASSED


def test_the_module_is_named_when_there_is_none(tmp_path: Path) -> None:
    with pytest.raises(WrongFiles) as caught:
        prepare(write(tmp_path, "fault: {module_missing: DX}"))
    assert "there is no target of module_missing 'DX'; expected 'DI' or 'DQ'" in str(caught.value.mistakes[0])


def test_the_outputs_go_off_with_the_adapters_power_and_come_back(tmp_path: Path) -> None:
    steps = "{expect: green_lamp.lit, within_ms: 50}\nfault: {power_loss: adapter}\n"
    steps += (
        "{expect: NOT green_lamp.lit AND NOT adapter.connected, for_ms: 500}\nclear: {power_loss: adapter}\n"
    )
    steps += "{expect: adapter.running, within_ms: 20000}\n{expect: green_lamp.lit, within_ms: 50}"
    assert ran(tmp_path, steps, logic=True).verdict is Verdict.PASSED


def world(folder: Path) -> World:
    write(folder, "wait_ms: 1")
    timeline = Timeline()
    built = World(read_station(folder / "station.yaml"), timeline)
    built.join_memory(MemoryNetwork(timeline))
    built.start()
    timeline.run_until(10 * MS)
    return built


def test_the_identity_status_tells_of_faulted_modules(tmp_path: Path) -> None:
    one = world(tmp_path)
    words = []
    for active in (True, False):
        one.fault("module_fault", "DQ", active)
        words.append(one.adapter.status_word & MINOR_RECOVERABLE)
    assert words == [MINOR_RECOVERABLE, 0]


def test_after_a_power_cycle_the_adapter_is_another_with_nothing_left(tmp_path: Path) -> None:
    one = world(tmp_path)
    before = one.adapter
    one.press("start_button")
    one.timeline.run_until(20 * MS)
    one.fault("power_loss", "adapter", True)
    dark = (one.rack.input_image, one.powered)
    one.fault("power_loss", "adapter", False)
    one.timeline.run_until(30 * MS)
    assert (dark, one.adapter is before, one.adapter.inputs) == ((b"\0\0", False), False, b"\x01\0")


def test_a_module_fault_outlives_a_power_cycle(tmp_path: Path) -> None:
    one = world(tmp_path)
    one.fault("module_missing", "DI", True)
    for active in (True, False):
        one.fault("power_loss", "adapter", active)
    one.timeline.run_until(20 * MS)
    assert (one.adapter.status_word & MINOR_RECOVERABLE, one.adapter.inputs) == (MINOR_RECOVERABLE, b"\0\x01")


def test_the_module_fault_of_no_module_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LocalError, match="there is no module DX"):
        world(tmp_path).fault("module_fault", "DX", True)
