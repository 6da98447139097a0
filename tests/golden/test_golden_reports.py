"""Every scenario's report is as it was looked at and kept.

Keep new ones with `BENCH_GOLDEN=write python -m pytest tests/golden`, and look at the difference.
"""

from __future__ import annotations

import dataclasses
import io
import os
from pathlib import Path

import pytest
from rich.console import Console

from bench.report.terminal import render_scenario
from bench.suite import prepare, run_one

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted((ROOT / "scenarios").rglob("*.scenario.yaml"))
WIDTH = 80


def golden_file(scenario: Path) -> Path:
    """`dibbler/one_tray.scenario.yaml` has `dibbler/golden/one_tray.txt`."""
    return scenario.parent / "golden" / f"{scenario.name.removesuffix('.scenario.yaml')}.txt"


def report(scenario: Path) -> str:
    """The terminal report without colour, and without what another computer would tell differently."""
    result = run_one(prepare(scenario))
    file = scenario.relative_to(ROOT).as_posix()
    # no wall time: no ratio to real time; the digest goes over the last bit of every number
    steady = dataclasses.replace(result, file=file, wall_s=0.0, digest="*" * 12)
    page = io.StringIO()
    console = Console(
        file=page, width=WIDTH, color_system=None, force_terminal=False, highlight=False, legacy_windows=False
    )
    render_scenario(steady, console)
    return "".join(f"{line.rstrip()}\n" for line in page.getvalue().splitlines())


@pytest.mark.parametrize("scenario", SCENARIOS, ids=[path.name for path in SCENARIOS])
def test_report_is_the_golden_one(scenario: Path) -> None:
    text, kept = report(scenario), golden_file(scenario)
    if os.environ.get("BENCH_GOLDEN") == "write":
        kept.parent.mkdir(exist_ok=True)
        kept.write_text(text, encoding="utf-8")
    assert text == kept.read_text(encoding="utf-8")


def test_no_golden_report_without_a_scenario() -> None:
    folders = {path.parent / "golden" for path in SCENARIOS}
    kept = {file for folder in folders for file in folder.iterdir()}
    assert kept == {golden_file(path) for path in SCENARIOS}
