"""The adapter loses its power, and its cable, while a scanner from outside is connected to it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
from interop_capture import ERROR, captured, tshark
from interop_serve import BENCH, ROOT, accepts, io_beside, started, until

ADDRESS = "127.0.7.81"
SCENARIO = f"""
scenario: Power and cable are lost
station: {ROOT / "scenarios" / "loopback" / "station.yaml"}
limit_ms: 100000
steps:
  - expect: adapter.connected
    within_ms: 20000
  - wait_ms: 200
  - fault: {{power_loss: adapter}}
  - expect: NOT adapter.connected
    within_ms: 5000
  - wait_ms: 400
  - clear: {{power_loss: adapter}}
  - expect: adapter.connected
    within_ms: 30000
  - wait_ms: 200
  - fault: {{link_down: adapter}}
  - expect: NOT adapter.connected
    within_ms: 5000
  - clear: {{link_down: adapter}}
  - expect: adapter.connected
    within_ms: 30000
  - wait_ms: 200
"""


@dataclass(frozen=True)
class Told:
    pcap: Path
    report: str
    status: int
    scanner: str


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Told:
    folder = tmp_path_factory.mktemp("power")
    file, pcap = folder / "power.scenario.yaml", folder / "power.pcapng"
    file.write_text(SCENARIO)
    run = (*BENCH, "run", "--real-time", "--listen", ADDRESS, str(file))
    with captured(ADDRESS, pcap), started(folder, "run", *run) as adapter:
        until(lambda: accepts(ADDRESS), True, 15.0)
        with io_beside(folder, "io", ADDRESS, "--multiplier", "16") as scanner:
            status = adapter.process.wait(timeout=100)
            scanner.end()
    return Told(pcap, adapter.said, status, scanner.said)


def test_the_scanner_is_back_after_each_loss(told: Told) -> None:
    assert (told.status, told.report.split()[:1]) == (0, ["PASSED"])


def test_the_scanner_tells_each_loss_and_each_return(told: Told) -> None:
    lost, back = "  not connected: no T->O frame for 160 ms", "  connected: API 10 ms"
    # a busy computer may add losses of its own, and the end of the run may be one
    assert (told.scanner.count(lost) >= 2, told.scanner.count(back) >= 3) == (True, True)


def test_the_life_after_a_power_loss_has_connection_ids_of_its_own(told: Told) -> None:
    granted = "cip.service == 0xd4 && cip.genstat == 0"
    ids = [int(row[0], 16) for row in tshark(told.pcap, granted, "cip.cm.ot_connid")]
    lives = [number >> 16 for number in ids]  # the upper half is new at each start
    starts = [after for before, after in pairwise(lives) if after != before]
    assert (len(ids) >= 3, len(set(ids)) == len(ids), len(starts)) == (True, True, 1)


def test_no_frame_is_malformed(told: Told) -> None:
    assert tshark(told.pcap, ERROR) == []
