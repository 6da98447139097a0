"""`python -m tests.bench wire`: the served adapter on loopback beside bare Python and PyPI peers.

Every subject is a process of its own, all in one run: the figures of one table are comparable with
each other, not with another machine's.
"""

from __future__ import annotations

import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.bench.cyclic import Watched, Watcher
from tests.bench.explicit import Asked, ask_for
from tests.bench.figures import Table
from tests.bench.many import FIRST_BARE_ID, RPI_US, Connections, hold
from tests.bench.originator import KERNEL_TIMES, Points, RefusedError
from tests.bench.servers import ADDRESS, ROOT, NotRunningError, bench_serve, floor, has_fast, load_on
from tests.bench.subjects import EndedError, Subject, adapter, floors, others, own_station

RPIS_MS = (2, 5, 10, 20, 50)
PARTS = ("cyclic", "many", "explicit")
LATE_MS = 0.3  # what the design allows above the packet interval


@dataclass(slots=True)
class Options:
    seconds: float = 4.0
    parts: tuple[str, ...] = PARTS
    rpis_ms: tuple[int, ...] = RPIS_MS
    with_peers: bool = True
    connections: int = 100
    station: Path | None = None
    json: Path | None = None
    raw: dict[str, Any] = field(default_factory=dict)


def watch(subject: Subject, rpi_us: int, seconds: float) -> tuple[Watched, str]:
    """The samples of one cell, and what went wrong; gives up early where nothing comes at all."""
    assert subject.stream is not None
    found = Watched()
    try:
        with subject.stream(rpi_us) as (link, stream, points):
            watcher = Watcher(link, stream, points, rpi_us)
            found = watcher.found
            watcher.run(seconds)
    except (EndedError, RefusedError, NotRunningError, OSError) as error:
        return found, str(error)
    if not found.arrivals_ns:
        return found, "the open is accepted, and no frame comes"
    return found, "an output never came back" if found.unanswered else ""


def cyclic(subjects: list[Subject], options: Options, notes: list[str]) -> None:
    columns = [subject for subject in subjects if subject.stream is not None]
    times = "kernel arrival times" if KERNEL_TIMES else "arrival times read by the program"
    title = f"cyclic, 32 B each way, exclusive owner, {options.seconds:g} s a cell, {times}"
    table = Table(title, [subject.name for subject in columns], "thread", notes=list(notes))
    table.head()
    given_up: set[str] = set()
    for rpi_ms in options.rpis_ms:
        cells: dict[str, Watched] = {}
        for subject in columns:
            if subject.name in given_up:
                continue
            found, wrong = watch(subject, rpi_ms * 1000, options.seconds)
            if wrong:
                table.notes.append(f"{subject.name}, RPI {rpi_ms} ms: {wrong}")
            if found.arrivals_ns:
                cells[subject.name] = found
            else:
                given_up.add(subject.name)
        cyclic_rows(table, rpi_ms, cells)
        options.raw[f"cyclic {rpi_ms} ms"] = {name: cell_raw(cell) for name, cell in cells.items()}
    table.tail()


def cyclic_rows(table: Table, rpi_ms: int, cells: dict[str, Watched]) -> None:
    limit_ms = rpi_ms + LATE_MS

    def row(
        case: str, value: Callable[[Watched], float], form: str = ".2f", goal: float | None = None
    ) -> None:
        found = {name: value(cell) for name, cell in cells.items()}
        shown = {name: x if x == x else "-" for name, x in found.items()}  # not a number: no sample
        table.row(case, shown, form, goal)

    row(f"RPI {rpi_ms} ms: frames/s", lambda cell: cell.rate, ".1f")
    row("  lost", lambda cell: cell.lost, ".0f", 0)
    row("  gap median, ms", lambda cell: cell.gaps.median)
    row(f"  gap p99 <= {limit_ms:.1f}", lambda cell: cell.gaps.p99, goal=limit_ms)
    row("  gap max", lambda cell: cell.gaps.most)
    row("  in bursts", lambda cell: cell.in_bursts, ".0f", 0)
    row("  reaction median, ms", lambda cell: cell.reactions.median)
    row(f"  reaction p99 <= {limit_ms:.1f}", lambda cell: cell.reactions.p99, goal=limit_ms)
    row("  reaction max", lambda cell: cell.reactions.most)


def cell_raw(cell: Watched) -> dict[str, Any]:
    return {
        "frames_per_s": cell.rate,
        "lost": cell.lost,
        "arrivals_ns": cell.arrivals_ns,
        "reactions_ns": cell.reactions_ns,
        "unanswered": cell.unanswered,
    }


def many(points: Points, commands: dict[str, list[str]], options: Options) -> None:
    title = f"{options.connections} connections at 10 ms, one adapter on one core, {options.seconds:g} s"
    bare = floor("crowd", "thread", RPI_US, FIRST_BARE_ID)
    table = Table(title, [*commands, "thread"], "thread")
    table.head()
    cells = {}
    for name, command in (*commands.items(), ("thread", bare)):
        try:
            cells[name] = hold(command, points, options.connections, options.seconds, bare=command is bare)
        except (RefusedError, NotRunningError, OSError) as error:
            table.notes.append(f"{name}: {error}")
    many_rows(table, cells, options.connections)
    for name, found in cells.items():
        for refusal in dict.fromkeys(found.refusals):
            table.notes.append(f"{name}: {found.refusals.count(refusal)} opens refused: {refusal}")
        options.raw[f"many {name}"] = {"arrivals_ns": found.arrivals_ns, "server_cpu": found.server_cpu}
    table.tail()


def many_rows(table: Table, cells: dict[str, Connections], asked: int) -> None:
    def row(
        case: str, value: Callable[[Connections], float], form: str = ".0f", goal: float | None = None
    ) -> None:
        table.row(case, {name: value(cell) for name, cell in cells.items()}, form, goal)

    row("not opened", lambda cell: asked - len(cell.streams), goal=0)
    row("timed out", lambda cell: cell.timed_out, goal=0)
    row(f"frames/s, of {100 * asked}", lambda cell: cell.total)
    row("frames/s, slowest, of 100", lambda cell: cell.slowest, ".2f")
    row("lost", lambda cell: cell.lost, goal=0)
    row("gap p99 <= 10.3 ms", lambda cell: cell.gaps.p99, ".2f", 10 + LATE_MS)
    row("gap p99, worst connection", lambda cell: cell.worst_p99, ".2f")
    row("gap max", lambda cell: cell.gaps.most, ".2f")
    row("server, % of a core", lambda cell: 100 * cell.server_cpu)
    row("load, % of its core", lambda cell: 100 * cell.own_cpu)
    row("O->T frames sent late", lambda cell: cell.late_sends)


def explicit(subjects: list[Subject], options: Options, notes: list[str]) -> None:
    columns = [subject for subject in subjects if subject.explicit is not None]
    seconds = options.seconds * 0.6
    title = (
        f"explicit, Get_Attribute_Single 1/1/1 in a closed loop, {seconds:g} s; 1 session: one core, 8: two"
    )
    table = Table(title, [subject.name for subject in columns], "asyncio", notes=list(notes))
    table.head()
    for sessions in (1, 8):
        cells: dict[str, Asked] = {}
        for subject in columns:
            assert subject.explicit is not None
            try:
                # one session: client and server take turns, and a core each would measure its waking up
                with subject.explicit(), load_on(0 if sessions == 1 else 1):
                    cells[subject.name] = ask_for(ADDRESS, sessions, seconds, bare=subject.bare)
            except (RefusedError, NotRunningError, OSError) as error:
                table.notes.append(f"{subject.name}: {error}")
        explicit_rows(table, sessions, cells)
        options.raw[f"explicit {sessions}"] = {
            name: {"requests_per_s": cell.rate, "latencies_ns": cell.latencies_ns, "errors": cell.errors}
            for name, cell in cells.items()
        }
    table.tail()


def explicit_rows(table: Table, sessions: int, cells: dict[str, Asked]) -> None:
    def row(case: str, value: Callable[[Asked], float]) -> None:
        table.row(case, {name: value(cell) for name, cell in cells.items()}, ".0f")

    row(f"{sessions} session{'s' * (sessions > 1)}: requests/s", lambda cell: cell.rate)
    row("  latency median, us", lambda cell: cell.latency_us.median)
    row("  latency p99, us", lambda cell: cell.latency_us.p99)
    row("  wrong answers", lambda cell: cell.errors)


def banner(station: Path) -> None:
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    sys.stdout.write(
        f"wire: {platform.system()}, Python {platform.python_version()}, {os.cpu_count()} cores{load}; "
        f"ours serves {station.relative_to(ROOT) if station.is_relative_to(ROOT) else station}\n"
        "asyncio, thread, uvloop: bare producers and echoes. Goal ok or MISS is about ours.\n"
    )


def run(options: Options) -> None:
    station, points = own_station(options.station)
    banner(station)
    notes: list[str] = []
    commands = {"ours": bench_serve(station)}
    if has_fast():
        commands["ours fast"] = bench_serve(station, "--fast")
    with tempfile.TemporaryDirectory(prefix="bench-peers-") as folder:
        subjects = [adapter(name, command, points) for name, command in commands.items()] + floors()
        if options.with_peers and set(options.parts) & {"cyclic", "explicit"}:
            subjects += others(Path(folder), notes)
        if "cyclic" in options.parts:
            with load_on(1):
                cyclic(subjects, options, notes)
        if "many" in options.parts:
            with load_on(1):
                many(points, commands, options)
        if "explicit" in options.parts:
            explicit(subjects, options, [note for note in notes if "installed" in note])
    if options.json is not None:
        options.json.write_text(json.dumps(options.raw), encoding="utf-8")
