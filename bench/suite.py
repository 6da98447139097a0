"""From paths on a command line to results: finds files, reads them, runs each scenario in a fresh world.

Nothing runs while any file is wrong: all mistakes of all files are reported together.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from bench.clock import PacedDriver, Timeline, paced_loop, run_paced, run_virtual, start_number, wall_clock_s
from bench.eip import IO_PORT
from bench.errors import Mistake, WrongFiles
from bench.logic import Program, compile_program
from bench.net.memory import MemoryNetwork
from bench.net.sockets import can_bind, free_udp_port
from bench.report.result import ScenarioResult, SuiteResult
from bench.scenario import Run, Scenario, places_of, read_heading, read_scenario
from bench.station import LoadedStation, load_station, read_document
from bench.station.words import hint
from bench.world import World

ENDING = ".scenario.yaml"
SIZE_LIMIT = 1_000_000  # characters of one file the person wrote


class Stopped(Exception):
    """The person stopped a run: what was finished, and what was under way."""

    def __init__(self, done: SuiteResult, interrupted: str) -> None:
        self.done = done
        self.interrupted = interrupted
        super().__init__(interrupted)


@dataclass(frozen=True, slots=True)
class Prepared:
    """One scenario, read and checked, ready to run as often as wanted."""

    scenario: Scenario
    station: LoadedStation
    program: Program | None
    warnings: tuple[Mistake, ...] = ()


def find_scenarios(paths: Iterable[str]) -> list[Path]:
    """Every scenario file named or below a named folder, each once, in the order named.

    Raises:
        WrongFiles: a path that does not exist, or a folder without scenarios.
    """
    found: dict[Path, None] = {}
    mistakes: list[Mistake] = []
    for text in paths:
        path = Path(text)
        files = sorted(path.rglob(f"*{ENDING}")) if path.is_dir() else [path]
        if not files:
            mistakes.append(Mistake(text, 1, 1, "", f"no file below this folder ends in {ENDING}"))
        elif not path.exists():
            mistakes.append(Mistake(text, 1, 1, "", "no such file or folder"))
        found.update(dict.fromkeys(files))
    if mistakes:
        raise WrongFiles(mistakes)
    return list(found)


def read_text(path: Path) -> str:
    """A file the person wrote; WrongFiles when it cannot be read as UTF-8 text of a sane size."""
    try:
        if path.stat().st_size > SIZE_LIMIT:
            raise WrongFiles([Mistake(str(path), 1, 1, "", f"larger than {SIZE_LIMIT} bytes")])
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise WrongFiles([Mistake(str(path), 1, 1, "", f"not UTF-8 text: {error.reason}")]) from None
    except OSError as error:
        raise WrongFiles([Mistake(str(path), 1, 1, "", error.strerror or str(error))]) from None
    except ValueError:  # a NUL or half a surrogate pair, which no path can hold
        raise WrongFiles([Mistake(ascii(str(path)), 1, 1, "", "not a path")]) from None


def read_station(path: Path) -> LoadedStation:
    """Load a station file; WrongFiles with every mistake."""
    return load_station(read_text(path), str(path))


@dataclass(slots=True)
class _Shared:
    """Stations and programs that several scenarios of one call name: each is read once."""

    stations: dict[Path, LoadedStation] = field(default_factory=dict)
    programs: dict[Path, Program] = field(default_factory=dict)

    def station(self, path: Path) -> LoadedStation:
        if path not in self.stations:
            self.stations[path] = read_station(path)
        return self.stations[path]

    def program(self, path: Path) -> Program:
        if path not in self.programs:
            self.programs[path] = compile_program(read_text(path), str(path))
        return self.programs[path]


def prepare_all(files: Iterable[Path]) -> list[Prepared]:
    """Read every scenario with its station and logic.

    Raises:
        WrongFiles: every mistake of every file, each once.
    """
    prepared: list[Prepared] = []
    mistakes: dict[Mistake, None] = {}
    shared = _Shared()
    for file in files:
        try:
            prepared.append(_prepare(file, shared))
        except WrongFiles as wrong:
            mistakes.update(dict.fromkeys(wrong.mistakes))
    if mistakes:
        raise WrongFiles(mistakes)
    return prepared


def prepare(file: Path) -> Prepared:
    """Read one scenario with its station and logic; WrongFiles with every mistake found."""
    return _prepare(file, _Shared())


def _prepare(file: Path, shared: _Shared) -> Prepared:
    document = read_document(read_text(file), str(file))
    heading = read_heading(document)
    mistakes: list[Mistake] = []
    station, program = None, None
    for key, name in (("station", heading.station), ("logic", heading.logic)):
        if name is not None and not (file.parent / name).is_file():
            files = [path.name for path in sorted(file.parent.glob("*")) if path.is_file()]
            mistakes.append(document.mistake((key,), f"there is no file {name!r} here{hint(name, files)}"))
    if mistakes:
        raise WrongFiles(mistakes)
    try:
        station = shared.station(file.parent / heading.station)
    except WrongFiles as wrong:
        mistakes += wrong.mistakes
    try:
        if heading.logic is not None:
            program = shared.program(file.parent / heading.logic)
    except WrongFiles as wrong:
        mistakes += wrong.mistakes
    if station is None or mistakes:
        raise WrongFiles(mistakes)
    world = World(station, Timeline(), program)
    scenario = read_scenario(document, places_of(station, world.kinds))
    return Prepared(scenario, station, program, _warnings(station, program, world))


def _warnings(station: LoadedStation, program: Program | None, world: World) -> tuple[Mistake, ...]:
    found = list(station.warnings)
    if program is not None and world.controller is not None:
        found += [*program.warnings, *world.controller.warnings]
    return tuple(found)


def run_one(prepared: Prepared, *, real_time: bool = False, listen: str = "127.0.0.1") -> ScenarioResult:
    """Run one scenario in a fresh world.

    Raises:
        MachineError: real time only: a port cannot be had.
    """
    return _in_real_time(prepared, listen) if real_time else _in_virtual_time(prepared)


def _in_virtual_time(prepared: Prepared) -> ScenarioResult:
    timeline = Timeline()
    world = World(prepared.station, timeline, prepared.program)
    world.join_memory(MemoryNetwork(timeline))
    began_s = wall_clock_s()
    run = Run(prepared.scenario, world)
    run_virtual(timeline, run.main())
    return run.result(wall_s=wall_clock_s() - began_s, mode="virtual time", lateness_ns=None)


def _in_real_time(prepared: Prepared, listen: str) -> ScenarioResult:
    with asyncio.Runner(loop_factory=paced_loop) as runner:
        return runner.run(_paced(prepared, listen))


async def _paced(prepared: Prepared, listen: str) -> ScenarioResult:
    timeline = Timeline()
    driver = PacedDriver(timeline)
    own, io_port = own_address(listen)
    world = World(
        prepared.station,
        timeline,
        prepared.program,
        address=listen,
        own=own,
        own_io_port=io_port,
        incarnation=start_number(),
    )
    await world.join_sockets(driver)
    began_s = wall_clock_s()
    run = Run(prepared.scenario, world)
    try:
        await run_paced(timeline, driver, run.main())
    finally:
        await world.leave_sockets()
    return run.result(wall_s=wall_clock_s() - began_s, mode="real time", lateness_ns=driver.worst_late_ns)


def own_address(listen: str) -> tuple[str, int]:
    """Address and I/O port for a controller beside an adapter at *listen*.

    The I/O port of *listen* is the adapter's. A second loopback address has its own; where there is none,
    another port does, and the forward open says so in its sockaddr item.
    """
    other = "127.0.0.2" if listen != "127.0.0.2" else "127.0.0.3"
    if listen.startswith("127.") and can_bind(other, IO_PORT):
        return other, IO_PORT
    return listen, free_udp_port(listen)


def run_suite(
    prepared: list[Prepared], run: Callable[[Prepared], ScenarioResult], told: Callable[[int], None]
) -> SuiteResult:
    """Run all, one after the other; *told* hears how many are done.

    Raises:
        Stopped: the person stopped it; holds what was done.
    """
    results: list[ScenarioResult] = []
    try:
        for item in prepared:
            results.append(run(item))
            told(len(results))
    except KeyboardInterrupt:
        raise Stopped(SuiteResult(tuple(results)), prepared[len(results)].scenario.title) from None
    return SuiteResult(tuple(results))
