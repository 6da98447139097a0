"""Cross references of a station: what the models cannot see because it takes two entries to be wrong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import get_args

from bench.errors import Mistake
from bench.station.document import Document, Path
from bench.station.identifiers import identifier_fault
from bench.station.image import split_address
from bench.station.model import (
    AirJet,
    AirSupply,
    Cylinder,
    Device,
    DigitalInput,
    DigitalOutput,
    EmergencyStop,
    FlowSwitch,
    Jumper,
    Module,
    Point,
    PushButton,
    SafetyRelay,
    Station,
    Supply24V,
    Valve52,
    ValveCoils,
)
from bench.station.wiring import coils, is_input, load_names, own_ends, point_count, signal_contacts
from bench.station.words import hint, listing


@dataclass(frozen=True, slots=True)
class Broken:
    """Entries the model has refused already; references to them are not reported a second time.

    `sections` names the top level keys of which nothing could be read.
    """

    modules: frozenset[str] = frozenset()
    devices: frozenset[str] = frozenset()
    sections: frozenset[str] = frozenset()

    def device(self, name: str) -> bool:
        """True where nothing can be said about the device called `name`."""
        return "devices" in self.sections or name in self.devices

    def module(self, name: str) -> bool:
        """True where nothing can be said about the module called `name`."""
        return "modules" in self.sections or name in self.modules


@dataclass(frozen=True, slots=True)
class _Subject:
    station: Station
    document: Document
    broken: Broken
    contacts: Mapping[str, str] = field(init=False)
    loads: tuple[str, ...] = field(init=False)
    ends: Mapping[str, tuple[str, ...]] = field(init=False)  # what modules are wired to by themselves

    def __post_init__(self) -> None:
        object.__setattr__(self, "ends", own_ends(self.station.modules, self.station.devices))
        object.__setattr__(self, "contacts", signal_contacts(self.station.devices))
        object.__setattr__(self, "loads", load_names(self.station.devices))

    @property
    def loose_jumper(self) -> bool:
        """Whether some jumper may lead where it does not seem to: points without an end may be its."""
        if "devices" in self.broken.sections or self.broken.devices:
            return True
        jumpers = {n: device for n, device in self.station.devices.items() if isinstance(device, Jumper)}
        return any(
            not (*self.ends.get(module, ()), "")[0].startswith(f"{name}.")
            for name, jumper in jumpers.items()
            for module in (jumper.source, jumper.sink)
        )

    def module_path(self, name: str, key: str) -> Path:
        """The path of a module by its name, as the file counts modules, broken ones included."""
        written = self.document.data["modules"]
        for index, entry in enumerate(written):
            if isinstance(entry, dict) and entry.get("name") == name:
                return ("modules", index, key)
        return ("modules",)


def check_station(station: Station, document: Document, broken: Broken | None = None) -> list[Mistake]:
    """Every mistake between the entries of a station, in no particular order."""
    subject = _Subject(station, document, broken or Broken())
    return [
        *_adapter(subject),
        *_names(subject),
        *_modules(subject),
        *_points(subject),
        *_references(subject),
        *_devices(subject),
    ]


def _adapter(subject: _Subject) -> Iterator[Mistake]:
    adapter, document = subject.station.adapter, subject.document
    seen: dict[int, str] = {}
    for role in ("input", "output", "configuration", "input_only", "listen_only"):
        number: int = getattr(adapter.assemblies, role)
        if number in seen:
            sentence = f"assembly {number} is the {seen[number]} assembly already; each needs its own number"
            wrong = role if ("adapter", "assemblies", role) in document.positions else seen[number]
            yield document.mistake(("adapter", "assemblies", wrong), sentence)
        seen.setdefault(number, role)
    rpi_ms = adapter.rpi_ms
    if rpi_ms.default < rpi_ms.minimum:
        sentence = f"the default RPI {rpi_ms.default:g} ms is below the minimum {rpi_ms.minimum:g} ms"
        yield document.mistake(("adapter", "rpi_ms", "default"), sentence)
    if rpi_ms.default > rpi_ms.maximum:
        sentence = f"the default RPI {rpi_ms.default:g} ms is above the maximum {rpi_ms.maximum:g} ms"
        key = "default" if ("adapter", "rpi_ms", "default") in document.positions else "maximum"
        yield document.mistake(("adapter", "rpi_ms", key), sentence)


def _names(subject: _Subject) -> Iterator[Mistake]:
    """Tags and devices share one name space, letter case aside, because logic may name either."""
    station, document = subject.station, subject.document
    paths: list[Path] = [("points", tag) for tag in station.points]
    paths += [("devices", name) for name in station.devices]
    paths.sort(key=document.key_position)
    seen: dict[str, Path] = {}
    for path in paths:
        name = str(path[1])
        fault = identifier_fault(name)
        if fault:
            yield document.mistake(path, fault, at_key=True)
        first = seen.setdefault(name.casefold(), path)
        if first != path:
            kind = "tag" if first[0] == "points" else "device"
            line = document.key_position(first)[0]
            sentence = f"{name!r} is the {kind} {first[1]!r} of line {line}, letter case aside"
            yield document.mistake(path, sentence, at_key=True)
    for name, device in station.devices.items():
        for switch in device.switches if isinstance(device, Cylinder) else ():
            fault = identifier_fault(switch)
            if fault:
                yield document.mistake(("devices", name, "switches", switch), fault, at_key=True)


def _modules(subject: _Subject) -> Iterator[Mistake]:
    station, document = subject.station, subject.document
    yield from _module_names(subject)
    for module in station.modules:
        if isinstance(module, DigitalOutput | ValveCoils):
            path = subject.module_path(module.name, "power")
            yield from _reference(subject, path, module.power, (Supply24V, SafetyRelay))
    devices = {name.casefold() for name in station.devices}
    for name in subject.ends:
        if name.casefold() in devices and not subject.broken.module(name):
            sentence = f"{name!r} is a device too; points without a tag are called {name}.0 and so on"
            yield document.mistake(subject.module_path(name, "name"), sentence)
    if "devices" in subject.broken.sections or subject.broken.devices:
        return
    if not any(isinstance(device, Supply24V) for device in station.devices.values()):
        sentence = "no supply_24v among the devices; the adapter, its inputs and its outputs need one"
        yield document.mistake(("devices",), sentence, at_key=True)


def _module_names(subject: _Subject) -> Iterator[Mistake]:
    """From the file and not from the model, to name the second of two equal ones."""
    document = subject.document
    written = document.data.get("modules")
    seen: dict[str, int] = {}
    for index, entry in enumerate(written if isinstance(written, list) else ()):
        name = entry.get("name") if isinstance(entry, dict) else None
        if not isinstance(name, str):
            continue
        path: Path = ("modules", index, "name")
        fault = identifier_fault(name)
        if fault:
            yield document.mistake(path, fault)
        first = seen.setdefault(name, index)
        if first != index:
            line = document.position(("modules", first, "name"))[0]
            yield document.mistake(path, f"a module {name!r} stands on line {line} already")


def _points(subject: _Subject) -> Iterator[Mistake]:
    modules = {
        module.name: module for module in reversed(subject.station.modules)
    }  # the first of equal names
    taken: dict[tuple[str, int], str] = {}
    driven: dict[str, str] = {}
    for tag, point in subject.station.points.items():
        yield from _address(subject, modules, tag, point, taken)
        yield from _wire(subject, modules, tag, point)
        if point.load is not None:
            first = driven.setdefault(point.load, tag)
            if first != tag:
                sentence = f"{point.load!r} is driven by {first!r} already; one load, one output"
                yield subject.document.mistake(("points", tag, "to"), sentence)


def _address(
    subject: _Subject,
    modules: Mapping[str, Module],
    tag: str,
    point: Point,
    taken: dict[tuple[str, int], str],
) -> Iterator[Mistake]:
    path: Path = ("points", tag, "at")
    mistake = subject.document.mistake
    address = split_address(point.at)
    if address is None:
        yield mistake(path, f"{point.at!r} is no address; expected a module and a point, such as DI.9")
        return
    name, number = address
    module = modules.get(name)
    count = 0 if module is None else point_count(module, subject.station.modules)
    if module is not None and number >= count:
        last = f"{name}.{count - 1}"
        yield mistake(path, f"{point.at!r} is outside {name}, whose points are {name}.0 to {last}")
    elif module is None and not subject.broken.module(name):
        known = sorted({*modules, *subject.broken.modules})
        yield mistake(path, f"there is no module {name!r}{hint(name, known)}")
    first = taken.setdefault(address, tag)
    if first != tag:
        yield mistake(path, f"{point.at} is the address of {first!r} already")


def _wire(subject: _Subject, modules: Mapping[str, Module], tag: str, point: Point) -> Iterator[Mistake]:
    """Exactly one end, on the side of the module, at something that exists."""
    mistake, here = subject.document.mistake, ("points", tag)
    address = split_address(point.at)
    module = modules.get(address[0]) if address else None
    if address is not None and address[0] in subject.ends:
        yield from _own_wire(subject, tag, point, address)
        return
    if point.signal is None and point.load is None and not subject.loose_jumper:
        sentence = "the point is wired to nothing; say 'from' a signal or 'to' a load"
        yield mistake(here, sentence, at_key=True)
    if point.signal is not None and point.load is not None:
        sentence = "a point is an input ('from') or an output ('to'), not both"
        yield mistake((*here, "to"), sentence, at_key=True)
    reads = module is not None and is_input(module)
    if module is not None and reads and point.load is not None and point.signal is None:
        sentence = f"{module.name} is a {module.kind} module and drives nothing; wire it 'from' a signal"
        yield mistake((*here, "to"), sentence, at_key=True)
    if module is not None and not reads and point.signal is not None and point.load is None:
        sentence = f"{module.name} is a {module.kind} module and reads nothing; wire it 'to' a load"
        yield mistake((*here, "from"), sentence, at_key=True)
    if point.signal is not None:
        yield from _wire_end(subject, (*here, "from"), point.signal, "signal", tuple(subject.contacts))
    if point.load is not None:
        yield from _wire_end(subject, (*here, "to"), point.load, "load", subject.loads)


def _own_wire(subject: _Subject, tag: str, point: Point, address: tuple[str, int]) -> Iterator[Mistake]:
    """A point of a jumpered module or a module status: it may only say what is known already."""
    own = subject.ends[address[0]][address[1] : address[1] + 1]
    module = next(module for module in subject.station.modules if module.name == address[0])
    key = "from" if is_input(module) else "to"
    for word_of, word in (("from", point.signal), ("to", point.load)):
        if word is None or not own or (word == own[0] and word_of == key):
            continue
        sentence = f"{point.at} is wired to {own[0]} already; leave {word_of!r} out"
        yield subject.document.mistake(("points", tag, word_of), sentence)


def _wire_end(
    subject: _Subject, path: Path, word: str, what: str, valid: tuple[str, ...]
) -> Iterator[Mistake]:
    name = word.partition(".")[0]
    if word in valid or subject.broken.device(name):
        return
    device = subject.station.devices.get(name)
    if device is None:
        known = (*valid, *sorted(subject.broken.devices))
        yield subject.document.mistake(path, f"there is no {what} {word!r}{hint(word, known)}")
        return
    if isinstance(device, Jumper) and subject.loose_jumper:
        return
    own = [entry for entry in valid if entry.partition(".")[0] == name]
    if isinstance(device, Valve52) and what == "load":
        kind = f"{device.actuation} {device.kind}"
    else:
        kind = device.kind
    tail = f"; it offers {listing(own)}" if own else f" and has no {what}"
    near = hint(word, own) if own else ""
    sentence = f"there is no {what} {word!r}: {name!r} is a {kind}{near if '?' in near else tail}"
    yield subject.document.mistake(path, sentence)


_REFERENCES: tuple[tuple[type[Device], str, type[Device]], ...] = (
    (SafetyRelay, "supply", Supply24V),
    (SafetyRelay, "stop", EmergencyStop),
    (SafetyRelay, "reset", PushButton),
    (Valve52, "supply", AirSupply),
    (Cylinder, "valve", Valve52),
    (AirJet, "valve", Valve52),
    (FlowSwitch, "line", AirJet),
)


def _references(subject: _Subject) -> Iterator[Mistake]:
    """Devices that name a device."""
    for name, device in subject.station.devices.items():
        for owner, key, expected in _REFERENCES:
            if isinstance(device, owner):
                yield from _reference(subject, ("devices", name, key), getattr(device, key), (expected,))


def _reference(
    subject: _Subject, path: Path, word: str, expected: tuple[type[Device], ...]
) -> Iterator[Mistake]:
    if subject.broken.device(word):
        return
    devices = subject.station.devices
    fitting = [name for name, device in devices.items() if isinstance(device, expected)]
    kinds = " or ".join(str(get_args(kind.model_fields["kind"].annotation)[0]) for kind in expected)
    if word not in devices:
        tail = hint(word, (*fitting, *sorted(subject.broken.devices)))
        sentence = f"there is no device {word!r}; expected a device of kind {kinds}{tail}"
        yield subject.document.mistake(path, sentence)
    elif word not in fitting:
        sentence = f"{word!r} is of kind {devices[word].kind}; expected one of kind {kinds}"
        names = f": {listing(fitting)}" if 0 < len(fitting) <= 8 else ""
        yield subject.document.mistake(path, sentence + names)


def _devices(subject: _Subject) -> Iterator[Mistake]:
    for name, device in subject.station.devices.items():
        if isinstance(device, Cylinder):
            yield from _cylinder(subject.document, name, device)
        elif isinstance(device, Jumper):
            yield from _jumper(subject, name, device)
        elif isinstance(device, FlowSwitch) and device.hysteresis_l_min > 0.99 * device.on_l_min:
            sentence = f"a hysteresis of {device.hysteresis_l_min:g} L/min would never let the switch go off"
            yield subject.document.mistake(("devices", name, "hysteresis_l_min"), sentence)
        elif isinstance(device, SafetyRelay):
            button = subject.station.devices.get(device.reset)
            if isinstance(button, PushButton) and button.contact == "NC":
                sentence = f"{device.reset!r} is normally closed; a reset needs a normally open button"
                yield subject.document.mistake(("devices", name, "reset"), sentence)


def _jumper(subject: _Subject, name: str, jumper: Jumper) -> Iterator[Mistake]:
    """From an output module to an input module of as many points, neither of them jumpered before."""
    station, document = subject.station, subject.document
    modules = {module.name: module for module in station.modules}
    for key, word, kinds in (
        ("from", jumper.source, (DigitalOutput, ValveCoils)),
        ("to", jumper.sink, (DigitalInput,)),
    ):
        path: Path = ("devices", name, key)
        fitting = [n for n, module in modules.items() if isinstance(module, kinds)]
        side = "an input" if key == "to" else "an output"
        if word not in modules and not subject.broken.module(word):
            known = [*fitting, *sorted(subject.broken.modules)]
            yield document.mistake(path, f"there is no module {word!r}{hint(word, known)}")
        elif word in modules and word not in fitting:
            sentence = f"{word} is a {modules[word].kind} module; a jumper leads {key} {side} module"
            yield document.mistake(path, sentence + hint(word, fitting))
        first = next(
            n
            for n, device in station.devices.items()
            if isinstance(device, Jumper) and word in (device.source, device.sink)
        )
        if first != name:
            yield document.mistake(path, f"{word} is jumpered by {first!r} already")
    source, sink = modules.get(jumper.source), modules.get(jumper.sink)
    if isinstance(source, DigitalOutput | ValveCoils) and isinstance(sink, DigitalInput):
        if source.points != sink.points:
            counts = f"{source.name} has {source.points} points, {sink.name} has {sink.points}"
            sentence = f"{counts}; a jumper joins modules with equally many"
            yield document.mistake(("devices", name, "to"), sentence)


def _cylinder(document: Document, name: str, cylinder: Cylinder) -> Iterator[Mistake]:
    here: Path = ("devices", name)
    if cylinder.rod_mm >= cylinder.bore_mm:
        sentence = f"a rod of {cylinder.rod_mm:g} mm does not fit a bore of {cylinder.bore_mm:g} mm"
        yield document.mistake((*here, "rod_mm"), sentence)
    for switch, place in cylinder.switches.items():
        if not 0 <= place.at_mm <= cylinder.stroke_mm:
            sentence = f"{place.at_mm:g} mm is outside the stroke of 0 to {cylinder.stroke_mm:g} mm"
            path: Path = (*here, "switches", switch, "at_mm")
            yield document.mistake(path if path in document.positions else path[:-1], sentence)
    coulomb_n, static_n = cylinder.friction.coulomb_n, cylinder.friction.static_n
    if coulomb_n is not None and static_n is not None and static_n < coulomb_n:
        sentence = f"static friction {static_n:g} N is below the Coulomb friction {coulomb_n:g} N"
        yield document.mistake((*here, "friction", "static_n"), sentence)


def unused(station: Station, document: Document) -> list[Mistake]:
    """Warnings: devices and signals that nothing in the file uses. For a station without mistakes."""
    named = _named_devices(station)
    wired = {end for point in station.points.values() for end in (point.signal, point.load) if end}
    warnings: list[Mistake] = []
    for name, device in station.devices.items():
        here: Path = ("devices", name)
        whole = name in named or name in wired
        if isinstance(device, Cylinder):
            for switch in device.switches:
                if f"{name}.{switch}" not in wired:
                    sentence = f"no point reads {name}.{switch}"
                    warnings.append(
                        document.mistake((*here, "switches", switch), sentence, True, at_key=True)
                    )
        elif isinstance(device, Valve52):
            idle = [coil for coil in coils(device) if f"{name}.{coil}" not in wired]
            for coil in idle:
                warnings.append(document.mistake(here, f"no point drives {name}.{coil}", True, at_key=True))
            if not whole:
                sentence = "no cylinder and no air jet is connected to this valve"
                warnings.append(document.mistake(here, sentence, True, at_key=True))
        elif not whole and not isinstance(device, AirJet | Jumper) and f"{name}.on" not in wired:
            warnings.append(document.mistake(here, f"nothing uses this {device.kind}", True, at_key=True))
    return warnings


def _named_devices(station: Station) -> set[str]:
    """Devices that another device or a module names."""
    named = {module.power for module in station.modules if isinstance(module, DigitalOutput | ValveCoils)}
    for device in station.devices.values():
        for owner, key, _ in _REFERENCES:
            if isinstance(device, owner):
                named.add(getattr(device, key))
    return named
