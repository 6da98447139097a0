"""24 V side of the station: supply, safety relay, wires, lamp.

Common practice with an emergency stop (IEC 60204-1, ISO 13850): it takes the power from the outputs and
leaves inputs and network alive, and its reset permits a start but does not make one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sims.errors import require_from
from sims.valve import At


@dataclass(frozen=True, slots=True)
class Supply24:
    """24 V supply; set("<name>", "on", False) switches it off."""


@dataclass(frozen=True, slots=True)
class SafetyRelay:
    """Two-channel safety relay with monitored reset; its output is a switched 24 V supply.

    Args:
        supply: name of the Supply24 it is fed from.
        stop: name of the EmergencyStop; both of its channels must be closed.
        reset: name of the PushButton; only a fresh press with the stop released counts.
        drop_out_s: from the opening of a channel to the fall of the output, 10-30 ms in practice.
        on_at_start: whether it has already been reset at t = 0.
    """

    supply: str
    stop: str
    reset: str
    drop_out_s: float = 0.020
    on_at_start: bool = False

    def __post_init__(self) -> None:
        require_from("safety relay", "drop_out_s", self.drop_out_s, 0.0, 10.0)


@dataclass(frozen=True, slots=True)
class Lamp:
    """Indicator lamp; its quantity is `<name>.lit`."""


@dataclass(frozen=True, slots=True)
class InputWire:
    """From a contact to an input terminal.

    Args:
        signal: the contact: a device's name, `cylinder.switch` or `jumper.n`.
        supply: name of the Supply24 or SafetyRelay that feeds the contact.
    """

    signal: str
    supply: str


@dataclass(frozen=True, slots=True)
class OutputWire:
    """From an output terminal to a load.

    Args:
        load: `valve.14`, `valve.12`, a lamp's name, or `jumper.n`.
        supply: name of the Supply24 or SafetyRelay that feeds the output.
    """

    load: str
    supply: str


@dataclass(frozen=True, slots=True)
class Jumper:
    """Wires from the terminals of an output module straight to those of an input module.

    Core n is the load `<name>.n` of one output and the contact `<name>.n` of one input, so an input wire
    from it is fed by the supply of that output. No delay of its own.
    """

    points: int

    def __post_init__(self) -> None:
        require_from("jumper", "points", self.points, 1, 4096)


class RelayModel:
    """State of one safety relay. After a stop both channels must have been open before a reset works."""

    def __init__(self, parameters: SafetyRelay, at: At, switch: Callable[[bool, int], None]) -> None:
        self.parameters = parameters
        self.on = parameters.on_at_start
        self._dropping_ns: int | None = None  # when the output falls, after the opening of a channel
        self._stopped = False  # a channel has opened since the last reset
        self._opened = [False, False]
        self._reset_was = False
        self._at = at
        self._switch = switch

    def update(self, channel_1: bool, channel_2: bool, reset: bool, fed: bool, now_ns: int) -> None:
        """Look at everything the relay is wired to, after any of it changed at now_ns."""
        fresh = reset and not self._reset_was
        self._reset_was = reset
        for index, closed in enumerate((channel_1, channel_2)):
            if not closed:
                self._opened[index] = self._stopped = True
        ready = channel_1 and channel_2 and fed
        if self.on and not fed:  # no supply, nothing to pass on: the drop-out is that of the contacts
            self._drop(now_ns)
        elif self.on and not ready and self._dropping_ns is None:
            self._dropping_ns = due_ns = now_ns + round(self.parameters.drop_out_s * 1e9)
            self._at(due_ns, self._due)
        if fresh and ready and not self.on and (not self._stopped or all(self._opened)):
            self.on, self._stopped, self._opened = True, False, [False, False]
            self._switch(True, now_ns)

    def _due(self, t_ns: int) -> None:
        if t_ns == self._dropping_ns:
            self._drop(t_ns)

    def _drop(self, t_ns: int) -> None:
        self._dropping_ns = None
        self.on = False
        self._switch(False, t_ns)
