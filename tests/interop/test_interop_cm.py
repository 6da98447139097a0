"""The PyPI package cm-ethernetip: its scanner against our adapter, our scanner against its adapter.

It shares its import name with the package ethernetip, so it has an environment of its own.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from interop_serve import AT_REST, PRODUCT_NAME, ROOT, Process, Served, bench, started

ADDRESS, OWN = "127.0.7.41", "127.0.7.42"
PEER = "127.0.7.43"
PYTHON = ROOT / ".venv-peers" / "bin" / "python"
SCRIPT = Path(__file__).with_name("peer_cm.py")
NAME = (bytes((len(PRODUCT_NAME),)) + PRODUCT_NAME.encode()).hex()


def command(*arguments: str) -> tuple[str, ...]:
    assert PYTHON.exists(), f"{PYTHON} is missing: sh tests/peers.sh makes it"
    return (str(PYTHON), "-P", str(SCRIPT), *arguments)


def scan(transport_class: int, output_size: int, input_size: int, data: str) -> dict[str, Any]:
    """What its scanner reports; sizes as it wants them told, which is without the 16-bit count."""
    numbers = map(str, (transport_class, output_size, input_size))
    done = subprocess.run(
        command("scanner", OWN, ADDRESS, *numbers, data), capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    report: dict[str, Any] = json.loads(done.stdout)
    return report


@pytest.fixture(scope="module")
def peer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Process]:
    """Its adapter."""
    with started(tmp_path_factory.mktemp("peer"), "peer", *command("adapter", PEER)) as process:
        assert process.says("Running"), process.err.read_text()
        yield process


def test_its_scanner_forgets_the_count_and_reads_in_the_log_what_is_right(adapter: Served) -> None:
    report = scan(1, 2, 2, "0100")
    told = adapter.says(
        f"originator {OWN} asked for 6 output bytes; output assembly 150 takes 2 + 4 header + 2 count = 8"
    )
    assert (report, told) == (
        {"names": [NAME, NAME], "refused": "Forward Open failed: status=0x01"},
        True,
    )


@pytest.mark.parametrize(
    ("transport_class", "sizes", "data", "inputs"),
    [
        # the count it forgets counted in by hand
        pytest.param(1, (4, 4), "0100", AT_REST.hex() + "0000", id="class 1"),
        # in class 0 it leaves the run/idle header to its user
        pytest.param(0, (6, 2), "010000000100", AT_REST.hex(), id="class 0"),
    ],
)
def test_its_scanner_owns_our_adapter(
    adapter: Served, transport_class: int, sizes: tuple[int, int], data: str, inputs: str
) -> None:
    report = scan(transport_class, *sizes, data)
    assert report == {"names": [NAME, NAME], "inputs": inputs, "outputs": "0100", "after": "0000"}


def test_probe_reads_its_adapter(peer: Process) -> None:
    done = bench("probe", PEER)
    assert (done.returncode, [word for word in ("Peer", PEER) if word not in done.stdout]) == (0, [])


@pytest.mark.parametrize(
    ("options", "inputs"),
    [
        pytest.param((), "00 00 00 00", id="idle owner, sizes learned"),
        pytest.param(("--accept-moving-a-machine", "--set", "0.3=1"), "08 00 00 00", id="owner in run"),
        pytest.param(("--kind", "input-only", "--heartbeat", "152"), "", id="input-only"),  # as left behind
        pytest.param(
            ("--class", "0", "--input-size", "4", "--output-size", "4"), "00 00 00 00", id="class 0"
        ),
    ],
)
def test_our_scanner_exchanges_data_with_its_adapter(
    peer: Process, options: tuple[str, ...], inputs: str
) -> None:
    done = bench("io", PEER, "--multiplier", "64", "--seconds", "0.8", *options)
    said = [f"Last inputs: {inputs}", ", 0 lost"]
    assert (done.returncode, [words for words in said if words not in done.stdout]) == (0, [])


def test_an_adapter_without_multicast_is_named_and_heard_all_the_same(peer: Process) -> None:
    done = bench("io", PEER, "--multicast", "--multiplier", "64", "--seconds", "0.8")
    said = ["item 0x8001 names 0.0.0.0; expected a multicast group", "Last inputs: "]
    assert (done.returncode, [words for words in said if words not in done.stdout]) == (0, [])


def test_its_refusal_is_told_in_our_words(peer: Process) -> None:
    done = bench("io", PEER, "--input", "99", "--input-size", "4", "--output-size", "4")
    # its code for an unknown assembly; not what the standard has for it, but what was received
    assert (done.returncode, "0x0116 revision mismatch; we sent no electronic key" in done.stdout) == (
        1,
        True,
    )
