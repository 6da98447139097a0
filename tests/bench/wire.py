"""Frames per second and gaps of a served adapter on loopback, as its scanner sees them arrive."""

from __future__ import annotations

import asyncio
import itertools
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bench.build import scanner_config
from bench.clock import PacedDriver, Timeline, paced_loop, run_paced
from bench.eip import Scanner
from bench.net.sockets import SocketHost
from bench.suite import read_station

ADAPTER, OWN, IO_PORT = "127.0.9.101", "127.0.9.102", 2222


class Stopwatch(Scanner):
    """A scanner that notes when each cyclic frame arrived, ns of the monotonic clock."""

    arrivals: list[int]

    def udp_received(
        self, local_port: int, peer: tuple[str, int], data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        self.arrivals.append(time.monotonic_ns())
        super().udp_received(local_port, peer, data, now_ns)


@contextmanager
def served(station: Path, root: Path) -> Iterator[None]:
    command = [sys.executable, "-m", "bench", "serve", str(station), "--listen", ADAPTER]
    with subprocess.Popen(command, cwd=root, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        while "Running" not in process.stdout.readline():
            pass
        yield
        process.terminate()


def gaps_ms(root: Path, seconds: int) -> list[float]:
    """Gaps between T->O frames at the station's RPI, ms, ascending; the first half second is left out."""
    station = root / "scenarios" / "dibbler" / "station.yaml"
    scanner = Stopwatch(scanner_config(read_station(station), ADAPTER, OWN, IO_PORT))
    scanner.arrivals = []

    async def measure() -> None:
        timeline = Timeline()
        driver = PacedDriver(timeline)
        host = SocketHost(scanner, driver, OWN, lambda event: None, udp_ports=(IO_PORT,), listen=False)
        await host.open()

        async def main() -> None:
            scanner.set_run(True)
            scanner.start(timeline.now_ns)
            host.pump()
            await timeline.sleep(seconds * 1_000_000_000)
            scanner.close(timeline.now_ns)
            host.pump()
            await timeline.sleep(50_000_000)

        await run_paced(timeline, driver, main())
        await host.close()

    with served(station, root), asyncio.Runner(loop_factory=paced_loop) as runner:
        runner.run(measure())
    times = [t for t in scanner.arrivals if t > scanner.arrivals[0] + 500_000_000]
    return sorted((after - before) / 1e6 for before, after in itertools.pairwise(times))
