from __future__ import annotations

import dataclasses
import subprocess
import sys

import pytest

from bench.report import ScenarioResult, SuiteResult, Verdict


@pytest.mark.parametrize(
    ("verdicts", "verdict", "status"),
    [
        ([Verdict.PASSED, Verdict.PASSED], Verdict.PASSED, 0),
        ([Verdict.PASSED, Verdict.FAILED], Verdict.FAILED, 1),
        ([Verdict.ERROR, Verdict.FAILED], Verdict.ERROR, 1),
        ([], Verdict.ERROR, 1),
    ],
)
def test_suite_verdict(
    passed: ScenarioResult, verdicts: list[Verdict], verdict: Verdict, status: int
) -> None:
    suite = SuiteResult(tuple(dataclasses.replace(passed, verdict=each) for each in verdicts))
    assert (suite.verdict, suite.exit_status) == (verdict, status)


def test_results_do_not_import_the_renderer() -> None:
    code = "import sys, bench.report.result, bench.report.junit; sys.exit('rich' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
