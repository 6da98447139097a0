"""Parts with gas in them, each in its place: its valve and supply, its sensors, the time of its last step.

A place knows how to step, when it rests, what of it can be read and set. The plant keeps the time and asks
every place that is awake.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from sims.changes import Bit
from sims.cylinder import CylinderModel
from sims.errors import require_from, unknown
from sims.jet import JetModel
from sims.sensors import FlowSwitchModel, SwitchEdges
from sims.supply import Ramp, SupplyModel
from sims.valve import Paths, ValveModel

Put = Callable[[Bit, bool, int], None]  # put(bit, value, t_ns): a truth changed
Reader = Callable[[int], float]
SHUT: Paths = (0.0, 0.0, 0.0, 0.0)


class Place(Protocol):
    """What the plant asks of a part with gas in it."""

    valve: ValveModel
    supply: SupplyModel
    awake: bool

    def step(self, start_ns: int, end_ns: int, put: Put) -> None:
        """Advance from start_ns to end_ns; sensors that change are put at their instants."""

    def rests(self, t_ns: int) -> bool:
        """Whether nothing more will happen from t_ns on."""

    def wake(self, step_end_ns: int) -> None:
        """It begins to be stepped again from step_end_ns on: make up for the time asleep."""

    def readers(self) -> Mapping[str, Reader]:
        """Quantities by name, each read at an instant inside the last step or later."""

    def set(self, quantity: str, value: float, now_ns: int, over_ns: int) -> None:
        """Change one of its settings, in a straight line over over_ns."""


class CylinderPlace:
    """A cylinder in its place."""

    SETTINGS = ("throttle_out_c", "throttle_in_c", "load_kg", "load_n")

    def __init__(self, name: str, model: CylinderModel, valve: ValveModel, supply: SupplyModel) -> None:
        self.name = name
        self.model = model
        self.valve = valve
        self.supply = supply
        self.switches: list[tuple[SwitchEdges, Bit]] = []
        self.ramps: dict[str, Ramp] = {}
        self.awake = True
        self.start_ns = 0
        self.end_ns = 0
        self.rested_at: tuple[float, Paths] = (0.0, SHUT)  # line and valve when it fell asleep

    def step(self, start_ns: int, end_ns: int, put: Put) -> None:
        model, valve, supply = self.model, self.valve, self.supply
        middle_ns = (start_ns + end_ns) // 2
        if self.ramps:
            self._turn(middle_ns)
        if valve.settled(start_ns):
            first = second = valve.paths(end_ns)
        else:
            quarter = (end_ns - start_ns) // 4
            first, second = valve.paths(start_ns + quarter), valve.paths(end_ns - quarter)
        model.step(supply.pressure_pa(middle_ns), first, second)
        self.start_ns, self.end_ns = start_ns, end_ns
        x0, x1 = model.x0, model.x
        if x0 == x1:
            return
        for edges, bit in self.switches:
            for share, on in edges.crossings(bit.value, x0, x1):
                put(bit, on, start_ns + round(share * model.arrived * (end_ns - start_ns)))

    def _turn(self, t_ns: int) -> None:
        for quantity, ramp in list(self.ramps.items()):
            setattr(self.model, quantity, ramp.at(t_ns))
            if t_ns >= ramp.end_ns:
                del self.ramps[quantity]
        self.model.refresh()

    def rests(self, t_ns: int) -> bool:
        if self.model.v or self.ramps or not self.valve.settled(t_ns) or not self.supply.steady(t_ns):
            return False
        self.rested_at = (self.supply.pressure_pa(t_ns), self.valve.paths(t_ns))
        return self.model.resting(*self.rested_at)

    def wake(self, step_end_ns: int) -> None:
        self.model.idle((step_end_ns - self.end_ns) * 1e-9, *self.rested_at)

    def readers(self) -> Mapping[str, Reader]:
        return {
            "position_m": self._position,
            "speed_m_s": self._reader("v0", "v"),
            "p1_pa": self._reader("p10", "p1"),
            "p2_pa": self._reader("p20", "p2"),
        }

    def _reader(self, start: str, end: str) -> Reader:
        model = self.model
        return lambda t_ns: between(
            getattr(model, start), getattr(model, end), self.start_ns, self.end_ns, t_ns
        )

    def _position(self, t_ns: int) -> float:
        model = self.model
        arrived_ns = self.start_ns + round(model.arrived * (self.end_ns - self.start_ns))
        return between(model.x0, model.x, self.start_ns, arrived_ns, t_ns)

    def set(self, quantity: str, value: float, now_ns: int, over_ns: int) -> None:
        least = 1e-6 if quantity == "load_kg" else (-1e6 if quantity == "load_n" else 0.0)
        require_from(self.name, quantity, value, least, 1e6)
        before = getattr(self.model, quantity)
        self.ramps[quantity] = Ramp(now_ns, now_ns + over_ns, value if before is None else before, value)


class JetPlace:
    """An air jet in its place, with the flow switches in its line."""

    SETTINGS = ("opening",)

    def __init__(self, name: str, model: JetModel, valve: ValveModel, supply: SupplyModel) -> None:
        self.name = name
        self.model = model
        self.valve = valve
        self.supply = supply
        self.switches: list[tuple[FlowSwitchModel, Bit]] = []
        self.awake = True

    def flow_m3_s(self, t_ns: int) -> float:
        """Flow of the line at t_ns, m3/s ANR, with the pressure and openings of that instant."""
        return self.model.flow_m3_s(self.supply.pressure_pa(t_ns), self.valve.paths(t_ns), t_ns)

    def step(self, start_ns: int, end_ns: int, put: Put) -> None:
        mean = self.model.settle(self.flow_m3_s(end_ns), start_ns, end_ns)
        for model, bit in self.switches:
            share = model.step(mean)
            if share is not None:
                put(bit, model.on, start_ns + round(share * (end_ns - start_ns)))

    def rests(self, t_ns: int) -> bool:
        if not self.valve.settled(t_ns) or not self.supply.steady(t_ns) or t_ns < self.model.ramp.end_ns:
            return False
        flow = self.flow_m3_s(t_ns)
        return flow == self.model.end_m3_s and all(switch.settled(flow) for switch, _ in self.switches)

    def wake(self, step_end_ns: int) -> None:
        """A jet holds no air: nothing happened."""

    def readers(self) -> Mapping[str, Reader]:
        jet = self.model
        return {
            "flow_m3_s": lambda t_ns: between(jet.start_m3_s, jet.end_m3_s, jet.start_ns, jet.end_ns, t_ns),
            "opening": lambda t_ns: jet.ramp.at(t_ns),
        }

    def set(self, quantity: str, value: float, now_ns: int, over_ns: int) -> None:
        self.model.set_opening(value, now_ns, over_ns)

    def switch_reader(self, switch: FlowSwitchModel) -> Reader:
        """What a flow switch of the line sees, after its lag."""
        jet = self.model
        return lambda t_ns: between(switch.before_m3_s, switch.flow_m3_s, jet.start_ns, jet.end_ns, t_ns)


def settings_of(place: CylinderPlace | JetPlace, quantity: str) -> tuple[str, ...]:
    """The settings that a word of the person stands for: `throttle_c` is the throttle both ways.

    Raises:
        ModelError: no such setting.
    """
    if quantity == "throttle_c" and isinstance(place, CylinderPlace):
        return ("throttle_out_c", "throttle_in_c")
    if quantity not in place.SETTINGS:
        raise unknown(place.name, "quantity", " or ".join(place.SETTINGS), quantity, place.SETTINGS)
    return (quantity,)


def between(start: float, end: float, start_ns: int, end_ns: int, t_ns: int) -> float:
    """In a straight line from start to end, constant before and after."""
    if t_ns >= end_ns:
        return end
    if t_ns <= start_ns:
        return start
    return start + (end - start) * (t_ns - start_ns) / (end_ns - start_ns)
