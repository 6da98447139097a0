"""Compressed air at the station's inlet: a settable pressure that can be lost and restored."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

from sims.air import PATM_PA
from sims.errors import require_from

SETTLED_PA = 50.0  # below any gauge; ends the exponential tail


@dataclass(frozen=True, slots=True)
class AirSupply:
    """Air supply.

    Args:
        pressure_pa: absolute, from atmospheric pressure up to 2 MPa.
        vent_s: time constant of the fall to atmosphere when the air is lost, and of the rise when it
            comes back; 0 = at once. 0.15 s is common practice for a station's tubing, no source.
    """

    pressure_pa: float
    vent_s: float = 0.15

    def __post_init__(self) -> None:
        require_from("air supply", "pressure_pa", self.pressure_pa, PATM_PA, 2e6)
        require_from("air supply", "vent_s", self.vent_s, 0.0, 60.0)


@dataclass(frozen=True, slots=True)
class Ramp:
    """A quantity that goes in a straight line from `start` at start_ns to `end` at end_ns."""

    start_ns: int
    end_ns: int
    start: float
    end: float

    def at(self, t_ns: int) -> float:
        if t_ns >= self.end_ns:
            return self.end
        if t_ns <= self.start_ns:
            return self.start
        return self.start + (self.end - self.start) * (t_ns - self.start_ns) / (self.end_ns - self.start_ns)


class SupplyModel:
    """State of one air supply: the regulator's set pressure, and the line that follows it or vents."""

    def __init__(self, parameters: AirSupply) -> None:
        self.parameters = parameters
        self.ramp = Ramp(0, 0, parameters.pressure_pa, parameters.pressure_pa)
        self.on = True
        self._switched_ns = 0
        self._offset_pa = 0.0  # what the line had too much or too little when it was last switched

    def set_pressure(self, pressure_pa: float, now_ns: int, over_ns: int) -> None:
        """Turn the regulator, in a straight line over `over_ns`."""
        require_from("air supply", "pressure_pa", pressure_pa, PATM_PA, 2e6)
        self.ramp = Ramp(now_ns, now_ns + over_ns, self.ramp.at(now_ns), pressure_pa)

    def switch(self, on: bool, now_ns: int) -> None:
        """Connect the line to the regulator, or to the atmosphere."""
        before_pa = self.pressure_pa(now_ns)
        self.on = on
        self._switched_ns = now_ns
        self._offset_pa = before_pa - self._goal_pa(now_ns)

    def pressure_pa(self, t_ns: int) -> float:
        """Absolute pressure of the line at t_ns."""
        goal_pa = self._goal_pa(t_ns)
        return goal_pa + self._left_pa(t_ns) if self._offset_pa else goal_pa

    def steady(self, t_ns: int) -> bool:
        """Whether the pressure stays as it is from t_ns on."""
        return t_ns >= self.ramp.end_ns and (not self._offset_pa or not self._left_pa(t_ns))

    def _goal_pa(self, t_ns: int) -> float:
        return self.ramp.at(t_ns) if self.on else PATM_PA

    def _left_pa(self, t_ns: int) -> float:
        vent_s = self.parameters.vent_s
        if vent_s <= 0.0:
            return 0.0
        left_pa = self._offset_pa * exp(-max(t_ns - self._switched_ns, 0) * 1e-9 / vent_s)
        return left_pa if abs(left_pa) > SETTLED_PA else 0.0
