"""Where each point stands in the input and output images.

Modules are laid out in the order of the file, each on a new byte, bit 0 first: digital inputs in the
input image, digital outputs and valve coils in the output image. A module status has one bit a module.

Jumpered and status points that stand under no tag have their address for one: `DQ.5`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from bench.station.model import Module, Station
from bench.station.wiring import is_input, own_ends, point_count, signal_contacts

Direction = Literal["in", "out"]
Contact = Literal["NO", "NC", ""]


@dataclass(frozen=True, slots=True)
class PointPlace:
    """A tag, its place in the image (`byte`, `bit`), and the device at the other end of its wire.

    `device` is the signal (`clamp.extended`) or load (`clamp_valve.14`) as the file names it; `contact`
    is NO or NC for signals and empty for loads.
    """

    tag: str
    module: str
    bit_of_module: int
    byte: int
    bit: int
    direction: Direction
    device: str
    contact: Contact = ""
    note: str = ""

    @property
    def address(self) -> str:
        """The address as the file writes it: `DI.9`."""
        return f"{self.module}.{self.bit_of_module}"

    @property
    def tagged(self) -> bool:
        """False for a point the person gave no tag."""
        return self.tag != self.address


@dataclass(frozen=True, slots=True)
class Layout:
    """Both images: points in image order and sizes in bytes."""

    inputs: tuple[PointPlace, ...]
    outputs: tuple[PointPlace, ...]
    input_size: int
    output_size: int

    def find(self, tag: str) -> PointPlace | None:
        """The place of a tag, letter case aside as in IEC 61131-3; None where there is no such tag."""
        folded = tag.casefold()
        return next(
            (place for place in (*self.inputs, *self.outputs) if place.tag.casefold() == folded), None
        )


def lay_out(station: Station) -> Layout:
    """Lay out a station that has passed its checks; points at wrong addresses are left out."""
    starts, input_size, output_size = _module_starts(station.modules)
    contacts = signal_contacts(station.devices)
    ends = own_ends(station.modules, station.devices)
    places: list[PointPlace] = []
    tagged: set[tuple[str, int]] = set()
    for tag, point in station.points.items():
        address = split_address(point.at)
        if address is None or address[0] not in starts:
            continue
        name, number = address
        start, direction = starts[name]
        own = ends.get(name, ())[number : number + 1]
        device = own[0] if own else (point.signal if direction == "in" else point.load) or ""
        contact: Contact = contacts.get(device, "") if direction == "in" else ""
        places.append(_place(tag, name, number, start, direction, device, contact, point.note))
        tagged.add(address)
    for name, devices in ends.items():
        for number, device in enumerate(devices):
            if name in starts and (name, number) not in tagged:
                places.append(_place(f"{name}.{number}", name, number, *starts[name], device))
    inputs = [place for place in places if place.direction == "in"]
    outputs = [place for place in places if place.direction == "out"]
    return Layout(_in_order(inputs), _in_order(outputs), input_size, output_size)


def _place(
    tag: str,
    module: str,
    number: int,
    start: int,
    direction: Direction,
    device: str,
    contact: Contact = "",
    note: str = "",
) -> PointPlace:
    byte, bit = start + number // 8, number % 8
    return PointPlace(tag, module, number, byte, bit, direction, device, contact, note)


def split_address(text: str) -> tuple[str, int] | None:
    """`DI.9` to ("DI", 9); None where the text has not this form."""
    name, dot, number = text.rpartition(".")
    if not (dot and name and number.isascii() and number.isdecimal() and len(number) <= 4):
        return None
    return name, int(number)


def _module_starts(modules: Iterable[Module]) -> tuple[dict[str, tuple[int, Direction]], int, int]:
    starts: dict[str, tuple[int, Direction]] = {}
    sizes: dict[Direction, int] = {"in": 0, "out": 0}
    modules = tuple(modules)
    for module in modules:
        direction: Direction = "in" if is_input(module) else "out"
        starts[module.name] = (sizes[direction], direction)
        sizes[direction] += (point_count(module, modules) + 7) // 8
    return starts, sizes["in"], sizes["out"]


def _in_order(places: Iterable[PointPlace]) -> tuple[PointPlace, ...]:
    return tuple(sorted(places, key=lambda place: (place.byte, place.bit)))
