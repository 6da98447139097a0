"""From paths on a command line to results: finds files, reads them, runs each scenario in a fresh world.

Nothing runs while any file is wrong: all mistakes of all files are reported together.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from bench.clock import Timeline, run_paced, run_virtual, start_number, wall_clock_s
from bench.controller import map_variables
from bench.eip import IO_PORT
from bench.eip.config import Network
from bench.errors import LocalError, Mistake, WrongFiles
from bench.logic import Program, compile_program
from bench.net.interfaces import interface_of
from bench.net.memory import MemoryNetwork
from bench.net.sockets import can_bind, free_udp_port
from bench.net.timer import paced, paced_loop
from bench.report.result import ScenarioResult, SuiteResult
from bench.scenario import Run, Scenario, places_of, read_heading, read_scenario
from bench.station import (
    LoadedStation,
    address_fault,
    is_bench_file,
    load_station,
    read_bench_file,
    read_document,
)
from bench.station.document import Document, parse_document
from bench.station.load import station_of
from bench.station.words import hint
from bench.world import World

ENDING = ".scenario.yaml"
LOOPBACKS_TRIED = 3
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


@dataclass(frozen=True, slots=True)
class Served:
    """One station to be served: where, and with which program in its controller, if any."""

    station: LoadedStation
    address: str
    program: Program | None = None


LOOPBACK = "127.0.0.1"


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


def read_served(path: Path, listen: str | None = None, logic: Path | None = None) -> tuple[Served, ...]:
    """What `bench serve` and `bench check` are given: a station file, or a bench file with several.

    Args:
        listen: replaces the address of a single station; None leaves it, or loopback.
        logic: replaces the program of a single station.

    Raises:
        WrongFiles: every mistake of every file.
        LocalError: `listen` or `logic` for several stations, or an address nobody can be served at.
    """
    if listen is not None and (fault := address_fault(listen)):
        raise LocalError(f"--listen {fault}")
    document, found = parse_document(read_text(path), str(path))
    if document is None or not is_bench_file(document):
        station = station_of(document, found)
        program = None if logic is None else compile_program(read_text(logic), str(logic))
        return (_fitting(Served(station, listen or LOOPBACK, program)),)
    if found:
        raise WrongFiles(found)
    bench = read_bench_file(document)
    several = len(bench.stations) > 1
    for option, value in (("--listen", listen), ("--logic", logic)):
        if several and value is not None:
            raise LocalError(f"{option} is for a single station; {path} says it for each of its own")
    shared, mistakes, served = _Shared(), _absent_files(document, path.parent), []
    if mistakes:
        raise WrongFiles(mistakes)
    for entry in bench.stations:
        program_path = logic or (None if entry.logic is None else path.parent / entry.logic)
        try:
            station = shared.station(path.parent / entry.station)
            program = None if program_path is None else shared.program(program_path)
            served.append(_fitting(Served(station, listen or entry.address or LOOPBACK, program)))
        except WrongFiles as wrong:
            mistakes += wrong.mistakes
    if mistakes:
        raise WrongFiles(list(dict.fromkeys(mistakes)))
    return tuple(served)


def _fitting(served: Served) -> Served:
    """The same; WrongFiles where the program and the points do not fit together."""
    if served.program is not None:
        map_variables(served.program, served.station.layout)
    return served


def _absent_files(document: Document, folder: Path) -> list[Mistake]:
    mistakes: list[Mistake] = []
    for index, entry in enumerate(document.data["stations"]):
        for key in ("station", "logic"):
            name = entry.get(key)
            if name is not None and not (folder / name).is_file():
                near = sorted(
                    str(file.relative_to(folder)) for file in folder.glob(f"*/*{Path(name).suffix}")
                )
                sentence = f"there is no file {name!r} here{hint(name, near)}"
                mistakes.append(document.mistake(("stations", index, key), sentence))
    return mistakes


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


def left_out_in_real_time(prepared: Iterable[Prepared]) -> list[str]:
    """Sentences about what a scenario asks for and real time cannot give: a network that is made worse."""
    return [
        f"{item.scenario.file}: `network:` is left out in real time; the network is as good as it is"
        for item in prepared
        if item.scenario.network is not None
    ]


def run_one(prepared: Prepared, *, real_time: bool = False, listen: str = "127.0.0.1") -> ScenarioResult:
    """Run one scenario in a fresh world.

    Raises:
        MachineError: real time only: a port cannot be had.
    """
    return _in_real_time(prepared, listen) if real_time else _in_virtual_time(prepared)


def _in_virtual_time(prepared: Prepared) -> ScenarioResult:
    timeline = Timeline()
    world = World(prepared.station, timeline, prepared.program)
    world.join_memory(MemoryNetwork(timeline, quality=prepared.scenario.network))
    began_s = wall_clock_s()
    run = Run(prepared.scenario, world)
    run_virtual(timeline, run.main())
    return run.result(wall_s=wall_clock_s() - began_s, mode="virtual time", lateness_ns=None)


def _in_real_time(prepared: Prepared, listen: str) -> ScenarioResult:
    with asyncio.Runner(loop_factory=paced_loop) as runner:
        return runner.run(_paced(prepared, listen))


async def _paced(prepared: Prepared, listen: str) -> ScenarioResult:
    timeline = Timeline()
    driver = paced(timeline)
    own, io_port = own_address(listen)
    world = World(
        prepared.station,
        timeline,
        prepared.program,
        address=listen,
        own=own,
        own_io_port=io_port,
        incarnation=start_number(),
        network=network_of(listen),
    )
    await world.join_sockets(driver)
    began_s = wall_clock_s()
    run = Run(prepared.scenario, world)
    try:
        await run_paced(timeline, driver, run.main())
    finally:
        await world.leave_sockets()
    return run.result(wall_s=wall_clock_s() - began_s, mode="real time", lateness_ns=driver.worst_late_ns)


def own_address(listen: str, taken: Collection[str] = ()) -> tuple[str, int]:
    """Address and I/O port for a controller beside an adapter at *listen*; others live at *taken*.

    The I/O port of *listen* is the adapter's. A second loopback address has its own; where there is none,
    another port does, and the forward open says so in its sockaddr item.
    """
    others = (f"127.0.0.{last}" for last in range(2, 2 + LOOPBACKS_TRIED + len(taken)))
    for other in others if listen.startswith("127.") else ():
        if other != listen and other not in taken and can_bind(other, IO_PORT):
            return other, IO_PORT
    return listen, free_udp_port(listen)


def network_of(address: str) -> Network:
    """What the adapter at *address* tells of its interface."""
    interface = interface_of(address)
    return Network(netmask=interface.netmask, interface=interface.name)


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
