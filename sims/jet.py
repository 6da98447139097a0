"""Air jet: a valve outlet that blows through a speed control and a nozzle into the atmosphere."""

from __future__ import annotations

from dataclasses import dataclass

from sims.air import PATM_PA, series, volume_flow_m3_s
from sims.errors import require, require_above, require_from
from sims.supply import Ramp
from sims.valve import Paths


@dataclass(frozen=True, slots=True)
class AirJet:
    """Air jet.

    Args:
        valve: name of the Valve52.
        port: its outlet, 2 or 4.
        c, b: ISO 6358 values of the nozzle.
        opening: how far its speed control is open, 0..1 of control_c.
        control_c, control_b: the speed control fully open; control_c None = no speed control.
    """

    valve: str
    port: int = 4
    c: float = 0.2e-8
    b: float = 0.5
    opening: float = 1.0
    control_c: float | None = None
    control_b: float = 0.3

    def __post_init__(self) -> None:
        require("air jet", "port", self.port in (2, 4), "2 or 4", self.port)
        require_above("air jet", "c", self.c, 0.0)
        require_from("air jet", "b", self.b, 0.0, 0.9)
        require_from("air jet", "opening", self.opening, 0.0, 1.0)
        require_from("air jet", "control_b", self.control_b, 0.0, 0.9)
        if self.control_c is not None:
            require_above("air jet", "control_c", self.control_c, 0.0)


class JetModel:
    """State of one jet. The line holds no air: the flow follows pressure and openings at once."""

    def __init__(self, parameters: AirJet, valve_c: float, valve_b: float) -> None:
        self.parameters = parameters
        self.valve_c = valve_c
        self.valve_b = valve_b
        self.ramp = Ramp(0, 0, parameters.opening, parameters.opening)
        self.start_ns = 0
        self.end_ns = 0
        self.start_m3_s = 0.0
        self.end_m3_s = 0.0

    def set_opening(self, opening: float, now_ns: int, over_ns: int) -> None:
        """Turn the speed control, in a straight line over `over_ns`."""
        require_from("air jet", "opening", opening, 0.0, 1.0)
        self.ramp = Ramp(now_ns, now_ns + over_ns, self.ramp.at(now_ns), opening)

    def flow_m3_s(self, supply_pa: float, paths: Paths, t_ns: int) -> float:
        """Flow, m3/s ANR, at the line pressure and what the valve has open."""
        parameters = self.parameters
        share = paths[0] if parameters.port == 4 else paths[2]
        if supply_pa <= PATM_PA or share <= 0.0:
            return 0.0
        c, b = self.valve_c * share, self.valve_b
        if parameters.control_c is not None:
            c, b = series(c, b, parameters.control_c * self.ramp.at(t_ns), parameters.control_b)
        elif self.ramp.at(t_ns) < 1.0:
            # without values for the speed control its opening acts on the nozzle
            c, b = series(c, b, parameters.c * self.ramp.at(t_ns), parameters.b)
            return volume_flow_m3_s(c, b, supply_pa, PATM_PA)
        c, b = series(c, b, parameters.c, parameters.b)
        return volume_flow_m3_s(c, b, supply_pa, PATM_PA)

    def settle(self, flow_m3_s: float, start_ns: int, end_ns: int) -> float:
        """Store the flow at the end of a step; returns the mean over the step."""
        self.start_m3_s, self.end_m3_s = self.end_m3_s, flow_m3_s
        self.start_ns, self.end_ns = start_ns, end_ns
        return 0.5 * (self.start_m3_s + flow_m3_s)
