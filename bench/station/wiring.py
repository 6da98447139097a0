"""Which signals devices offer to input points, which loads output points can drive, and what a module
itself is wired to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

from bench.station.model import (
    Cylinder,
    Device,
    DigitalInput,
    DigitalOutput,
    EmergencyStop,
    FlowSwitch,
    Jumper,
    Lamp,
    Module,
    ModuleStatus,
    PhotoEye,
    PushButton,
    SafetyRelay,
    Valve52,
    ValveCoils,
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


def is_input(module: Module) -> bool:
    """Whether the module stands in the input image."""
    return isinstance(module, DigitalInput | ModuleStatus)


def watched_modules(modules: Iterable[Module]) -> tuple[Module, ...]:
    """The modules a module_status tells of, in the order of its bits."""
    return tuple(module for module in modules if not isinstance(module, ModuleStatus))


def point_count(module: Module, modules: Iterable[Module]) -> int:
    """How many points a module has; at least one, because an empty module has no place in an image."""
    if isinstance(module, ModuleStatus):
        return max(1, len(watched_modules(modules)))
    return module.points


def own_ends(modules: Iterable[Module], devices: Mapping[str, Device]) -> dict[str, tuple[str, ...]]:
    """By module, what its points are wired to without being told: jumper cores and module faults.

    Where two jumpers name one module, the first counts; the checks report the second.
    """
    modules = tuple(modules)
    sources = {m.name: m.points for m in modules if isinstance(m, DigitalOutput | ValveCoils)}
    sinks = {m.name: m.points for m in modules if isinstance(m, DigitalInput)}
    ends: dict[str, tuple[str, ...]] = {}
    for name, device in devices.items():
        if not isinstance(device, Jumper):
            continue
        for module_name, points in ((device.source, sources), (device.sink, sinks)):
            if module_name in points:
                cores = tuple(f"{name}.{core}" for core in range(points[module_name]))
                ends.setdefault(module_name, cores)
    watched = tuple(f"{module.name}.fault" for module in watched_modules(modules))
    ends.update({module.name: watched for module in modules if isinstance(module, ModuleStatus)})
    return ends
