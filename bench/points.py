"""The adapter's points: filter, light, force and process image of one remote I/O rack.

No clock in here: levels come with their bench time, and `next_deadline_ns` says when a filter is
through. What a point's light shows is `light`; a force replaces what is sent (input) or what reaches
the load (output), and stays visible until it is removed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass

from bench.errors import LocalError


@dataclass(slots=True)
class Point:
    """One bit at the adapter. `filter_ns` is the time a level must hold before it counts (inputs)."""

    tag: str
    byte: int
    bit: int
    is_input: bool
    filter_ns: int = 0
    value: bool = False  # filtered input, or the bit commanded by the owner of the outputs
    forced: bool | None = None
    level: bool = False  # the terminal as it is now
    settles_ns: int | None = None  # when `level` will have held long enough
    module: str = ""
    absent: bool = False  # its module is missing, faulted or without power

    @property
    def light(self) -> bool:
        """What the light shows: the forced value where there is one; nothing without a module."""
        if self.absent:
            return False
        return self.value if self.forced is None else self.forced


@dataclass(frozen=True, slots=True)
class PointChange:
    """A point's light changed."""

    tag: str
    value: bool
    is_input: bool


class Rack:
    """All points of one adapter and its two images.

    Args:
        points: every point, in the order of the station file.
        input_size, output_size: bytes of the images.
    """

    def __init__(self, points: Iterable[Point], input_size: int, output_size: int) -> None:
        self._points = {point.tag: point for point in points}
        self._outputs = {point.byte * 8 + point.bit: point for point in self if not point.is_input}
        self._image = bytearray(input_size)
        self._last_outputs = 0  # the output image as a number, byte 0 lowest
        self._settling: list[Point] = []

    def __iter__(self) -> Iterator[Point]:
        return iter(self._points.values())

    def point(self, tag: str) -> Point:
        """The point called *tag*; LocalError when there is none."""
        try:
            return self._points[tag]
        except KeyError:
            raise LocalError(f"there is no point {tag}") from None

    @property
    def input_image(self) -> bytes:
        """The bytes to produce, forces included."""
        return bytes(self._image)

    @property
    def forces(self) -> tuple[str, ...]:
        """Tags of forced points, in file order."""
        return tuple(point.tag for point in self if point.forced is not None)

    def level(self, tag: str, level: bool, t_ns: int) -> list[PointChange]:
        """The 24 V level at an input terminal became *level* at *t_ns*."""
        point = self.point(tag)
        point.level = level
        if point.absent:
            return []
        if point.filter_ns == 0 or level == point.value:
            self._unsettle(point)
            return self._take(point)
        if point.settles_ns is None:  # a level told twice has held since it was told first
            self._settling.append(point)
            point.settles_ns = t_ns + point.filter_ns
        return []

    def next_deadline_ns(self) -> int | None:
        """When the next filter is through, None when every input is settled."""
        return min((p.settles_ns for p in self._settling if p.settles_ns is not None), default=None)

    def sample(self, now_ns: int) -> list[PointChange]:
        """Take over every level that has held its filter time by *now_ns*."""
        ready = [p for p in self._settling if p.settles_ns is not None and p.settles_ns <= now_ns]
        changes: list[PointChange] = []
        for point in ready:
            self._unsettle(point)
            changes += self._take(point)
        return changes

    def outputs(self, data: bytes) -> list[PointChange]:
        """The owner's output image, already cleared or held as the adapter is told to."""
        image = int.from_bytes(data, "little")
        differs = image ^ self._last_outputs
        self._last_outputs = image
        changes: list[PointChange] = []
        while differs:  # lowest bit first, which is the order of the images
            lowest = differs & -differs
            differs ^= lowest
            point = self._outputs.get(lowest.bit_length() - 1)
            if point is not None:
                before = point.light
                point.value = bool(image & lowest)
                changes += self._changed(point, before)
        return changes

    def force(self, tag: str, value: bool | None) -> list[PointChange]:
        """Force a point to *value*; None removes the force."""
        point = self.point(tag)
        before = point.light
        point.forced = value
        return self._changed(point, before)

    def set_absent(self, modules: Collection[str], now_ns: int) -> list[PointChange]:
        """Exactly *modules* are missing, faulted or without power: their points read and drive FALSE.

        Forces stay set and act again with the module; the filters of its inputs then start anew.
        """
        changes: list[PointChange] = []
        for point in self:
            absent = point.module in modules
            if absent == point.absent:
                continue
            before = point.light
            point.absent = absent
            if point.is_input:
                self._unsettle(point)
                point.value = False
            changes += self._changed(point, before)
            if point.is_input and not absent:
                changes += self.level(point.tag, point.level, now_ns)
        return changes

    def _take(self, point: Point) -> list[PointChange]:
        before = point.light
        point.value = point.level
        return self._changed(point, before)

    def _changed(self, point: Point, before: bool) -> list[PointChange]:
        if point.light == before:
            return []
        if point.is_input:
            self._image[point.byte] ^= 1 << point.bit
        return [PointChange(point.tag, point.light, point.is_input)]

    def _unsettle(self, point: Point) -> None:
        if point.settles_ns is not None:
            point.settles_ns = None
            self._settling.remove(point)
