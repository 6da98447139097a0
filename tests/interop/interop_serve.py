"""`bench serve` as a process of its own, and what the tests know of the station it serves."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
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
class Served:
    """A running `bench serve`; *out* and *err* are the files it writes to."""

    address: str
    process: subprocess.Popen[bytes]
    out: Path
    err: Path

    def stop(self, number: signal.Signals = signal.SIGINT) -> str:
        """Ask it to stop; everything it said."""
        self.process.send_signal(number)
        self.process.wait(timeout=10)
        return self.out.read_text()


@contextmanager
def served(address: str, folder: Path, *options: str) -> Iterator[Served]:
    """Serve the dibbler at *address* until the block ends; it is ready when the block begins."""
    out, err = folder / "serve.out", folder / "serve.err"
    command = [*BENCH, "serve", str(DIBBLER / "station.yaml"), "--listen", address, *options]
    with out.open("wb") as said, err.open("wb") as complained:
        process = subprocess.Popen(command, cwd=ROOT, stdout=said, stderr=complained)
    try:
        until(lambda: process.poll() is not None or "Running" in out.read_text(), True, READY_S)
        assert process.poll() is None, err.read_text()
        yield Served(address, process, out, err)
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


def get_single(address: str, class_id: int, instance: int, attribute: int) -> Any:
    """Get_Attribute_Single through pycomm3: the bytes of the answer."""
    with CIPDriver(address) as driver:
        reply = driver.generic_message(0x0E, class_id, instance, attribute, connected=False)
    assert reply.error is None, reply.error
    return reply.value
