"""Tests that can fail: a broken program, station or scenario of the dibbler is found, where it should be."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from scenario_files import DIBBLER, run

from bench.report.result import Verdict

MUTANTS = {
    "the plate is always lowered": (
        "dibbler.st",
        "LowerDibble := Step = 20 OR Step = 30;",
        "LowerDibble := TRUE;",
        "one_tray",
    ),
    "the clamp lets go while the pins are in": (
        "dibbler.st",
        "(Step = 900 AND NOT DibbleUp)",
        "FALSE",
        "broken_wire",
    ),
    "the alarm is dropped": ("dibbler.st", "Alarm := TRUE;", ";", "broken_wire"),
    "nobody watches the clamp": ("dibbler.st", "AND NOT TrayClamped", "AND FALSE", "broken_wire"),
    "nobody watches the time": ("dibbler.st", "OR Watch.Q", "", "air_lost"),
    "an emergency stop restarts by itself": (
        "dibbler.st",
        "StartEdge.Q AND Ready",
        "Ready",
        "emergency_stop",
    ),
    "outputs are held when the network is lost": (
        "station.yaml",
        "outputs_on_timeout: clear",
        "outputs_on_timeout: hold",
        "network_lost",
    ),
    "two switches are swapped at the terminals": (
        "station.yaml",
        "{at: DI.1, from: clamp.extended}",
        "{at: DI.1, from: clamp.retracted}",
        "one_tray",
    ),
    "the jet is throttled too far": ("station.yaml", "open_percent: 60", "open_percent: 20", "one_tray"),
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DIBBLER, tmp_path / "dibbler"))


@pytest.mark.parametrize(("file", "old", "new", "scenario"), list(MUTANTS.values()), ids=list(MUTANTS))
def test_mutant_is_found(folder: Path, file: str, old: str, new: str, scenario: str) -> None:
    text = (folder / file).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (folder / file).write_text(text.replace(old, new), encoding="utf-8")
    assert run(folder / f"{scenario}.scenario.yaml").verdict is Verdict.FAILED


def test_unbroken_copy_passes(folder: Path) -> None:
    scenarios = sorted(folder.glob("*.scenario.yaml"))
    assert [path.name for path in scenarios if run(path).verdict is not Verdict.PASSED] == []
