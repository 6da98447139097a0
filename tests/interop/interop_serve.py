"""`bench serve` as a process of its own, and what the tests know of the station it serves."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pycomm3 import CIPDriver

T = TypeVar("T")
ROOT = Path(__file__).parents[2]
DIBBLER = ROOT / "scenarios" / "dibbler"
BENCH = (sys.executable, "-m", "bench")
EXPLICIT_PORT, IO_PORT = 44818, 2222
READY_S = 15.0

# scenarios/dibbler/station.yaml in numbers
INPUT, OUTPUT, CONFIGURATION = 100, 150, 151
PRODUCT_NAME, SERIAL = "Dibbler I/O", 0x0D1B0001
# TrayUnclamped, DibbleUp, EjectHome; CycleStop and EStopReleased are normally closed
AT_REST_BITS = [2, 4, 6, 10, 13]
AT_REST = bytes((0b0101_0100, 0b0010_0100))


@dataclass
class Process:
    """A running program; *out* and *err* are the files it writes to."""

    process: subprocess.Popen[bytes]
    out: Path
    err: Path

    @property
    def said(self) -> str:
        return self.out.read_text()

    def says(self, *words: str, times: int = 1, seconds: float = READY_S) -> bool:
        """Whether it said all *words*, each at least *times* times, within *seconds*."""
        return until(lambda: all(self.said.count(word) >= times for word in words), True, seconds)

    def end(self, number: signal.Signals = signal.SIGINT) -> int:
        """Ask it to stop; its exit status."""
        self.process.send_signal(number)
        return self.process.wait(timeout=10)


@dataclass
class Served(Process):
    """A running `bench serve` with an adapter at *address*."""

    address: str

    def stop(self, number: signal.Signals = signal.SIGINT) -> str:
        """Ask it to stop; everything it said."""
        self.end(number)
        return self.said


@contextmanager
def served(address: str, folder: Path, *options: str) -> Iterator[Served]:
    """Serve the dibbler at *address* until the block ends; it is ready when the block begins."""
    with serving(address, folder, DIBBLER / "station.yaml", "--listen", address, *options) as running:
        yield running


@contextmanager
def serving(address: str, folder: Path, file: Path, *options: str) -> Iterator[Served]:
    """Serve a station or bench file that has an adapter at *address*, as above."""
    command = (*BENCH, "serve", str(file), *options)
    with started(folder, "serve", *command) as running:
        until(lambda: running.process.poll() is not None or "Running" in running.said, True, READY_S)
        assert running.process.poll() is None, running.err.read_text()
        yield Served(running.process, running.out, running.err, address)


@contextmanager
def started(folder: Path, name: str, *command: str) -> Iterator[Process]:
    """A program that runs beside the test and is gone after the block."""
    out, err = folder / f"{name}.out", folder / f"{name}.err"
    with out.open("wb") as said, err.open("wb") as complained:
        process = subprocess.Popen(command, cwd=ROOT, stdout=said, stderr=complained)
    try:
        yield Process(process, out, err)
    finally:
        process.kill()
        process.wait(timeout=10)


def bench(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command of the bench to its end."""
    return subprocess.run([*BENCH, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=30)


def until(ask: Callable[[], T], wanted: T, seconds: float = 5.0) -> T:
    """Ask until the answer is *wanted* or the time is up; the last answer."""
    ends_s = time.monotonic() + seconds
    while (answer := ask()) != wanted and time.monotonic() < ends_s:
        time.sleep(0.01)
    return answer


def io_beside(folder: Path, name: str, *arguments: str) -> AbstractContextManager[Process]:
    """`bench io` running beside the test."""
    return started(folder, name, *BENCH, "io", *arguments)


def accepts(address: str) -> bool:
    """Whether an adapter at *address* takes TCP sessions by now."""
    with socket.socket() as caller:
        return caller.connect_ex((address, EXPLICIT_PORT)) == 0


def get_single(address: str, class_id: int, instance: int, attribute: int) -> Any:
    """Get_Attribute_Single through pycomm3: the bytes of the answer."""
    with CIPDriver(address) as driver:
        reply = driver.generic_message(0x0E, class_id, instance, attribute, connected=False)
    assert reply.error is None, reply.error
    return reply.value
