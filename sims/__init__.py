"""Physics of a pneumatic station: plain Python, SI units, absolute pressures, no clock and no files."""

from sims.changes import Change, DeviceChange, LevelChange
from sims.cylinder import Cylinder
from sims.electrical import InputWire, Jumper, Lamp, OutputWire, SafetyRelay, Supply24
from sims.errors import ModelError
from sims.jet import AirJet
from sims.plant import FAULTS, Parameters, Plant
from sims.sensors import EmergencyStop, FlowSwitch, PhotoEye, PositionSwitch, PushButton
from sims.supply import AirSupply
from sims.valve import Valve32, Valve52, Valve53

__all__ = [
    "FAULTS",
    "AirJet",
    "AirSupply",
    "Change",
    "Cylinder",
    "DeviceChange",
    "EmergencyStop",
    "FlowSwitch",
    "InputWire",
    "Jumper",
    "Lamp",
    "LevelChange",
    "ModelError",
    "OutputWire",
    "Parameters",
    "PhotoEye",
    "Plant",
    "PositionSwitch",
    "PushButton",
    "SafetyRelay",
    "Supply24",
    "Valve32",
    "Valve52",
    "Valve53",
]
