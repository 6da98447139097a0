"""A force lives in the adapter: when its power goes, so does the force."""

from __future__ import annotations

from pathlib import Path

from bench.clock import Timeline
from bench.net.memory import MemoryNetwork
from bench.suite import read_station
from bench.world import World

STATION = Path(__file__).parents[1] / "scenarios" / "dibbler" / "station.yaml"


def test_no_force_outlives_the_power_of_the_adapter() -> None:
    timeline = Timeline()
    world = World(read_station(STATION), timeline)
    world.join_memory(MemoryNetwork(timeline))
    world.start()
    world.force("ClampTray", True)
    for lost in (True, False):
        world.fault("power_loss", "adapter", lost)
        timeline.run_until(timeline.now_ns + 100_000_000)
    assert (world.rack.forces, world.value("ClampTray")) == ((), False)
