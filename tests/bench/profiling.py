"""`python -m tests.bench profile`: where the served adapter spends its time with many connections."""

from __future__ import annotations

import pstats
import sys
import tempfile
from pathlib import Path

from tests.bench.many import hold
from tests.bench.servers import bench_serve, load_on
from tests.bench.subjects import own_station
from tests.bench.wire import Options

SHOWN = 25


def profile(options: Options) -> None:
    """Prints the 25 functions with the most own time, of a server that the profiler slows down itself."""
    station, points = own_station(options.station)
    with tempfile.TemporaryDirectory(prefix="bench-profile-") as folder:
        record = Path(folder) / "serve.prof"
        interpreter, *rest = bench_serve(station)
        command = [interpreter, "-m", "cProfile", "-o", str(record), *rest]
        with load_on(1):
            found = hold(command, points, options.connections, options.seconds)
        sys.stdout.write(
            f"{len(found.streams)} of {found.asked} connections at {found.rpi_us / 1000:g} ms for "
            f"{options.seconds:g} s under cProfile: {found.total:.0f} frames/s, "
            f"{100 * found.server_cpu:.0f} % of a core, {found.timed_out} timed out\n"
        )
        for refusal in dict.fromkeys(found.refusals):
            sys.stdout.write(f"{found.refusals.count(refusal)} opens refused: {refusal}\n")
        pstats.Stats(str(record), stream=sys.stdout).strip_dirs().sort_stats("tottime").print_stats(SHOWN)
