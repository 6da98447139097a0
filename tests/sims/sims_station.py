"""Base case A and a small station around it, for the tests of this folder."""

from __future__ import annotations

from typing import Any

from sims import (
    AirJet,
    AirSupply,
    Change,
    Cylinder,
    EmergencyStop,
    FlowSwitch,
    InputWire,
    Lamp,
    LevelChange,
    OutputWire,
    Parameters,
    PhotoEye,
    Plant,
    PositionSwitch,
    PushButton,
    SafetyRelay,
    Supply24,
    Valve52,
)

MS = 1_000_000
S = 1_000_000_000
SUPPLY_PA = 701_325.0

BASE_A: dict[str, Any] = {
    "bore_m": 0.020,
    "rod_m": 0.008,
    "stroke_m": 0.100,
    "load_kg": 0.3,
    "throttle_out_c": 0.06e-8,
    "check_c": 0.6e-8,
    "dead_cap_m3": 4e-6,
    "dead_rod_m3": 4e-6,
    "coulomb_n": 12.0,
    "static_n": 18.0,
    "stribeck_m_s": 0.02,
    "viscous_n_s_m": 30.0,
}


def cylinder(**other: Any) -> Cylinder:
    switches = {"extended": PositionSwitch(0.1, 2e-9, 1e-4), "retracted": PositionSwitch(0.0, 2e-9, 1e-4)}
    return Cylinder(valve="clamp_valve", switches=switches, **{**BASE_A, **other})


def devices(**other: Parameters) -> dict[str, Parameters]:
    station: dict[str, Parameters] = {
        "air": AirSupply(SUPPLY_PA),
        "main_24v": Supply24(),
        "e_stop": EmergencyStop(),
        "reset": PushButton(),
        "stop_button": PushButton(normally_closed=True),
        "switched_24v": SafetyRelay("main_24v", "e_stop", "reset", on_at_start=True),
        "clamp_valve": Valve52("air"),
        "clamp": cylinder(),
        "jet_valve": Valve52("air", bistable=True),
        "jet": AirJet("jet_valve", 4, 0.2e-8, 0.3, 1.0, 0.5e-8, 0.3),
        "jet_flow": FlowSwitch("jet", 1e-3, 1e-4, 0.1),
        "eye": PhotoEye(response_s=0.001),
        "lamp": Lamp(),
    }
    return {**station, **other}


INPUTS = {
    "Extended": InputWire("clamp.extended", "main_24v"),
    "Retracted": InputWire("clamp.retracted", "main_24v"),
    "CycleStop": InputWire("stop_button", "main_24v"),
    "StopReleased": InputWire("e_stop", "main_24v"),
    "PowerOn": InputWire("switched_24v.on", "main_24v"),
    "Flow": InputWire("jet_flow", "main_24v"),
    "Eye": InputWire("eye", "main_24v"),
}
OUTPUTS = {
    "Clamp": OutputWire("clamp_valve.14", "switched_24v"),
    "Blow": OutputWire("jet_valve.14", "switched_24v"),
    "BlowOff": OutputWire("jet_valve.12", "switched_24v"),
    "Lamp": OutputWire("lamp", "main_24v"),
}


def make(**other: Parameters) -> Plant:
    return Plant(devices(**other), INPUTS, OUTPUTS)


def run(plant: Plant, to_ns: int) -> list[Change]:
    """Advance one call at a time, as the world does."""
    found: list[Change] = []
    while (due_ns := plant.next_ns()) is not None and due_ns <= to_ns:
        found += plant.advance(due_ns)
    return found + plant.advance(to_ns)


def when(changes: list[Change], name: str, value: bool) -> list[int]:
    """The times at which a truth or level took a value."""
    found = []
    for change in changes:
        if isinstance(change, LevelChange):
            if change.tag == name and change.level == value:
                found.append(change.t_ns)
        elif change.name == name and change.value == value:
            found.append(change.t_ns)
    return found
