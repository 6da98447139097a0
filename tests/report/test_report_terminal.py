from __future__ import annotations

import dataclasses
import io

import pytest
from rich.console import Console

from bench.report import ScenarioResult, SuiteResult, Verdict
from bench.report.terminal import render_suite

PASSED = """\
PASSED  One tray is clamped
  one_tray.scenario.yaml
  1.000 s virtual time, 100 x real time, trace 0123456789ab

  #  step                 expected  seen    at ms
  ────────────────────────────────────────────────────
  1  press: start_button                  100.000  ok
  2  expect: Clamped      Clamped   TRUE  400.000  ok

                         ┍━━━━┑
  Start             ─────┘    └────────────────────────────────────────
                                        ┍━━━━━━━━━━━━━━┑
  Clamped           ────────────────────┘              └───────────────
  logic.State       │Idle     │Clamp
  clamp.position_mm ▁▁▁▁▁▁▁▁▁▁▁▁▃▃▃▅▅▆▆▆███████████████████████████████ 0…100 mm
                                        ▲2
                    ┴─────────┴─────────┴─────────┴─────────┴─────────┴
  ms                0         200       400       600       800    1000
  ▲n expectation of step n seen

1 scenario: 1 passed, 0 failed; 1.000 s simulated in 0.010 s (100 x real time)
"""
FAILED = """\
FAILED  A broken wire [red]raises[/red] the alarm
  one_tray.scenario.yaml
  1.000 s virtual time, 100 x real time, trace 0123456789ab

  #  step                        expected             seen      at ms
  ─────────────────────────────────────────────────────────────────────────────
  1  press: start_button                                      100.000  ok
  2  expect: Clamped             Clamped              TRUE    400.000  ok
  3  expect: Alarm               Alarm within 300 ms  FALSE  1000.000  FAILED
  4  expect: [b]NOT[/b] Clamped  NOT Clamped                        -  not run

  FAILED at step 3, bench time 1000.000 ms
    Alarm did not come.
    expected  Alarm within 300 ms
    seen      Alarm stayed FALSE
    where     one_tray.scenario.yaml:11
    last changes of the signals involved
      200.000 ms  Start    FALSE
      400.000 ms  Clamped  TRUE
      700.000 ms  Clamped  FALSE

  RULE R1 BROKEN, bench time 700.000 ms
    rule      never NOT Clamped
    because   the tray moves
    values    Clamped FALSE
    where     one_tray.scenario.yaml:5

  FORCE LEFT ON  Clamped forced TRUE since 20.000 ms
  note: seed 7

                         ┍━━━━┑
  Start             ─────┘    └────────────────────────────────────────
                                        ┍━━━━━━━━━━━━━━┑
  Clamped           ────────────────────┘              └───────────────
  logic.State       │Idle     │Clamp
  clamp.position_mm ▁▁▁▁▁▁▁▁▁▁▁▁▃▃▃▅▅▆▆▆███████████████████████████████ 0…100 mm
                                        ▲2             ✗R1           3✗
                    ┴─────────┴─────────┴─────────┴─────────┴─────────┴
  ms                0         200       400       600       800    1000
  ▲n expectation of step n seen   ✗n step n failed   ✗Rn rule broken

1 scenario: 0 passed, 1 failed; 1.000 s simulated in 0.010 s (100 x real time)
"""
FAILED_ASCII = """\
FAILED  A broken wire [red]raises[/red] the alarm
  one_tray.scenario.yaml
  1.000 s virtual time, 100 x real time, trace 0123456789ab

  #  step                        expected             seen      at ms
  1  press: start_button                                      100.000  ok
  2  expect: Clamped             Clamped              TRUE    400.000  ok
  3  expect: Alarm               Alarm within 300 ms  FALSE  1000.000  FAILED
  4  expect: [b]NOT[/b] Clamped  NOT Clamped                        -  not run

  FAILED at step 3, bench time 1000.000 ms
    Alarm did not come.
    expected  Alarm within 300 ms
    seen      Alarm stayed FALSE
    where     one_tray.scenario.yaml:11
    last changes of the signals involved
      200.000 ms  Start    FALSE
      400.000 ms  Clamped  TRUE
      700.000 ms  Clamped  FALSE

  RULE R1 BROKEN, bench time 700.000 ms
    rule      never NOT Clamped
    because   the tray moves
    values    Clamped FALSE
    where     one_tray.scenario.yaml:5

  FORCE LEFT ON  Clamped forced TRUE since 20.000 ms
  note: seed 7

                          ____
  Start             _____|    |_______________________________________
                                         ______________
  Clamped           ____________________|              |______________
  logic.State       |Idle     |Clamp
  clamp.position_mm ____________:::==+++############################## 0..100 mm
                                        ^2             XR1          3X
                    +---------+---------+---------+---------+--------+
  ms                0         200       400       600       800   1000
  ^n expectation of step n seen   Xn step n failed   XRn rule broken

1 scenario: 0 passed, 1 failed; 1.000 s simulated in 0.010 s (100 x real time)
"""


def rendered(
    *scenarios: ScenarioResult, width: int = 80, encoding: str = "utf-8", verbose: bool = True
) -> str:
    raw = io.BytesIO()
    file = io.TextIOWrapper(raw, encoding=encoding, newline="\n", write_through=True)
    render_suite(SuiteResult(scenarios), Console(file=file, width=width), verbose)
    text = raw.getvalue().decode(encoding)
    return "".join(line.rstrip() + "\n" for line in text.splitlines())


def test_passed_at_80_columns(passed: ScenarioResult) -> None:
    assert rendered(passed) == PASSED


def test_failed_at_80_columns(failed: ScenarioResult) -> None:
    assert rendered(failed) == FAILED


def test_failed_in_an_ascii_log(failed: ScenarioResult) -> None:
    assert rendered(failed, encoding="ascii") == FAILED_ASCII


@pytest.mark.parametrize("width", [1, 20, 40, 80, 120, 300])
def test_no_line_is_wider_than_the_console(failed: ScenarioResult, width: int) -> None:
    assert max(len(line) for line in rendered(failed, width=width).splitlines()) <= width


def test_not_verbose_shows_a_pass_in_one_line(passed: ScenarioResult) -> None:
    assert rendered(passed, verbose=False).splitlines() == [
        "PASSED  One tray is clamped",
        "1 scenario: 1 passed, 0 failed; 1.000 s simulated in 0.010 s (100 x real time)",
    ]


def test_not_verbose_shows_a_failure_in_full(failed: ScenarioResult) -> None:
    assert rendered(failed, verbose=False) == FAILED


def test_a_paced_run_states_its_lateness(passed: ScenarioResult) -> None:
    paced = dataclasses.replace(passed, mode="real time", lateness_ns=123_456, wall_s=0.0)
    assert "  1.000 s real time, latest event 0.123 ms late, trace 0123456789ab\n" in rendered(paced)


def test_control_characters_do_not_reach_the_terminal(passed: ScenarioResult) -> None:
    nasty = dataclasses.replace(passed, title="a\x1b[2Jb\r\nc", forces_left=("x\x07\u202ey",))
    text = rendered(nasty)
    assert ("a [2Jb c" in text, "FORCE LEFT ON  x y" in text, "\x1b" in text) == (True, True, False)


def test_the_verdict_is_coloured_on_a_terminal(passed: ScenarioResult) -> None:
    file = io.StringIO()
    console = Console(file=file, width=80, force_terminal=True, color_system="standard", no_color=False)
    render_suite(SuiteResult((passed,)), console, verbose=False)
    assert "\x1b[1;32mPASSED" in file.getvalue()


def test_errors_are_counted_apart(failed: ScenarioResult) -> None:
    stopped = dataclasses.replace(failed, verdict=Verdict.ERROR, wall_s=0.0)
    summary = rendered(stopped).splitlines()[-1]
    assert summary == "1 scenario: 0 passed, 0 failed, 1 error; 1.000 s simulated in 0.000 s"
