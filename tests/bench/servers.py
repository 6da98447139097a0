"""Servers under test: each a process of its own, on the first core; the load runs on the last."""

from __future__ import annotations

import importlib.util
import os
import socket
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.bench.originator import TCP_PORT

ROOT = Path(__file__).parents[2]
ADDRESS, OWN = "127.0.9.101", "127.0.9.102"
START_S = 20.0
STOP_S = 5.0


class NotRunningError(Exception):
    """A server did not come up, or is gone; says what it printed last."""


class Server:
    """A child process; its output is read all the time, so that it never blocks.

    It is ready when it has printed *ready*; None: when it accepts on TCP.
    """

    def __init__(self, command: Sequence[str], ready: str | None) -> None:
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        pin(self.process.pid, 0)
        self.lines: deque[str] = deque(maxlen=50)
        self._ready = ready
        self._is_ready = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def wait_ready(self) -> None:
        """Raises NotRunningError when it ends, or is not ready in time."""
        deadline_s = time.monotonic() + START_S
        while time.monotonic() < deadline_s and self.process.poll() is None:
            if self._accepts() if self._ready is None else self._is_ready.wait(0.1):
                return
        last = " / ".join(line.strip() for line in list(self.lines)[-3:])
        raise NotRunningError(last or "it does not come up and says nothing")

    def _accepts(self) -> bool:
        try:
            socket.create_connection((ADDRESS, TCP_PORT), 1).close()
        except OSError:
            time.sleep(0.1)
            return False
        return True

    def cpu_s(self) -> float:
        """Processor time of all its threads so far; not a number where the system does not tell.

        From the scheduler's own account in ns: the one in clock ticks misses work that a timer starts
        and that ends before the next tick.
        """
        try:
            files = list(Path(f"/proc/{self.process.pid}/task").glob("*/schedstat"))
            used_ns = [int(file.read_text(encoding="ascii").split()[0]) for file in files]
        except OSError:
            used_ns = []
        return sum(used_ns) / 1e9 if used_ns else float("nan")

    def stop(self) -> None:
        """Ask, wait, then kill."""
        self.process.terminate()
        try:
            self.process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._reader.join(STOP_S)
        if self.process.stdout is not None:
            self.process.stdout.close()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)
            if self._ready is not None and self._ready in line:
                self._is_ready.set()


@contextmanager
def running(command: Sequence[str], ready: str | None = "Running") -> Iterator[Server]:
    """The server while the block runs; `NotRunningError` when it does not come up."""
    server = Server(command, ready)
    try:
        server.wait_ready()
        yield server
    finally:
        server.stop()


def pin(pid: int, core: int) -> None:
    """Keep a process on one of the cores it may use; without effect where the system has no such call."""
    if sys.platform == "linux":
        allowed = sorted(_ALLOWED)
        os.sched_setaffinity(pid, {allowed[min(core, len(allowed) - 1)]})


_ALLOWED = os.sched_getaffinity(0) if sys.platform == "linux" else set(range(os.cpu_count() or 1))


@contextmanager
def load_on(core: int) -> Iterator[None]:
    """The measuring process on one core while the block runs; the servers are on core 0."""
    pin(os.getpid(), core)
    try:
        yield
    finally:
        if sys.platform == "linux":
            os.sched_setaffinity(0, _ALLOWED)


def bench_serve(station: Path, *options: str) -> list[str]:
    """The command of the server under test."""
    return [sys.executable, "-m", "bench", "serve", str(station), "--listen", ADDRESS, *options]


def has_fast() -> bool:
    """Whether `bench serve` knows `--fast` and uvloop is installed."""
    command = [sys.executable, "-m", "bench", "serve", "--help"]
    shown = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stdout
    return "--fast" in shown and has_uvloop()


def has_uvloop() -> bool:
    return importlib.util.find_spec("uvloop") is not None


def floor(what: str, kind: str, *numbers: int) -> list[str]:
    """The command of a bare producer or echo."""
    return [sys.executable, "-m", "tests.bench.floors", what, kind, ADDRESS, *map(str, numbers)]
