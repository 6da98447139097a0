"""Which names a scenario of one station may use, and what may be done to each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bench.station import LoadedStation
from bench.station.model import (
    AirJet,
    AirSupply,
    Cylinder,
    EmergencyStop,
    FlowSwitch,
    PhotoEye,
    PushButton,
    Valve52,
)
from bench.station.wiring import watched_modules


@dataclass(frozen=True, slots=True)
class Places:
    """The station's names by what a step may do to them.

    `kinds` are the types of everything a condition may mention; `settable` and `limits` go by
    `device.quantity`; `faults` lists the targets of each kind of fault.
    """

    kinds: Mapping[str, str]
    tags: tuple[str, ...]
    buttons: tuple[str, ...]
    overrides: tuple[str, ...]
    settable: Mapping[str, type]
    limits: Mapping[str, tuple[float, float]]
    faults: Mapping[str, tuple[str, ...]]

    @property
    def names(self) -> tuple[str, ...]:
        """Everything with a value."""
        return tuple(self.kinds)


def places_of(station: LoadedStation, kinds: Mapping[str, str]) -> Places:
    """The names of *station*; *kinds* comes from the built world."""
    devices = station.model.devices
    tags = tuple(p.tag for p in (*station.layout.inputs, *station.layout.outputs))
    modules = tuple(module.name for module in watched_modules(station.model.modules))
    settable: dict[str, type] = {}
    limits: dict[str, tuple[float, float]] = {}
    for name, device in devices.items():
        if isinstance(device, PhotoEye):
            settable[f"{name}.blocked"] = bool
        elif isinstance(device, AirSupply):
            settable[f"{name}.pressure_bar"] = float
            limits[f"{name}.pressure_bar"] = (0.0, 16.0)
        elif isinstance(device, AirJet):
            settable[f"{name}.open_percent"] = float
            limits[f"{name}.open_percent"] = (0.0, 100.0)
    contacts = tuple(c for name, device in devices.items() for c in _contacts(name, device))
    valves = tuple(name for name, device in devices.items() if isinstance(device, Valve52))
    coils = tuple(c for name, device in devices.items() for c in _coils(name, device))
    return Places(
        kinds=kinds,
        tags=tags,
        buttons=tuple(n for n, d in devices.items() if isinstance(d, PushButton | EmergencyStop)),
        overrides=tuple(side for n, d in devices.items() if isinstance(d, Valve52) for side in _sides(n)),
        settable=settable,
        limits=limits,
        faults={
            "wire_break": tags,
            "stuck_on": contacts,
            "stuck_off": contacts,
            "air_loss": tuple(n for n, d in devices.items() if isinstance(d, AirSupply)),
            "coil_open": coils,
            "valve_slow": valves,
            "valve_not_shifting": valves,
            "valve_not_returning": valves,
            "link_down": ("adapter",),
            "power_loss": ("adapter",),
            "module_missing": modules,
            "module_fault": modules,
        },
    )


def _contacts(name: str, device: object) -> tuple[str, ...]:
    if isinstance(device, Cylinder):
        return tuple(f"{name}.{switch}" for switch in device.switches)
    return (name,) if isinstance(device, PushButton | EmergencyStop | PhotoEye | FlowSwitch) else ()


def _coils(name: str, device: object) -> tuple[str, ...]:
    if not isinstance(device, Valve52):
        return ()
    return (f"{name}.14", f"{name}.12") if device.actuation == "bistable" else (f"{name}.14",)


def _sides(name: str) -> tuple[str, str]:
    return f"{name}.14", f"{name}.12"
