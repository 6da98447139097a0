"""The plant runs a step ahead of the world: what it foretold and must take back, and its last step."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.clock import Timeline
from bench.net.memory import MemoryNetwork
from bench.station import load_station
from bench.world import World

MS = 1_000_000
TEXT = (Path(__file__).parents[1] / "scenarios/dibbler/station.yaml").read_text(encoding="utf-8")
QUICK = TEXT.replace("filter_ms: 3", "filter_ms: 0")
WITHOUT_FLOW_SWITCH = "\n".join(line for line in QUICK.splitlines() if "jet_flow" not in line)


def reset_world(text: str = QUICK) -> World:
    """The dibbler at 1 s, its coils with power."""
    world = World(load_station(text, "station.yaml"), Timeline())
    world.join_memory(MemoryNetwork(world.timeline))
    world.start()
    world.timeline.run_until(500 * MS)
    world.press("reset_button")
    later(world, 100)
    world.release("reset_button")
    later(world, 400)
    return world


def later(world: World, ms: float) -> None:
    world.timeline.run_until(world.timeline.now_ns + round(ms * MS))


@pytest.mark.parametrize("moving", [False, True])
@pytest.mark.parametrize("blocked_ms", [0.3, 0.7, 0.999])
def test_beam_blocked_for_less_than_the_response_is_not_seen(moving: bool, blocked_ms: float) -> None:
    world = reset_world()
    world.force("LowerDibble", moving)
    later(world, 100)
    world.set("tray_eye.blocked", True)
    later(world, blocked_ms)
    world.set("tray_eye.blocked", False)
    later(world, 20)
    assert world.trace.changes("TrayPresent") == [(0, False)]


def test_beam_blocked_again_after_a_blip_is_seen_after_the_response() -> None:
    world = reset_world()
    for blocked in (True, False, True):
        world.set("tray_eye.blocked", blocked)
        later(world, 0.7)
    later(world, 20)
    assert world.trace.changes("TrayPresent")[1:] == [(1_002_400_000, True)]


@pytest.mark.parametrize("moving", [False, True])
def test_coil_pulse_shorter_than_the_shift_delay_does_not_shift(moving: bool) -> None:
    world = reset_world()
    world.force("LowerDibble", moving)
    later(world, 100)
    world.force("ClampTray", True)
    later(world, 14.8)
    world.force("ClampTray", False)
    later(world, 50)
    moved = {value for _, value in world.trace.changes("clamp.position_mm")}
    assert (world.trace.changes("clamp_valve.position"), moved) == ([(0, False)], {0.0})


def test_trace_ends_at_the_value_the_plant_rests_at() -> None:
    world = reset_world(WITHOUT_FLOW_SWITCH)
    world.force("BlowJet", True)
    later(world, 503)
    world.force("BlowJet", False)
    later(world, 500)
    assert (world.value("pin_jet.flow_l_min"), world.trace.value("pin_jet.flow_l_min")) == (0.0, 0.0)


def test_lost_24v_takes_the_coils_with_it_at_once() -> None:
    world = reset_world()
    world.force("ClampTray", True)
    later(world, 100)
    world.set("power_24v.on", False)
    off_ns = world.timeline.now_ns
    later(world, 100)
    assert world.trace.changes("clamp_valve.14")[-1] == (off_ns, False)


def test_emergency_stop_still_takes_the_drop_out_time() -> None:
    world = reset_world()
    world.force("ClampTray", True)
    later(world, 100)
    world.press("e_stop")
    off_ns = world.timeline.now_ns
    later(world, 100)
    assert world.trace.changes("clamp_valve.14")[-1] == (off_ns + 20 * MS, False)
