"""`bench io` as a process against `bench serve` as another, over real sockets."""

from __future__ import annotations

import signal
import subprocess
from pathlib import Path

from interop_serve import AT_REST, BENCH, ROOT, Served, bench, served, until

ADDRESS = "127.0.9.121"


def test_images_are_shown_with_sizes_learned_and_outputs_idle(adapter: Served) -> None:
    done = bench("io", ADDRESS, "--seconds", "1")
    assert (done.returncode, done.stderr) == (0, "")
    said = [f"inputs {AT_REST.hex(' ')}", "Outputs stay idle", "output assembly 150 has 2 bytes", " 0 lost"]
    assert [part for part in said if part not in done.stdout] == []


def test_a_refusal_ends_it_with_the_reason(adapter: Served) -> None:
    done = bench("io", ADDRESS, "--input-size", "2", "--output-size", "3")
    assert (done.returncode, "we asked for 3 + 4 header + 2 count = 9, it takes 8" in done.stdout) == (
        1,
        True,
    )


def test_nobody_there_is_1() -> None:
    done = bench("io", "127.0.9.122")
    assert (done.returncode, "127.0.9.122:44818 refused the TCP connection" in done.stdout) == (1, True)


def test_outputs_need_the_flag_and_then_switch(adapter: Served) -> None:
    asked = ("io", ADDRESS, "--seconds", "1", "--set", "0.0=1")
    refused, moved = bench(*asked), bench(*asked, "--accept-moving-a-machine")
    assert (refused.returncode, "moves a machine" in refused.stderr, moved.returncode) == (2, True, 0)
    said = ["permission of whoever is responsible", "Stored air", "Everybody clear", "Local codes"]
    assert [part for part in said if part not in moved.stdout] == []


def test_a_second_owner_is_told_who_is_in_the_way(adapter: Served, tmp_path: Path) -> None:
    out = tmp_path / "first.out"
    with (
        out.open("wb") as said,
        subprocess.Popen([*BENCH, "io", ADDRESS], cwd=ROOT, stdout=said, stderr=said) as first,
    ):
        until(lambda: "inputs" in out.read_text(), True)
        second = bench("io", ADDRESS)
        first.send_signal(signal.SIGINT)
        status = first.wait(timeout=10)
    told = "another originator owns output assembly 150" in second.stdout
    assert (second.returncode, told, status) == (1, True, 0)


def test_a_connection_that_is_lost_comes_back(tmp_path: Path) -> None:
    address, out = "127.0.9.123", tmp_path / "io.out"
    with out.open("wb") as said:
        with served(address, tmp_path):
            first = subprocess.Popen([*BENCH, "io", address], cwd=ROOT, stdout=said, stderr=said)
            until(lambda: "inputs" in out.read_text(), True)
        until(lambda: "not connected" in out.read_text(), True)
        with served(address, tmp_path):
            until(lambda: out.read_text().count("connected: API"), 2, 15.0)
            first.send_signal(signal.SIGTERM)
            status = first.wait(timeout=10)
    assert (status, "2 connections" in out.read_text()) == (0, True)


def test_one_group_serves_an_owner_and_a_listener(adapter: Served, tmp_path: Path) -> None:
    out = tmp_path / "owner.out"
    with (
        out.open("wb") as said,
        subprocess.Popen([*BENCH, "io", ADDRESS, "--multicast"], cwd=ROOT, stdout=said, stderr=said) as owner,
    ):
        until(lambda: "inputs" in out.read_text(), True)
        listener = bench("io", ADDRESS, "--multicast", "--kind", "listen-only", "--seconds", "1")
        owner.send_signal(signal.SIGINT)
        owner.wait(timeout=10)
    parts = [f"inputs {AT_REST.hex(' ')}", "group 239.192.", " 0 lost"]
    assert [part for part in parts if part not in listener.stdout] == []
    assert (listener.returncode, owner.returncode) == (0, 0)


def test_an_input_only_connection_of_class_0(adapter: Served) -> None:
    done = bench("io", ADDRESS, "--kind", "input-only", "--class", "0", "--seconds", "1")
    assert (done.returncode, f"inputs {AT_REST.hex(' ')}" in done.stdout) == (0, True)
