"""What the plant reports: one change of one thing at one instant."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DeviceChange:
    """The truth at a device changed: a piston entered a switch's window, a coil took current.

    `name` is `device.quantity`, such as `clamp.extended`, `clamp_valve.14`, `switched_24v.on`.
    """

    t_ns: int
    name: str
    value: bool | float


@dataclass(frozen=True, slots=True)
class LevelChange:
    """The 24 V level at an input terminal changed; `tag` is the point's."""

    t_ns: int
    tag: str
    level: bool


Change = DeviceChange | LevelChange


class Bit:
    """A truth value, the instant it was reached, and the value before that instant.

    The physics runs one step ahead of its caller, so a command may fall before the last change.
    """

    __slots__ = ("before", "name", "t_ns", "value")

    def __init__(self, name: str, value: bool) -> None:
        self.name = name
        self.value = value
        self.before = value
        self.t_ns = 0

    def at(self, t_ns: int) -> bool:
        """The value at t_ns, which is not before the change before the last one."""
        return self.value if t_ns >= self.t_ns else self.before

    def put(self, value: bool, t_ns: int) -> bool:
        """Store the value; True if it is another one."""
        if value == self.value:
            return False
        self.before = self.value
        self.value = value
        self.t_ns = t_ns
        return True
