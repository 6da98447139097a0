"""What a run leaves behind for the person who has to find out why."""

from __future__ import annotations

from pathlib import Path

import pytest
from scenario_files import run, write

from bench.cli import main
from bench.errors import WrongFiles
from bench.report.result import Verdict
from bench.suite import Prepared, Stopped, prepare, run_suite

RULE = "rules:\n  - {never: Lamp AND rod.position_mm < 1.0, because: it lies}\n"


def test_broken_rule_tells_the_instant_the_values_and_what_led_there(tmp_path: Path) -> None:
    result = run(write(tmp_path, "{hold: start_button, for_ms: 100}", head=RULE, started=";"))
    broken = result.violations[0]
    led = [change.signal for change in broken.last_changes]
    assert (result.verdict, dict(broken.values)["Lamp"], "green_lamp.lit" in led) == (
        Verdict.FAILED,
        True,
        True,
    )


def test_trace_names_its_scenario(tmp_path: Path) -> None:
    result = run(write(tmp_path, "wait_ms: 1"))
    assert next(result.trace.lines('a "b"')).endswith(',"scenario":"a \\"b\\""}')


def test_truth_value_cannot_change_gradually(tmp_path: Path) -> None:
    path = write(tmp_path, "{set: {beam.blocked: true}, over_ms: 300}")
    with pytest.raises(WrongFiles, match=r"over_ms: beam\.blocked is true or false"):
        prepare(path)


def test_missing_file_is_named_where_the_scenario_names_it(tmp_path: Path) -> None:
    path = write(tmp_path, "wait_ms: 1")
    path.write_text(path.read_text().replace("station: station.yaml", "station: staton.yaml"))
    with pytest.raises(
        WrongFiles, match=r":2:\d+: station: there is no file 'staton.yaml' here; did you mean"
    ):
        prepare(path)


def test_stopped_run_keeps_what_was_done(tmp_path: Path) -> None:
    prepared = [prepare(write(tmp_path, "wait_ms: 1"))] * 2
    results = iter([run(write(tmp_path, "wait_ms: 1"))])

    def once(item: Prepared) -> object:
        try:
            return next(results)
        except StopIteration:
            raise KeyboardInterrupt from None

    with pytest.raises(Stopped) as stopped:
        run_suite(prepared, once, lambda done: None)  # type: ignore[arg-type]
    assert len(stopped.value.done.scenarios) == 1


@pytest.mark.parametrize("path", ["nowhere/trace.jsonl", "mine.scenario.yaml", "mine.st"])
def test_results_are_not_written_over_the_persons_files(
    path: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario = write(tmp_path, "wait_ms: 1")
    status = main(["run", str(scenario), "--trace", str(tmp_path / path)])
    assert (status, (tmp_path / path).exists(), capsys.readouterr().out) == (2, False, "")


def test_listen_without_real_time_is_a_wrong_call(tmp_path: Path) -> None:
    assert main(["run", str(write(tmp_path, "wait_ms: 1")), "--listen", "127.0.0.1"]) == 2


def test_what_is_left_on_is_noted_and_does_not_fail(tmp_path: Path) -> None:
    steps = "press: start_button\noverride: {rod_valve.14: true}\nfault: {wire_break: Out}"
    result = run(write(tmp_path, steps))
    assert (result.verdict, result.notes) == (
        Verdict.PASSED,
        (
            "start_button is still pressed",
            "override rod_valve.14 is still on",
            "fault wire_break.Out is still on",
        ),
    )
