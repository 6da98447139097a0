"""The `network:` of a scenario: how bad the link is, and what is wrong with a wrong one."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.errors import WrongFiles
from bench.suite import prepare, run_one

DIBBLER = Path(__file__).parents[2] / "scenarios" / "dibbler"
STEPS = "steps:\n  - expect: adapter.connected\n    within_ms: 900\n  - wait_ms: 1000\n"


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    for name in ("station.yaml", "dibbler.st"):
        (tmp_path / name).write_text((DIBBLER / name).read_text(encoding="utf-8"), encoding="utf-8")
    return tmp_path / "network.scenario.yaml"


def write(file: Path, network: str) -> Path:
    head = "scenario: A network\nstation: station.yaml\nlogic: dibbler.st\n"
    file.write_text(f"{head}network: {network}\n{STEPS}", encoding="utf-8")
    return file


def test_a_network_that_loses_every_datagram_brings_nobody_to_run(scenario: Path) -> None:
    worst = run_one(prepare(write(scenario, "{loss_percent: 100}")))
    # the forward open goes over a stream, which loses nothing: the connection stands until its watchdog
    assert (worst.trace.value("adapter.connected"), worst.trace.value("adapter.running")) == (True, False)


def test_the_seed_decides(scenario: Path) -> None:
    terms = "{{loss_percent: 30, jitter_ms: 3, seed: {}}}"
    digests = [run_one(prepare(write(scenario, terms.format(seed)))).digest for seed in (1, 1, 2)]
    assert digests[0] == digests[1] != digests[2]


@pytest.mark.parametrize(
    ("network", "told"),
    [
        ("{los_percent: 1}", "there is no key of a network 'los_percent'; did you mean 'loss_percent'"),
        ("{loss_percent: 101}", "expected a number, 0 to 100, got 101"),
        ("{seed: 1.5}", "expected a whole number, 0 to 4294967295, got 1.5"),
        ("{latency_ms: -1}", "expected a time in ms"),
        ("bad", "expected a mapping with some of latency_ms, jitter_ms"),
    ],
)
def test_a_wrong_network_is_told(scenario: Path, network: str, told: str) -> None:
    with pytest.raises(WrongFiles) as caught:
        prepare(write(scenario, network))
    assert told in str(caught.value)
