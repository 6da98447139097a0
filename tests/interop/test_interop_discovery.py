"""Two adapters of one bench file, found by broadcast: each answers from its own address."""

from __future__ import annotations

import contextlib
import socket
import warnings
from collections.abc import Iterator

import pytest
from interop_serve import DIBBLER, EXPLICIT_PORT, ROOT, Served, get_single, serving, until
from pycomm3 import CIPDriver

FIRST, SECOND = "127.0.7.51", "127.0.7.52"
BROADCAST = "127.255.255.255"  # of the loopback interface
NAMES = {FIRST: "Dibbler I/O", SECOND: "Loopback I/O"}
BENCH_FILE = f"""
bench: Two stations
stations:
  - {{station: {DIBBLER / "station.yaml"}, address: {FIRST}}}
  - {{station: {ROOT / "scenarios" / "loopback" / "station.yaml"}, address: {SECOND}}}
"""
LIST_IDENTITY = bytes.fromhex("6300 0000 00000000 00000000 f401 000000000000 00000000")  # within 500 ms


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("two")
    file = folder / "two.bench.yaml"
    file.write_text(BENCH_FILE)
    with serving(FIRST, folder, file) as running:
        yield running


def discovered() -> dict[str, str]:
    """Adapters of this test by address; others on this computer may answer too."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # it leaves its socket to the garbage collector
        found = {device["ip_address"]: device["product_name"] for device in CIPDriver.discover(BROADCAST)}
    return {address: name for address, name in found.items() if address in NAMES}


def test_both_are_discovered_by_broadcast(both: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", lambda *name: [])  # so that it asks once, on no interface
    assert until(discovered, NAMES, 20.0) == NAMES


def test_each_answers_once_and_from_its_own_address(both: Served) -> None:
    answers: list[tuple[str, int, bool]] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
        asker.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        asker.sendto(LIST_IDENTITY, (BROADCAST, EXPLICIT_PORT))
        with contextlib.suppress(TimeoutError):
            while True:
                asker.settimeout(5 if len(answers) < 2 else 0.6)  # then for second ones
                data, (host, port) = asker.recvfrom(1000)
                if host in NAMES:
                    answers.append((host, port, NAMES[host].encode() in data))
    assert sorted(answers) == [(FIRST, EXPLICIT_PORT, True), (SECOND, EXPLICIT_PORT, True)]


def test_each_has_a_physical_address_of_its_own(both: Served) -> None:
    assert [get_single(address, 0xF6, 1, 3) for address in NAMES] == [
        bytes.fromhex("0200 0d1b0001"),
        bytes.fromhex("0200 0d1b0002"),
    ]
