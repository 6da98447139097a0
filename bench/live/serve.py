"""Serves one station in real time until the time is up or somebody stops it."""

from __future__ import annotations

import asyncio
import gc
import signal
import sys
from contextlib import nullcontext

from rich.console import Console
from rich.live import Live

from bench.clock import PacedDriver, Timeline, start_number
from bench.live.view import banner, screen, summary
from bench.logic import Program
from bench.station import LoadedStation
from bench.suite import own_address
from bench.world import World

REFRESH_S = 0.2
KEPT_CHANGES = 100_000  # of the trace; a station may be served for weeks
SWITCH_S = 0.000_2  # how long drawing may keep the adapter from the interpreter


async def serve(
    station: LoadedStation,
    listen: str,
    seconds: float | None,
    console: Console,
    program: Program | None = None,
) -> tuple[str, bool]:
    """Serve *station* at *listen*; returns the summary, and whether the logic ran to the end.

    Raises:
        MachineError: a port cannot be had.
    """
    timeline = Timeline()
    driver = PacedDriver(timeline)
    own, io_port = own_address(listen) if program is not None else ("", 0)
    world = World(
        station,
        timeline,
        program,
        address=listen,
        own=own,
        own_io_port=io_port,
        keep_changes=KEPT_CHANGES,
        incarnation=start_number(),
    )
    await world.join_sockets(driver)
    console.print(banner(listen))
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    pump = asyncio.create_task(driver.run())
    try:
        world.start()
        await _show(world, driver, console, stop, seconds, pump)
        served_ns = driver.wall_ns()
    finally:
        await world.leave_sockets()
        driver.stop()
        await asyncio.gather(pump, return_exceptions=True)
    return summary(world, served_ns, driver.worst_late_ns), world.stopped is None


async def _show(
    world: World,
    driver: PacedDriver,
    console: Console,
    stop: asyncio.Event,
    seconds: float | None,
    pump: asyncio.Task[None],
) -> None:
    live = Live(screen(world, 0, 0), console=console, auto_refresh=False, transient=False)
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
                view = screen(world, driver.wall_ns(), driver.worst_late_ns)
                await asyncio.to_thread(live.update, view, refresh=True)
            await _pause(stop, left_s)
    if pump.done():
        await pump


async def _pause(stop: asyncio.Event, seconds: float) -> None:
    try:
        await asyncio.wait_for(stop.wait(), seconds)
    except TimeoutError:
        return
