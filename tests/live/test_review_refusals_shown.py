"""A refusal is shown even while a flood of bad frames has used up the lines of the log."""

from __future__ import annotations

import io
from pathlib import Path

from rich.console import Console

from bench.clock import Timeline
from bench.eip.encapsulation import Command, Frame
from bench.eip.transport import IO_PORT, SendTcp
from bench.live.view import screen
from bench.net.memory import MemoryNetwork
from bench.suite import read_station
from bench.world import World

STATION = Path(__file__).parents[2] / "scenarios" / "loopback" / "station.yaml"
NO_CLASS = bytes(6) + bytes.fromhex("0200 0000 0000 B200 0600 0E02 2077 2401")


def test_refusal_in_a_flood_of_bad_frames_is_shown() -> None:
    timeline = Timeline()
    world = World(read_station(STATION), timeline)
    world.join_memory(MemoryNetwork(timeline))
    world.start()
    adapter, host = world.adapter, world.hosts[0]
    adapter.tcp_opened(1, ("127.0.0.9", 50_000), 0)
    adapter.tcp_received(1, Frame(Command.REGISTER_SESSION, data=b"\1\0\0\0").encode(), 0)
    sent = next(one for one in adapter.take_outgoing() if isinstance(one, SendTcp))
    session = int.from_bytes(sent.data[4:8], "little")
    for _ in range(100):
        host.datagrams(IO_PORT, [(b"noise", ("127.0.0.66", 1))], False)
    host.received(1, Frame(Command.SEND_RR_DATA, session, data=NO_CLASS).encode())
    console = Console(file=io.StringIO(), width=160, height=48, color_system=None)
    console.print(screen([world], 0, 0, (160, 48)))
    assert isinstance(console.file, io.StringIO)
    assert "class 0x77" in console.file.getvalue()
