"""Sensors and operator devices: what they are, and when their contacts change.

Stuck contacts, broken wires and missing supplies are the wiring's affair (`sims.wiring`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import expm1

from sims.errors import require_above, require_from


@dataclass(frozen=True, slots=True)
class PositionSwitch:
    """Magnetic switch on a cylinder barrel: on while the piston is within the window around at_m.

    Args:
        at_m: piston position at the middle of the window, m from fully retracted.
        window_m: width in which it switches on; 4-8 mm is common practice.
        hysteresis_m: how far past an edge of the window it stays on; 1 mm is common practice.
    """

    at_m: float
    window_m: float = 0.006
    hysteresis_m: float = 0.001

    def __post_init__(self) -> None:
        require_from("position switch", "at_m", self.at_m, -1.0, 100.0)
        require_above("position switch", "window_m", self.window_m, 0.0)
        require_from("position switch", "hysteresis_m", self.hysteresis_m, 0.0)


class SwitchEdges:
    """The four positions at which one position switch changes."""

    __slots__ = ("high", "high_off", "low", "low_off")

    def __init__(self, switch: PositionSwitch) -> None:
        self.low = switch.at_m - 0.5 * switch.window_m
        self.high = switch.at_m + 0.5 * switch.window_m
        self.low_off = self.low - switch.hysteresis_m
        self.high_off = self.high + switch.hysteresis_m

    def holds(self, x_m: float) -> bool:
        return self.low <= x_m <= self.high

    def crossings(self, on: bool, x0_m: float, x1_m: float) -> list[tuple[float, bool]]:
        """Changes while the piston goes from x0 to x1: (share of the way, new state), in order."""
        if on:
            if self.low_off <= x1_m <= self.high_off:
                return []
            edge = self.low_off if x1_m < self.low_off else self.high_off
            return [(_share(edge, x0_m, x1_m), False)]
        up = x1_m > x0_m
        enter, leave = (self.low, self.high_off) if up else (self.high, self.low_off)
        reached = x0_m < enter <= x1_m if up else x1_m <= enter < x0_m
        if not reached:
            return [(1.0, True)] if self.holds(x1_m) else []
        found = [(_share(enter, x0_m, x1_m), True)]
        if x1_m > leave if up else x1_m < leave:
            found.append((_share(leave, x0_m, x1_m), False))
        return found


def _share(edge: float, start: float, end: float) -> float:
    return min(max((edge - start) / (end - start), 0.0), 1.0) if end != start else 1.0


@dataclass(frozen=True, slots=True)
class FlowSwitch:
    """Flow switch in the line of an air jet; follows the flow with a first-order lag (thermal principle).

    Args:
        line: name of the AirJet.
        on_m3_s: switches on at this flow, m3/s ANR (60 L/min = 1e-3 m3/s).
        hysteresis_m3_s: switches off that much below; 5-10 % of the setpoint is common practice.
        response_s: time constant, 0.05-0.2 s in practice.
    """

    line: str
    on_m3_s: float
    hysteresis_m3_s: float = 1e-4
    response_s: float = 0.1

    def __post_init__(self) -> None:
        require_above("flow switch", "on_m3_s", self.on_m3_s, 0.0)
        require_from("flow switch", "hysteresis_m3_s", self.hysteresis_m3_s, 0.0, 0.99 * self.on_m3_s)
        require_from("flow switch", "response_s", self.response_s, 0.0, 60.0)


class FlowSwitchModel:
    """State of one flow switch: the lagged flow and its contact."""

    def __init__(self, parameters: FlowSwitch, step_s: float, flow_m3_s: float) -> None:
        self.parameters = parameters
        self.flow_m3_s = flow_m3_s
        self.before_m3_s = flow_m3_s
        self.on = flow_m3_s >= parameters.on_m3_s
        self._gain = -expm1(-step_s / parameters.response_s) if parameters.response_s > 0.0 else 1.0

    def step(self, flow_m3_s: float) -> float | None:
        """Follow the mean flow of one step; the share of the step at which the contact changed, or None."""
        before = self.before_m3_s = self.flow_m3_s
        after = self.flow_m3_s = before + (flow_m3_s - before) * self._gain
        edge = self.parameters.on_m3_s - (self.parameters.hysteresis_m3_s if self.on else 0.0)
        if not self.on and after < edge:
            return None
        # without hysteresis a flow just at the setpoint keeps the switch on
        if self.on and (after > edge or (after == edge and not self.parameters.hysteresis_m3_s)):
            return None
        self.on = not self.on
        return _share(edge, before, after)

    def settled(self, flow_m3_s: float) -> bool:
        """Whether the lagged flow has all but reached the steady flow."""
        return abs(self.flow_m3_s - flow_m3_s) <= 1e-5 * self.parameters.on_m3_s


@dataclass(frozen=True, slots=True)
class PhotoEye:
    """Photo-electric sensor.

    Args:
        dark_on: its output is on while the beam is blocked; else while it is clear.
        response_s: beam to output, 0.5-1 ms in practice; a shorter interruption is not seen.
    """

    dark_on: bool = True
    response_s: float = 0.0

    def __post_init__(self) -> None:
        require_from("photo-eye", "response_s", self.response_s, 0.0, 10.0)


@dataclass(frozen=True, slots=True)
class PushButton:
    """Push button, spring return, one contact: normally closed or normally open."""

    normally_closed: bool = False


@dataclass(frozen=True, slots=True)
class EmergencyStop:
    """Emergency stop: latches when pressed, reset by hand at the device (ISO 13850).

    Two NC channels, `<name>.ch1` and `<name>.ch2`, for a safety relay, and one NC contact for an input.
    """
