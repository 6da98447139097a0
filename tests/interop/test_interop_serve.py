"""`bench serve` as a command: how it ends, and what it says when a port cannot be had."""

from __future__ import annotations

import signal
import socket
from pathlib import Path

import pytest
from interop_scanner import scanner_at
from interop_serve import (
    AT_REST_BITS,
    DIBBLER,
    EXPLICIT_PORT,
    IO_PORT,
    PRODUCT_NAME,
    Served,
    bench,
    served,
    until,
)

ADDRESS = "127.0.7.7"
OTHER = "127.0.7.8"
STATION = str(DIBBLER / "station.yaml")
REMEDY = "close the other program that uses it, or choose another address with --listen"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_with_a_summary(tmp_path: Path, number: signal.Signals) -> None:
    with served(OTHER, tmp_path) as running:
        said = running.stop(number)
    assert (running.process.returncode, running.err.read_text(), f"s at {OTHER}." in said) == (0, "", True)


def test_it_says_what_is_exposed(adapter: Served) -> None:
    said = " ".join(adapter.out.read_text().split())
    wanted = (
        f"on {ADDRESS}: TCP and UDP {EXPLICIT_PORT} (explicit), UDP {IO_PORT} (I/O)",
        "no access control",
    )
    assert [words for words in wanted if words not in said] == []


def test_the_summary_counts_frames_and_time(tmp_path: Path) -> None:
    with served(OTHER, tmp_path, "--seconds", "1") as running:
        with scanner_at(OTHER) as scanner:
            scanner.open()
            scanner.connection.produce()
            until(lambda: scanner.on, AT_REST_BITS)
            running.process.wait(timeout=10)
        said = running.out.read_text().splitlines()[-3:]
    frames = [int(word) for word in said[1].split() if word.isdigit()]
    assert (running.process.returncode, said[0], frames[0], min(frames) > 0) == (
        0,
        f"Served 1.0 s at {OTHER}.",
        1,
        True,
    )


def test_a_quiet_station_has_served_as_long_as_it_was_told(tmp_path: Path) -> None:
    with served(OTHER, tmp_path, "--seconds", "0.5") as running:
        running.process.wait(timeout=10)
    assert f"Served 0.5 s at {OTHER}." in running.out.read_text()


def test_it_starts_again_at_once_after_a_link_was_open(tmp_path: Path) -> None:
    with served(OTHER, tmp_path) as first, socket.create_connection((OTHER, EXPLICIT_PORT), 5):
        first.stop()
    with served(OTHER, tmp_path):
        done = bench("probe", OTHER)
    assert PRODUCT_NAME in done.stdout


def test_a_second_adapter_at_the_same_address_is_told_why(adapter: Served) -> None:
    done = bench("serve", STATION, "--listen", ADDRESS, "--seconds", "5")
    sentence = f"bench: TCP port {EXPLICIT_PORT} of {ADDRESS}: the port is in use; {REMEDY}\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", sentence)


@pytest.mark.parametrize("port", [EXPLICIT_PORT, IO_PORT])
def test_a_datagram_port_in_use_is_named(port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((OTHER, port))
        done = bench("serve", STATION, "--listen", OTHER, "--seconds", "5")
    sentence = f"bench: UDP port {port} of {OTHER}: the port is in use; {REMEDY}\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, "", sentence)


def test_an_address_of_another_computer_is_named() -> None:
    done = bench("serve", STATION, "--listen", "192.0.2.1", "--seconds", "5")
    assert (done.returncode, done.stdout, "192.0.2.1: no such address here" in done.stderr) == (2, "", True)
