"""Which signals devices offer to input points, and which loads output points can drive."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from bench.station.model import (
    Cylinder,
    Device,
    EmergencyStop,
    FlowSwitch,
    Lamp,
    PhotoEye,
    PushButton,
    SafetyRelay,
    Valve52,
)

Contact = Literal["NO", "NC"]


def signal_contacts(devices: Mapping[str, Device]) -> dict[str, Contact]:
    """Every signal a point may read `from`, in file order, with its contact.

    Sensors count as normally open: what they report is TRUE while it is so.
    """
    signals: dict[str, Contact] = {}
    for name, device in devices.items():
        if isinstance(device, PushButton):
            signals[name] = device.contact
        elif isinstance(device, EmergencyStop):
            signals[name] = "NC"
        elif isinstance(device, SafetyRelay):
            signals[f"{name}.on"] = "NO"
        elif isinstance(device, Cylinder):
            signals.update({f"{name}.{switch}": "NO" for switch in device.switches})
        elif isinstance(device, FlowSwitch | PhotoEye):
            signals[name] = "NO"
    return signals


def load_names(devices: Mapping[str, Device]) -> tuple[str, ...]:
    """Every load a point may drive (`to`), in file order: coils and lamps."""
    loads: list[str] = []
    for name, device in devices.items():
        if isinstance(device, Valve52):
            loads.extend(f"{name}.{coil}" for coil in coils(device))
        elif isinstance(device, Lamp):
            loads.append(name)
    return tuple(loads)


def coils(valve: Valve52) -> tuple[str, ...]:
    """The pilot ports that have a coil."""
    return ("14", "12") if valve.actuation == "bistable" else ("14",)
