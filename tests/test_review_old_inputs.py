"""After a reconnect the controller reads nothing of the connection before, until new inputs come."""

from __future__ import annotations

from pathlib import Path

from bench.clock import Timeline
from bench.logic import compile_program
from bench.net.link import LinkQuality
from bench.net.memory import MemoryNetwork
from bench.suite import read_station
from bench.world import World

STATION = Path(__file__).parent.parent / "scenarios" / "loopback" / "station.yaml"
PROGRAM = """PROGRAM p
VAR_INPUT Bit AT %IX0.0 : BOOL; AdapterOnline : BOOL; END_VAR
VAR_OUTPUT Coil AT %QX0.0 : BOOL; END_VAR
VAR Seen, Online : BOOL; END_VAR
Coil := TRUE;
Seen := Bit;
Online := AdapterOnline;
END_PROGRAM
"""
MS = 1_000_000


def test_inputs_of_the_connection_before_are_not_read_after_a_reconnect() -> None:
    timeline = Timeline()
    network = MemoryNetwork(timeline)
    world = World(read_station(STATION), timeline, compile_program(PROGRAM, "p.st"))
    world.join_memory(network)
    world.start()
    timeline.run_until(300 * MS)
    before = world.value("logic.Seen")
    network.set_cut(True)
    timeline.run_until(1000 * MS)
    network.set_cut(False)
    network.set_quality(LinkQuality(loss=1.0), world.address, world.own)  # the adapter's frames are lost
    seen: set[object] = set()
    while timeline.now_ns < 5000 * MS:
        timeline.run_until(timeline.now_ns + MS)
        assert world.scanner is not None
        if world.scanner.connected:
            seen |= {world.value("logic.Seen"), world.value("logic.Online")}
    assert (before, seen) == (True, {False})
