"""Serves stations in real time until the time is up or somebody stops it."""

from __future__ import annotations

import asyncio
import gc
import signal
import sys
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import nullcontext

from rich.console import Console
from rich.live import Live

from bench.clock import PacedDriver, Timeline, start_number
from bench.eip.events import Event
from bench.live.view import banner, log_line, screen, summary
from bench.net.timer import paced
from bench.suite import Served, network_of, own_address
from bench.world import World

REFRESH_S = 0.2
KEPT_CHANGES = 100_000  # of the trace; a station may be served for weeks
KEPT_LINES = 1_000  # of the log, while whoever reads it is slow
SWITCH_S = 0.000_2  # how long drawing may keep the adapters from the interpreter


async def serve(stations: Sequence[Served], seconds: float | None, console: Console) -> tuple[str, bool]:
    """Serve every station on one timeline; returns the summary, and whether all logic ran to the end.

    Raises:
        MachineError: a port cannot be had; nothing stays open.
    """
    timeline = Timeline()
    driver = paced(timeline)
    log: deque[str] = deque(maxlen=KEPT_LINES)
    addresses = [served.address for served in stations]
    worlds: list[World] = []
    stop = asyncio.Event()
    pump: asyncio.Task[None] | None = None
    served_ns = 0
    try:
        for served in stations:
            world = _world(served, addresses, timeline, log)
            await world.join_sockets(driver)
            worlds.append(world)
        console.print(banner(addresses))
        for note in dict.fromkeys(note for world in worlds for note in world.network_notes):
            console.print(note, markup=False)
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
        pump = asyncio.create_task(driver.run())
        for world in worlds:
            world.start()
        await _show(worlds, driver, console, stop, seconds, pump, log)
        served_ns = driver.wall_ns()
    finally:
        for world in worlds:
            await world.leave_sockets()
        driver.stop()
        if pump is not None:
            await asyncio.gather(pump, return_exceptions=True)
    ran = all(world.stopped is None for world in worlds)
    return summary(worlds, served_ns, driver.worst_late_ns), ran


def _world(served: Served, addresses: Sequence[str], timeline: Timeline, log: deque[str]) -> World:
    own, io_port = own_address(served.address, addresses) if served.program is not None else ("", 0)
    return World(
        served.station,
        timeline,
        served.program,
        address=served.address,
        own=own,
        own_io_port=io_port,
        keep_changes=KEPT_CHANGES,
        incarnation=start_number(),
        network=network_of(served.address),
        told=_writer(served.address, log),
    )


def _writer(address: str, log: deque[str]) -> Callable[[Event], None]:
    def told(event: Event) -> None:
        line = log_line(address, event)
        if line:
            log.append(line)

    return told


async def _show(
    worlds: Sequence[World],
    driver: PacedDriver,
    console: Console,
    stop: asyncio.Event,
    seconds: float | None,
    pump: asyncio.Task[None],
    log: deque[str],
) -> None:
    size = (console.width, console.height)
    live = Live(screen(worlds, 0, 0, size), console=console, auto_refresh=False, transient=False)
    if not console.is_terminal:
        console.print("Running; stop with Ctrl-C.")
    sys.setswitchinterval(SWITCH_S)
    gc.freeze()  # what stands now stays: a full collection of it would take several packet intervals
    with live if console.is_terminal else nullcontext():
        while not stop.is_set() and not pump.done():
            left_s = REFRESH_S if seconds is None else min(REFRESH_S, seconds - driver.wall_ns() / 1e9)
            if left_s <= 0:
                break
            if console.is_terminal:
                # Drawing takes longer than a short packet interval, and a terminal may block.
                size = (console.width, console.height)
                view = screen(worlds, driver.wall_ns(), driver.worst_late_ns, size)
                await asyncio.to_thread(live.update, view, refresh=True)
            elif log:
                await asyncio.to_thread(_write, console, _taken(log))
            await _pause(stop, left_s)
    if not console.is_terminal and log:
        _write(console, _taken(log))
    if pump.done():
        await pump


def _taken(log: deque[str]) -> str:
    lines = [log.popleft() for _ in range(len(log))]
    return "\n".join(lines)


def _write(console: Console, text: str) -> None:
    console.print(text, soft_wrap=True, markup=False)


async def _pause(stop: asyncio.Event, seconds: float) -> None:
    try:
        await asyncio.wait_for(stop.wait(), seconds)
    except TimeoutError:
        return
