"""Frames on the loopback interface, recorded by dumpcap and decoded by tshark (Debian package tshark)."""

from __future__ import annotations

import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from interop_serve import EXPLICIT_PORT, IO_PORT, until

MARK_PORT = 9  # nobody listens there; a marker only has to be seen passing by
ERROR = "_ws.malformed || _ws.expert.severity >= error"


@contextmanager
def captured(address: str, pcap: Path) -> Iterator[None]:
    """Record what goes to and from *address* into *pcap*, from the first line of the block to its last."""
    ports = f"(port {EXPLICIT_PORT} or port {IO_PORT} or udp port {MARK_PORT})"
    command = ["dumpcap", "-q", "-i", "lo", "-f", f"host {address} and {ports}", "-w", str(pcap)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        _mark(address, pcap, b"the capture begins")
        yield
        _mark(address, pcap, b"the capture ends")
        process.send_signal(signal.SIGINT)
        process.wait(timeout=10)
    finally:
        process.kill()
        process.wait(timeout=10)


def _mark(address: str, pcap: Path, text: bytes) -> None:
    """Send *text* until it is in the file: then everything sent before is there too."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:

        def seen() -> bool:
            sock.sendto(text, (address, MARK_PORT))
            return pcap.exists() and text in pcap.read_bytes()

        assert until(seen, True), "dumpcap recorded nothing in 5 s: may this user record on interface lo?"


@cache
def tshark(pcap: Path, display_filter: str, *fields: str) -> list[tuple[str, ...]]:
    """The frames of a finished capture that pass *display_filter*: *fields* of each, or its summary line."""
    command = ["tshark", "-n", "-r", str(pcap), "-Y", display_filter]
    if fields:
        command += ["-T", "fields", "-E", "separator=;", *(word for name in fields for word in ("-e", name))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 0, done.stderr
    return [tuple(line.split(";")) for line in done.stdout.splitlines()]


@dataclass(frozen=True)
class Cyclic:
    """One class 1 frame as tshark decodes it; `data` is the image without sequence count and header."""

    sequence: int
    data: bytes


def cyclic(pcap: Path, source: str) -> list[Cyclic]:
    """The class 1 frames sent by *source*, in the order of the capture."""
    rows = tshark(pcap, f"cipio && ip.src == {source}", "enip.cpf.sai.seq", "cipio.data")
    return [Cyclic(int(sequence), bytes.fromhex(data.replace(":", ""))) for sequence, data in rows]


def changes(frames: list[Cyclic]) -> list[bytes]:
    """The images that follow one another, without repetitions."""
    images = [frame.data for frame in frames]
    return [image for before, image in zip([None, *images], images, strict=False) if image != before]
