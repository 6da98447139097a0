"""A scenario without logic: the outputs belong to a scanner from outside."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from interop_scanner import scanner_at
from interop_serve import ROOT, accepts, until

ADDRESS = "127.0.7.9"
LAMP_READY = 0
SCENARIO = """
scenario: A scanner from outside lights a lamp
station: {station}
limit_ms: 30000
steps:
  - expect: adapter.running
    within_ms: 20000
  - expect: LampReady AND ready_lamp.lit
    within_ms: 5000
"""


@pytest.fixture
def run(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    path = tmp_path / "outside.scenario.yaml"
    path.write_text(SCENARIO.format(station=ROOT / "scenarios" / "dibbler" / "station.yaml"))
    command = [sys.executable, "-m", "bench", "run", "--real-time", "--listen", ADDRESS, str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        yield process
        process.kill()


def test_a_scanner_from_outside_meets_the_expectations(run: subprocess.Popen[str]) -> None:
    assert until(lambda: accepts(ADDRESS), True, 15.0)
    with scanner_at(ADDRESS) as scanner:
        assert scanner.open() == 0
        scanner.outputs[LAMP_READY] = True
        scanner.connection.produce()
        report, _ = run.communicate(timeout=30)
    assert (run.returncode, report.split()[0]) == (0, "PASSED")
