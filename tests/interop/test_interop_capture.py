"""What the bench puts on the wire, judged by the decoders of the Debian package tshark."""

from __future__ import annotations

import json
import socket
from itertools import pairwise
from pathlib import Path

import pytest
from interop_capture import ERROR, Cyclic, captured, changes, cyclic, tshark
from interop_scanner import scanner_at
from interop_serve import AT_REST, AT_REST_BITS, DIBBLER, IO_PORT, OUTPUT, Served, bench, get_single, until
from pycomm3 import CIPDriver

ADDRESS = "127.0.7.4"
RUN_ADDRESS = "127.0.7.5"
NOBODY = "127.0.7.9"
SCANNER = "127.0.0.1"
LONGEST_GAP_S = 0.1
TAGS = {"TrayPresent": 0, "TrayClamped": 1, "DibbleDown": 3, "Ejected": 5, "JetFlow": 7, "Start": 9}


@pytest.fixture(scope="module")
def served_pcap(adapter: Served, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Explicit messages and one I/O connection, which sets LampReady, then LampRun beside it."""
    pcap = tmp_path_factory.mktemp("served") / "served.pcapng"
    with captured(ADDRESS, pcap), scanner_at(ADDRESS) as scanner:
        CIPDriver.list_identity(ADDRESS)
        scanner.outputs[0] = True
        scanner.open()
        scanner.connection.produce()
        until(lambda: get_single(ADDRESS, 4, OUTPUT, 3), b"\x01\x00")
        scanner.outputs[1] = True
        until(lambda: get_single(ADDRESS, 4, OUTPUT, 3), b"\x03\x00")
        until(lambda: scanner.on, AT_REST_BITS)
        scanner.close()
    return pcap


@pytest.fixture(scope="module")
def run_pcap(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """One tray over real sockets between the embedded controller and the adapter: capture and trace."""
    folder = tmp_path_factory.mktemp("run")
    trace = folder / "trace.jsonl"
    arguments = ("--listen", RUN_ADDRESS, "--trace", str(trace), str(DIBBLER / "one_tray.scenario.yaml"))
    for attempt in range(6):  # a computer too busy for the connection loses it, rightly; then once more
        pcap = folder / f"run{attempt}.pcapng"
        with captured(RUN_ADDRESS, pcap):
            done = bench("run", "--real-time", *arguments)
        if done.returncode == 0 and kept_pace(pcap):
            break
    assert (done.returncode, kept_pace(pcap)) == (0, True), done.stdout
    return pcap, trace


def kept_pace(pcap: Path) -> bool:
    """Whether frames can show every state: from before the button on, and never as far apart as its 150 ms.

    A computer that stalls for longer takes the frames away which would have shown a short state.
    """
    sent = [float(row[0]) for row in tshark(pcap, f"cipio && ip.src == {RUN_ADDRESS}", "frame.time_relative")]
    frames = cyclic(pcap, RUN_ADDRESS)
    rested = [states(frames[:1], bit) for bit in TAGS.values()] == [[False]] * len(TAGS)
    return rested and all(after - before < LONGEST_GAP_S for before, after in pairwise(sent))


def test_the_decoder_does_find_a_torn_frame(tmp_path: Path) -> None:
    torn = bytes.fromhex("0200 0280 0800 01000100 01000000 b100 2000 0100")  # 2 bytes where it says 32
    pcap = tmp_path / "torn.pcapng"
    with captured(NOBODY, pcap), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.sendto(torn, (NOBODY, IO_PORT))
    assert len(tshark(pcap, ERROR)) == 1


def test_no_frame_of_a_served_station_is_malformed(served_pcap: Path) -> None:
    assert tshark(served_pcap, ERROR) == []


@pytest.mark.parametrize(
    "display_filter",
    [
        "enip.command == 0x65 && enip.status == 0",
        'enip.lir.name == "Dibbler I/O"',
        "cip.service == 0xd4 && cip.genstat == 0",
        "cip.service == 0x8e && cip.genstat == 0",
        "cip.service == 0xce && cip.genstat == 0",
    ],
    ids=["session", "identity", "forward open", "attribute", "forward close"],
)
def test_every_answer_is_recognised(served_pcap: Path, display_filter: str) -> None:
    assert tshark(served_pcap, f"ip.src == {ADDRESS} && {display_filter}") != []


def test_the_output_bytes_on_the_wire_are_those_of_the_scanner(served_pcap: Path) -> None:
    assert changes(cyclic(served_pcap, SCANNER)) == [b"\x01\x00", b"\x03\x00"]


def test_the_input_bytes_on_the_wire_are_those_of_the_station(served_pcap: Path) -> None:
    assert changes(cyclic(served_pcap, ADDRESS)) == [AT_REST]


def test_the_sequence_numbers_leave_nothing_out(served_pcap: Path) -> None:
    numbers = [frame.sequence for frame in cyclic(served_pcap, ADDRESS)]
    assert (len(numbers) > 1, {after - before for before, after in pairwise(numbers)}) == (True, {1})


def test_no_frame_of_a_run_is_malformed(run_pcap: tuple[Path, Path]) -> None:
    assert tshark(run_pcap[0], ERROR) == []


def states(frames: list[Cyclic], bit: int) -> list[bool]:
    """The states that bit *bit* of the image went through."""
    values = [bool(frame.data[bit // 8] >> bit % 8 & 1) for frame in frames]
    return values[:1] + [after for before, after in pairwise(values) if after != before]


def test_the_inputs_on_the_wire_go_the_way_of_the_trace(run_pcap: tuple[Path, Path]) -> None:
    pcap, trace = run_pcap
    events = [json.loads(line) for line in trace.read_text().splitlines()]
    told = {tag: [event["value"] for event in events if event.get("signal") == tag] for tag in TAGS}
    frames = cyclic(pcap, RUN_ADDRESS)
    assert {tag: states(frames, bit) for tag, bit in TAGS.items()} == told
