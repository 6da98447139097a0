"""The plant: every device of a station, the wires between them, and their common time.

Physics runs in steps on a fixed grid while anything moves, and not at all while everything rests.
Electrical things act at once; valve shifts and relay drop-outs wait in a queue. The plant is told the time
and never asks for it: `next_ns` says when `advance` wants to be called.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from heapq import heappop, heappush

from sims.changes import Bit, Change, DeviceChange, LevelChange
from sims.cylinder import Cylinder, CylinderModel
from sims.electrical import InputWire, Jumper, Lamp, OutputWire, SafetyRelay, Supply24
from sims.errors import ModelError, require, unknown
from sims.jet import AirJet, JetModel
from sims.places import CylinderPlace, JetPlace, Place, settings_of
from sims.sensors import (
    EmergencyStop,
    FlowSwitch,
    FlowSwitchModel,
    PhotoEye,
    PushButton,
    SwitchEdges,
)
from sims.supply import AirSupply, SupplyModel
from sims.valve import Valve, ValveModel, side_of
from sims.wiring import Wiring, button_bit

Parameters = (
    AirSupply
    | Supply24
    | SafetyRelay
    | Valve
    | Cylinder
    | AirJet
    | FlowSwitch
    | PhotoEye
    | PushButton
    | EmergencyStop
    | Lamp
    | Jumper
)

VALVE_FAULTS = {
    "valve_slow": "slow",
    "valve_not_shifting": "not_shifting",
    "valve_not_returning": "not_returning",
}
FAULTS = ("wire_break", "stuck_on", "stuck_off", "air_loss", "coil_open", *VALVE_FAULTS)

_TRUTHS: dict[type, tuple[str, ...]] = {
    AirSupply: ("on",),
    Supply24: ("on",),
    SafetyRelay: ("on",),
    FlowSwitch: ("on",),
    PushButton: ("pressed",),
    EmergencyStop: ("pressed",),
    PhotoEye: ("blocked",),
    Lamp: ("lit",),
}
_CYLINDER_QUANTITIES = ("position_m", "speed_m_s", "p1_pa", "p2_pa")


class Plant:
    """All devices of one station.

    Args:
        devices: parameters by device name; they name one another.
        inputs, outputs: wires by point tag.
        step_ns: physics step, 0.5 ms unless there is a reason; a stroke is then within 0.25 ms.

    Attributes:
        now_ns: how far the plant has been advanced.
        step_ns: length of a physics step.

    Commands may carry a now_ns anywhere in the last step: what is instantaneous takes effect exactly then,
    what is continuous from the next step on. A change that contradicts one already handed out for later
    is followed by a correction at that one's instant.

    Raises:
        ModelError: a name or value that cannot be, from the constructor and from every command.
    """

    def __init__(
        self,
        devices: Mapping[str, Parameters],
        inputs: Mapping[str, InputWire],
        outputs: Mapping[str, OutputWire],
        step_ns: int = 500_000,
    ) -> None:
        require("plant", "step_ns", 1_000 <= step_ns <= 20_000_000, "1 us to 20 ms", step_ns)
        self.now_ns = 0
        self.step_ns = step_ns
        self._step_end_ns = 0
        self._devices = dict(devices)
        self._changes: list[Change] = []
        self._queue: list[tuple[int, int, Callable[[int], None]]] = []
        self._sequence = 0
        self._bits = _truths(self._devices)
        self._airs = {n: SupplyModel(d) for n, d in devices.items() if isinstance(d, AirSupply)}
        self._valves = {n: self._make_valve(n, d) for n, d in devices.items() if isinstance(d, Valve)}
        self._cylinders = {
            n: self._make_cylinder(n, d) for n, d in devices.items() if isinstance(d, Cylinder)
        }
        self._lines = {n: self._make_line(n, d) for n, d in devices.items() if isinstance(d, AirJet)}
        self._places: dict[str, CylinderPlace | JetPlace] = {**self._cylinders, **self._lines}
        self._flows = {n: self._make_flow(n, d) for n, d in devices.items() if isinstance(d, FlowSwitch)}
        emit = self._changes.append
        self._wiring = Wiring(self._devices, inputs, outputs, self._bits, emit, self._at, self._coil)
        self._readers = self._make_readers()
        piloted = [model for model in self._valves.values() if model.parameters.pilot_min_pa]
        self._piloted = [(model, self._airs[model.parameters.supply]) for model in piloted]
        self._awake = True
        self._sleep_if_resting(0)

    # --- building -------------------------------------------------------------------------------

    def _find(self, owner: str, parameter: str, name: str, kind: type, words: str) -> None:
        if not isinstance(self._devices.get(name), kind):
            fit = [n for n, d in self._devices.items() if isinstance(d, kind)]
            raise unknown(owner, parameter, words, name, fit)

    def _make_valve(self, name: str, parameters: Valve) -> ValveModel:
        self._find(name, "supply", parameters.supply, AirSupply, "the name of an air supply")
        model = ValveModel(parameters, self._at, lambda t_ns: self._wake(t_ns, valve=model))
        bit = self._bits[f"{name}.position"]
        model.halfway = lambda shifted, t_ns: self._wiring.put(bit, shifted, t_ns)
        return model

    def _make_cylinder(self, name: str, parameters: Cylinder) -> CylinderPlace:
        self._find(name, "valve", parameters.valve, Valve, "the name of a valve")
        valve = self._valves[parameters.valve]
        supply = self._airs[valve.parameters.supply]
        at_start = (valve.parameters.c, valve.parameters.b, self.step_ns * 1e-9, supply.pressure_pa(0))
        place = CylinderPlace(name, CylinderModel(parameters, *at_start), valve, supply)
        for switch, where in parameters.switches.items():
            edges = SwitchEdges(where)
            bit = self._bits[f"{name}.{switch}"]
            bit.value = bit.before = edges.holds(0.0)
            place.switches.append((edges, bit))
        return place

    def _make_line(self, name: str, parameters: AirJet) -> JetPlace:
        self._find(name, "valve", parameters.valve, Valve, "the name of a valve")
        valve = self._valves[parameters.valve]
        supply = self._airs[valve.parameters.supply]
        place = JetPlace(name, JetModel(parameters, valve.parameters.c, valve.parameters.b), valve, supply)
        place.model.start_m3_s = place.model.end_m3_s = place.flow_m3_s(0)
        return place

    def _make_flow(self, name: str, parameters: FlowSwitch) -> FlowSwitchModel:
        self._find(name, "line", parameters.line, AirJet, "the name of an air jet")
        line = self._lines[parameters.line]
        model = FlowSwitchModel(parameters, self.step_ns * 1e-9, line.model.end_m3_s)
        bit = self._bits[f"{name}.on"]
        bit.value = bit.before = model.on
        line.switches.append((model, bit))
        return model

    # --- time -----------------------------------------------------------------------------------

    def start(self) -> list[Change]:
        """Every truth and every input level at t = 0, in a fixed order; call once, first."""
        changes: list[Change] = [DeviceChange(0, bit.name, bit.at(0)) for bit in self._bits.values()]
        changes += [LevelChange(0, tag, level.bit.at(0)) for tag, level in self._wiring.levels.items()]
        return changes

    def next_ns(self) -> int | None:
        """The next instant `advance` is wanted for; None while everything rests."""
        step_ns = self._step_end_ns + self.step_ns if self._awake else None
        if not self._queue:
            return step_ns
        due_ns = self._queue[0][0]
        return due_ns if step_ns is None or due_ns < step_ns else step_ns

    def advance(self, to_ns: int) -> list[Change]:
        """Run every step that ends, and every delay that is over, by to_ns.

        Returns:
            The changes in the order of their times, which lie inside the steps.
        """
        while (due_ns := self.next_ns()) is not None and due_ns <= to_ns:
            if self._queue and self._queue[0][0] == due_ns:
                heappop(self._queue)[2](due_ns)
            else:
                self._step()
        self.now_ns = max(self.now_ns, to_ns)
        return self._taken()

    def _at(self, t_ns: int, action: Callable[[int], None]) -> None:
        self._sequence += 1
        heappush(self._queue, (t_ns, self._sequence, action))

    def _taken(self) -> list[Change]:
        changes = sorted(self._changes, key=lambda change: change.t_ns)
        self._changes.clear()
        return changes

    def _wake(self, now_ns: int, valve: ValveModel | None = None, supply: SupplyModel | None = None) -> None:
        """Wake what hangs on a valve or a supply; the grid begins at now_ns if all slept."""
        for place in self._places.values():
            if place.valve is valve or place.supply is supply:
                self._wake_one(place, now_ns)

    def _wake_one(self, place: Place, now_ns: int) -> None:
        was_awake, place.awake = place.awake, True
        if not self._awake:
            self._awake = True
            # a command inside the step just done must not run that step twice
            self._step_end_ns = max(now_ns, self._step_end_ns)
        if not was_awake:
            place.wake(self._step_end_ns)

    def _step(self) -> None:
        start_ns = self._step_end_ns
        end_ns = self._step_end_ns = start_ns + self.step_ns
        put = self._wiring.put
        for place in self._places.values():
            if place.awake:
                place.step(start_ns, end_ns, put)
        for model, supply in self._piloted:  # to the step exactly: a pilot's limit is no sharp one
            model.pressure(supply.pressure_pa(end_ns), end_ns)
        self._sleep_if_resting(end_ns)

    def _sleep_if_resting(self, t_ns: int) -> None:
        awake = False
        for place in self._places.values():
            if place.awake:
                place.awake = not place.rests(t_ns)
                awake = awake or place.awake
        self._awake = awake

    # --- commands -------------------------------------------------------------------------------

    def drive(self, tag: str, on: bool, now_ns: int) -> list[Change]:
        """The output module switches the point `tag`; its load follows if supply and wire let it."""
        self._wiring.drive(tag, on, now_ns)
        return self._taken()

    def _coil(self, valve: str, side: str, energised: bool, now_ns: int) -> None:
        model = self._valves[valve]
        model.coils[side] = energised
        model.command(now_ns)

    def press(self, name: str, now_ns: int) -> list[Change]:
        """Press and hold a button; an emergency stop latches."""
        self._wiring.put(button_bit(self._devices, self._bits, name), True, now_ns)
        return self._taken()

    def release(self, name: str, now_ns: int) -> list[Change]:
        """Let a button go; an emergency stop is reset by hand."""
        self._wiring.put(button_bit(self._devices, self._bits, name), False, now_ns)
        return self._taken()

    def set(
        self, name: str, quantity: str, value: bool | float, now_ns: int, over_ns: int = 0
    ) -> list[Change]:
        """Change a setting: at once, or in a straight line over `over_ns` where it is a number.

        Settings: air supply `pressure_pa`, `on`; 24 V supply `on`; photo-eye `blocked`; air jet
        `opening`; cylinder `throttle_out_c`, `throttle_in_c`, `load_kg`, `load_n`.
        """
        settings = _settings(self._devices.get(name))
        if not settings:
            fit = [n for n, d in self._devices.items() if _settings(d)]
            raise unknown("plant", "device", "a device with a setting", name, fit)
        if quantity not in settings:
            raise unknown(name, "quantity", " or ".join(settings), quantity, settings)
        require(name, "over_ns", over_ns >= 0, "0 or more", over_ns)
        if isinstance(value, bool):
            is_truth = f"{name}.{quantity}" in self._bits
            require(
                name, quantity, is_truth and over_ns == 0, "a number" if not is_truth else "no ramp", value
            )
            self._set_truth(name, quantity, value, now_ns)
        else:
            require(name, quantity, f"{name}.{quantity}" not in self._bits, "True or False", value)
            self._set_number(name, quantity, float(value), now_ns, over_ns)
        return self._taken()

    def _set_truth(self, name: str, quantity: str, value: bool, now_ns: int) -> None:
        supply = self._airs.get(name)
        if supply is not None and supply.on != value:
            supply.switch(value, now_ns)
            self._wake(now_ns, supply=supply)
        self._wiring.put(self._bits[f"{name}.{quantity}"], value, now_ns)

    def _set_number(self, name: str, quantity: str, value: float, now_ns: int, over_ns: int) -> None:
        if name in self._airs:
            supply = self._airs[name]
            supply.set_pressure(value, now_ns, over_ns)
            self._wake(now_ns, supply=supply)
        else:
            place = self._places[name]
            for part in settings_of(place, quantity):
                place.set(part, value, now_ns, over_ns)
            self._wake_one(place, now_ns)

    def override(self, valve: str, side: str, on: bool, now_ns: int) -> list[Change]:
        """Hold or let go the manual override of one side of a valve; it wins over the coils."""
        self._find("override", "valve", valve, Valve, "the name of a valve")
        model = self._valves[valve]
        model.overrides[side_of(model.parameters, side)] = on
        model.command(now_ns)
        return self._taken()

    def fault(self, kind: str, target: str, active: bool, now_ns: int) -> list[Change]:
        """Make or mend a fault.

        Kinds: wire_break (a point tag), stuck_on and stuck_off (a contact as an InputWire names it, or
        a channel of an emergency stop), air_loss (an air supply), coil_open (`valve.14`), valve_slow,
        valve_not_shifting (to its coil's side) and valve_not_returning (to its spring's side) a valve.
        """
        if kind == "wire_break":
            self._wiring.break_wire(target, active, now_ns)
        elif kind in ("stuck_on", "stuck_off"):
            self._wiring.stick(target, kind == "stuck_on", active, now_ns)
        elif kind == "coil_open":
            self._wiring.open_coil(target, active, now_ns)
        elif kind == "air_loss":
            self._find("air_loss", "target", target, AirSupply, "the name of an air supply")
            self._set_truth(target, "on", not active, now_ns)
        elif kind in VALVE_FAULTS:
            self._find(kind, "target", target, Valve, "the name of a valve")
            model = self._valves[target]
            model.stuck = VALVE_FAULTS[kind] if active else ""
            model.command(now_ns)
        else:
            raise unknown("fault", "kind", " or ".join(FAULTS), kind, FAULTS)
        return self._taken()

    # --- reading --------------------------------------------------------------------------------

    def read(self, name: str, at_ns: int) -> float | bool:
        """A quantity at an instant, interpolated inside the last step; later than it, its end."""
        reader = self._readers.get(name)
        if reader is None:
            raise unknown("plant", "quantity", "a readable quantity", name, self._readers)
        return reader(at_ns)

    def quantities(self) -> tuple[str, ...]:
        """Every name `read` knows, in the order of the devices."""
        return tuple(self._readers)

    def _make_readers(self) -> dict[str, Callable[[int], float | bool]]:
        readers: dict[str, Callable[[int], float | bool]] = {}
        for name in self._devices:
            if name in self._airs:
                readers[f"{name}.pressure_pa"] = self._airs[name].pressure_pa
            elif name in self._flows:
                flow = self._flows[name]
                readers[f"{name}.flow_m3_s"] = self._lines[flow.parameters.line].switch_reader(flow)
            elif name in self._places:
                for quantity, reader in self._places[name].readers().items():
                    readers[f"{name}.{quantity}"] = reader
            for bit in self._bits.values():
                if bit.name.rpartition(".")[0] == name:
                    readers[bit.name] = bit.at
        return readers


def _truths(devices: Mapping[str, Parameters]) -> dict[str, Bit]:
    bits: dict[str, Bit] = {}
    for name, device in devices.items():
        require(name, "name", bool(name) and "." not in name, "a name without a dot", name)
        quantities = _TRUTHS.get(type(device), ())
        if isinstance(device, Valve):
            quantities = (*device.sides, "position")
        elif isinstance(device, Cylinder):
            quantities = tuple(device.switches)
            for switch in quantities:
                taken = switch in _CYLINDER_QUANTITIES or "." in switch
                require(name, "switches", not taken, "a switch name that is no quantity", switch)
        elif isinstance(device, Jumper):
            quantities = tuple(str(core) for core in range(device.points))
        elif type(device) not in _TRUTHS and not isinstance(device, AirJet):
            raise ModelError(name, "kind", "parameters of a device", type(device).__name__)
        for quantity in quantities:
            on_at_start = isinstance(device, AirSupply | Supply24) or getattr(device, "on_at_start", False)
            bits[f"{name}.{quantity}"] = Bit(f"{name}.{quantity}", on_at_start)
    return bits


def _settings(device: Parameters | None) -> tuple[str, ...]:
    if isinstance(device, AirSupply):
        return ("pressure_pa", "on")
    if isinstance(device, Supply24):
        return ("on",)
    if isinstance(device, PhotoEye):
        return ("blocked",)
    if isinstance(device, AirJet):
        return JetPlace.SETTINGS
    return (*CylinderPlace.SETTINGS, "throttle_c") if isinstance(device, Cylinder) else ()
