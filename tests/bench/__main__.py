"""Prints every measurement, each as a ratio to a floor of the same run. Never a test.

`python -m tests.bench` prints all, the wire in short; `python -m tests.bench NAME` one of them.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from bench.clock import Phase, Timeline
from bench.suite import find_scenarios, prepare_all, run_one
from sims import AirSupply, Cylinder, Plant, Valve52
from sims.plant import Parameters
from tests.bench import wire
from tests.bench.profiling import profile

ROOT = Path(__file__).parents[2]
ROOMS = ["sims", *(f"bench/{room}" for room in "eip logic station net scenario trace report live".split())]


def best_s(call: Callable[[], object], times: int = 3) -> float:
    """The shortest of several runs, s."""
    found = []
    for _ in range(times):
        began_s = time.perf_counter()
        call()
        found.append(time.perf_counter() - began_s)
    return min(found)


def nothing() -> None:
    """What an event does when only the timeline is measured."""


def floor_s() -> float:
    """A million turns of an empty Python loop: what this machine is worth today."""

    def loop() -> None:
        for _ in range(1_000_000):
            pass

    return best_s(loop, 5)


def scenarios(floor: float) -> None:
    for item in prepare_all(find_scenarios([str(ROOT / "scenarios")])):
        result = run_one(item)
        wall_s = best_s(lambda item=item: run_one(item))  # type: ignore[misc]
        ratio = result.duration_ns / 1e9 / wall_s
        loops = wall_s / floor / (result.duration_ns / 1e9)
        line(f"scenario: {item.scenario.title[:52]}", f"{ratio:.0f} x real time", f"{loops:.2f} loops/s")


def plant(floor: float) -> None:
    """One cylinder that never rests."""
    cylinder = Cylinder("valve", 0.02, 0.008, 0.1, 0.3, throttle_out_c=0.06e-8)
    devices: dict[str, Parameters] = {"air": AirSupply(701_325.0), "valve": Valve52("air"), "c": cylinder}

    def run() -> None:
        machine = Plant(devices, {}, {})
        machine.start()
        for second in range(10):
            now_ns = machine.now_ns
            machine.override("valve", "14", second % 2 == 0, now_ns)
            machine.advance(now_ns + 500_000_000)

    wall_s = best_s(run)
    line(
        "plant: one cylinder always moving",
        f"{5 / wall_s:.0f} x real time",
        f"{wall_s / floor / 5:.2f} loops/s",
    )


def timeline(floor: float) -> None:
    def run() -> None:
        line_ = Timeline()
        for number in range(100_000):
            line_.at(number, Phase.CHECK, nothing)
        line_.run_until(100_000)

    wall_s = best_s(run)
    line("timeline: one event", f"{wall_s * 10:.2f} us", f"{wall_s / floor * 10:.1f} x an empty turn")


def start_up() -> None:
    """`bench --help` beside a Python that does nothing."""
    bare_s = best_s(lambda: subprocess.run([sys.executable, "-c", ""], check=True), 5)
    command = [sys.executable, "-m", "bench", "--help"]
    help_s = best_s(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL, cwd=ROOT), 5)
    line("bench --help", f"{help_s * 1e3:.0f} ms", f"{help_s / bare_s:.1f} x a bare interpreter")


def lines_of_code() -> None:
    for room in ROOMS:
        count = sum(len(file.read_text().splitlines()) for file in (ROOT / room).rglob("*.py"))
        line(f"lines: {room}", str(count), "")
    top = sum(len(file.read_text().splitlines()) for file in (ROOT / "bench").glob("*.py"))
    line("lines: bench/*.py", str(top), "")


def line(what: str, value: str, ratio: str) -> None:
    sys.stdout.write(f"{what:64} {value:>18}   {ratio}\n")


def wire_in_short() -> None:
    """One packet interval and no peers; `wire` has the rest."""
    wire.run(wire.Options(seconds=3.0, parts=("cyclic",), rpis_ms=(10,), with_peers=False))


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    names = ("scenarios", "plant", "timeline", "start", "lines", "wire", "profile")
    parser.add_argument("name", nargs="?", choices=names, help="all but profile, when left out")
    on_wire = parser.add_argument_group("wire and profile")
    on_wire.add_argument("--seconds", type=float, default=4.0, metavar="N", help="of each cell (4)")
    on_wire.add_argument("--part", action="append", choices=wire.PARTS, help="only this; may be repeated")
    on_wire.add_argument("--rpi", action="append", type=int, metavar="MS", help="only this; may be repeated")
    on_wire.add_argument("--connections", type=int, default=100, metavar="N", help="how many at once (100)")
    on_wire.add_argument("--station", type=Path, metavar="FILE", help="whose inputs repeat its outputs")
    on_wire.add_argument("--no-peers", action="store_true", help="install none from PyPI")
    on_wire.add_argument("--json", type=Path, metavar="FILE", help="write the raw figures there")
    return parser.parse_args()


def main() -> None:
    chosen = arguments()
    options = wire.Options(
        seconds=chosen.seconds,
        parts=tuple(chosen.part or wire.PARTS),
        rpis_ms=tuple(chosen.rpi or wire.RPIS_MS),
        with_peers=not chosen.no_peers,
        connections=chosen.connections,
        station=chosen.station,
        json=chosen.json,
    )
    if chosen.name == "wire":
        wire.run(options)
        return
    if chosen.name == "profile":
        profile(options)
        return
    floor = floor_s()
    line("floor: a million turns of an empty loop", f"{floor * 1e3:.1f} ms", "")
    measurements: dict[str, Callable[[], None]] = {
        "scenarios": lambda: scenarios(floor),
        "plant": lambda: plant(floor),
        "timeline": lambda: timeline(floor),
        "start": start_up,
        "lines": lines_of_code,
        "wire in short": wire_in_short,
    }
    for name, measure in measurements.items():
        if chosen.name in (None, name):
            measure()


if __name__ == "__main__":
    main()
