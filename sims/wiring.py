"""The wiring of the station: which contact reaches which terminal, which terminal feeds which load.

Everything here is instantaneous: a contact, a wire or a supply changes, and the levels and coils behind it
follow at the same instant. Faults of wires, contacts and coils live here too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sims.changes import Bit, Change, DeviceChange, LevelChange
from sims.electrical import InputWire, Jumper, Lamp, OutputWire, RelayModel, SafetyRelay, Supply24
from sims.errors import require, unknown
from sims.sensors import EmergencyStop, FlowSwitch, PhotoEye, PushButton
from sims.valve import At, Valve

Coil = Callable[[str, str, bool, int], None]  # coil(valve, side, energised, now_ns)


class Contact:
    """One contact: it follows a truth, or its opposite, unless it is stuck."""

    __slots__ = ("bit", "inverted", "stuck_off", "stuck_on")

    def __init__(self, bit: Bit, inverted: bool) -> None:
        self.bit = bit
        self.inverted = inverted
        self.stuck_on = False
        self.stuck_off = False

    def closed(self, t_ns: int) -> bool:
        """Whether it conducts at t_ns; stuck on wins over stuck off."""
        if self.stuck_on or self.stuck_off:
            return self.stuck_on
        return self.bit.at(t_ns) != self.inverted


class Level:
    """One input terminal."""

    __slots__ = ("bit", "contact", "supply", "whole")

    def __init__(self, tag: str, contact: Contact, supply: Bit) -> None:
        self.contact = contact
        self.supply = supply
        self.whole = True
        self.bit = Bit(tag, self.high(0))

    def high(self, t_ns: int) -> bool:
        return self.whole and self.supply.at(t_ns) and self.contact.closed(t_ns)


class Load:
    """One coil or lamp, with the output terminal that drives it, if any."""

    __slots__ = ("bit", "driven", "intact", "side", "supply", "valve", "whole")

    def __init__(self, bit: Bit, valve: str, side: str) -> None:
        self.bit = bit
        self.valve = valve
        self.side = side
        self.supply: Bit | None = None
        self.driven = False
        self.whole = True
        self.intact = True

    def energised(self) -> bool:
        return self.driven and self.whole and self.intact and self.supply is not None and self.supply.value


class Wiring:
    """Contacts, levels, loads and relays of one station.

    Args:
        devices: parameters by device name.
        inputs, outputs: wires by point tag; no load has two outputs, no tag stands in both.
        bits: the truths of the station, `device.quantity`, made by the plant.
        emit: takes every change.
        at, coil: hand a delayed action, or a coil that changed, to the plant.

    Raises:
        ModelError: a wire or a relay names something that is not there.
    """

    def __init__(
        self,
        devices: Mapping[str, object],
        inputs: Mapping[str, InputWire],
        outputs: Mapping[str, OutputWire],
        bits: Mapping[str, Bit],
        emit: Callable[[Change], None],
        at: At,
        coil: Coil,
    ) -> None:
        self._bits = bits
        self._emit = emit
        self._coil = coil
        self.contacts = _contacts(devices, bits)
        self._slow_eyes = {
            bits[f"{n}.blocked"]: (round(d.response_s * 1e9), self.contacts[n].bit)
            for n, d in devices.items()
            if isinstance(d, PhotoEye) and d.response_s > 0.0
        }
        self._at = at
        self._supplies = {
            n: bits[f"{n}.on"] for n, d in devices.items() if isinstance(d, Supply24 | SafetyRelay)
        }
        self.loads = _loads(devices, bits)
        self.levels: dict[str, Level] = {}
        self.outputs: dict[str, Load] = {}
        # What hangs on a truth: a station may have hundreds of points, and one change concerns few of them.
        self._levels_on: dict[Bit, list[Level]] = {}
        self._loads_on: dict[Bit, list[Load]] = {}
        for tag, wire in inputs.items():
            self.levels[tag] = self._level(tag, wire)
        for tag, out in outputs.items():
            self.outputs[tag] = self._output(tag, out)
        self._relays = {
            n: self._relay(n, d, devices, at) for n, d in devices.items() if isinstance(d, SafetyRelay)
        }

    def _level(self, tag: str, wire: InputWire) -> Level:
        contact = self.contacts.get(wire.signal)
        if contact is None:
            raise unknown(tag, "signal", "a contact of the station", wire.signal, self.contacts)
        level = Level(tag, contact, self._supply(tag, wire.supply))
        for bit in dict.fromkeys((contact.bit, level.supply)):
            self._levels_on.setdefault(bit, []).append(level)
        return level

    def _output(self, tag: str, wire: OutputWire) -> Load:
        load = self.loads.get(wire.load)
        if load is None:
            raise unknown(tag, "load", "a coil or lamp of the station", wire.load, self.loads)
        require(tag, "load", load.supply is None, "a load without another output", wire.load)
        require(tag, "tag", tag not in self.levels, "a tag that is not an input's", tag)
        load.supply = self._supply(tag, wire.supply)
        self._loads_on.setdefault(load.supply, []).append(load)
        return load

    def _supply(self, owner: str, name: str) -> Bit:
        if name not in self._supplies:
            raise unknown(owner, "supply", "a 24 V supply or safety relay", name, self._supplies)
        return self._supplies[name]

    def _relay(self, name: str, relay: SafetyRelay, devices: Mapping[str, object], at: At) -> RelayModel:
        self._supply(name, relay.supply)
        require(name, "supply", relay.supply != name, "another supply than itself", relay.supply)
        for parameter, kind, words in (
            ("stop", EmergencyStop, "emergency stop"),
            ("reset", PushButton, "button"),
        ):
            target = getattr(relay, parameter)
            if not isinstance(devices.get(target), kind):
                fit = [n for n, d in devices.items() if isinstance(d, kind)]
                raise unknown(name, parameter, f"the name of the {words}", target, fit)
        bit = self._bits[f"{name}.on"]
        return RelayModel(relay, at, lambda on, t_ns: self.put(bit, on, t_ns))

    def put(self, bit: Bit, value: bool, now_ns: int) -> None:
        """A truth changed at now_ns: report it and let everything wired to it follow."""
        planned_ns = bit.t_ns
        if not bit.put(value, now_ns):
            return
        self._emit(DeviceChange(now_ns, bit.name, value))
        if planned_ns > now_ns:  # a change already handed out for later no longer holds
            self._emit(DeviceChange(planned_ns, bit.name, value))
        if bit in self._slow_eyes:
            delay_ns, seen = self._slow_eyes[bit]
            if seen.t_ns > now_ns:  # foretold, and now not to be; who was told so hears the correction
                seen.value = seen.before
                self.follow(seen, now_ns)
                seen.t_ns = now_ns
            self._at(now_ns + delay_ns, lambda t_ns: self._see(bit, value, now_ns, seen, t_ns))
        self.follow(bit, now_ns)

    def _see(self, bit: Bit, value: bool, since_ns: int, seen: Bit, t_ns: int) -> None:
        """The eye's output follows its beam, if the beam has stayed so since since_ns."""
        if bit.value == value and bit.t_ns == since_ns and seen.put(value, t_ns):
            self.follow(seen, t_ns)

    def follow(self, bit: Bit, now_ns: int) -> None:
        """Let levels, relays and loads that hang on `bit` follow it."""
        for level in self._levels_on.get(bit, ()):
            self._refresh_level(level, now_ns)
        self._refresh_relays(now_ns)
        for load in self._loads_on.get(bit, ()):
            self._refresh_load(load, now_ns)

    def _refresh_relays(self, now_ns: int) -> None:
        for model in self._relays.values():
            relay = model.parameters
            model.update(
                self.contacts[f"{relay.stop}.ch1"].closed(now_ns),
                self.contacts[f"{relay.stop}.ch2"].closed(now_ns),
                self.contacts[relay.reset].closed(now_ns),
                self._supplies[relay.supply].at(now_ns),
                now_ns,
            )

    def _refresh_level(self, level: Level, now_ns: int) -> None:
        # Part of what the level hangs on may have changed later than now, in the step already handed out.
        bit = level.bit
        handed_out = bit.t_ns > now_ns
        last_ns = max(now_ns, bit.t_ns, level.contact.bit.t_ns, level.supply.t_ns)
        high = level.high(now_ns)
        if high != bit.at(now_ns):
            self._emit(LevelChange(now_ns, bit.name, high))
        final = level.high(last_ns)
        if last_ns > now_ns and (final != high or handed_out):
            self._emit(LevelChange(last_ns, bit.name, final))
        if handed_out or last_ns > now_ns:
            bit.value, bit.before, bit.t_ns = final, high, last_ns
        else:
            bit.put(high, now_ns)

    def _refresh_load(self, load: Load, now_ns: int) -> None:
        value = load.energised()
        bit = load.bit
        if value == bit.value:
            return
        planned_ns = bit.t_ns
        bit.put(value, now_ns)
        self._emit(DeviceChange(now_ns, bit.name, value))
        if planned_ns > now_ns:
            self._emit(DeviceChange(planned_ns, bit.name, value))
        if load.side:
            self._coil(load.valve, load.side, value, now_ns)
        for level in self._levels_on.get(bit, ()):  # the far end of a jumper
            self._refresh_level(level, now_ns)

    def drive(self, tag: str, on: bool, now_ns: int) -> None:
        """The output module switched the point `tag`."""
        load = self.outputs.get(tag)
        if load is None:
            raise unknown("plant", "tag", "the tag of a wired output", tag, self.outputs)
        load.driven = on
        self._refresh_load(load, now_ns)

    def break_wire(self, tag: str, broken: bool, now_ns: int) -> None:
        """Break or mend the wire at the terminal `tag`."""
        if tag in self.levels:
            self.levels[tag].whole = not broken
            self._refresh_level(self.levels[tag], now_ns)
        elif tag in self.outputs:
            self.outputs[tag].whole = not broken
            self._refresh_load(self.outputs[tag], now_ns)
        else:
            raise unknown("wire_break", "target", "a wired point", tag, [*self.levels, *self.outputs])

    def stick(self, signal: str, on: bool, active: bool, now_ns: int) -> None:
        """Hold a contact closed or open, or let it go."""
        contact = self.contacts.get(signal)
        kind = "stuck_on" if on else "stuck_off"
        if contact is None:
            raise unknown(kind, "target", "a contact of the station", signal, self.contacts)
        setattr(contact, kind, active)
        for level in self.levels.values():
            if level.contact is contact:
                self._refresh_level(level, now_ns)
        self._refresh_relays(now_ns)

    def open_coil(self, name: str, active: bool, now_ns: int) -> None:
        """Interrupt the winding of a coil, or mend it."""
        load = self.loads.get(name)
        if load is None or not load.side:
            raise unknown(
                "coil_open", "target", "a coil", name, [n for n, one in self.loads.items() if one.side]
            )
        load.intact = not active
        self._refresh_load(load, now_ns)


def _contacts(devices: Mapping[str, object], bits: Mapping[str, Bit]) -> dict[str, Contact]:
    found: dict[str, Contact] = {}
    for name, device in devices.items():
        if isinstance(device, PushButton):
            found[name] = Contact(bits[f"{name}.pressed"], device.normally_closed)
        elif isinstance(device, EmergencyStop):
            for contact in (name, f"{name}.ch1", f"{name}.ch2"):
                found[contact] = Contact(bits[f"{name}.pressed"], True)
        elif isinstance(device, PhotoEye):
            bit = bits[f"{name}.blocked"]
            seen = Bit(f"{name}.seen", bit.value) if device.response_s > 0.0 else bit
            found[name] = Contact(seen, not device.dark_on)
        elif isinstance(device, Jumper):
            for core in (f"{name}.{number}" for number in range(device.points)):
                found[core] = Contact(bits[core], False)
        elif isinstance(device, FlowSwitch | SafetyRelay | Supply24):
            found[name] = found[f"{name}.on"] = Contact(bits[f"{name}.on"], False)
        else:
            for switch in getattr(device, "switches", ()):
                found[f"{name}.{switch}"] = Contact(bits[f"{name}.{switch}"], False)
    return found


def _loads(devices: Mapping[str, object], bits: Mapping[str, Bit]) -> dict[str, Load]:
    found: dict[str, Load] = {}
    for name, device in devices.items():
        if isinstance(device, Valve):
            for side in device.sides:
                found[f"{name}.{side}"] = Load(bits[f"{name}.{side}"], name, side)
        elif isinstance(device, Lamp):
            found[name] = Load(bits[f"{name}.lit"], "", "")
        elif isinstance(device, Jumper):
            for core in (f"{name}.{number}" for number in range(device.points)):
                found[core] = Load(bits[core], "", "")
    return found


def button_bit(devices: Mapping[str, object], bits: Mapping[str, Bit], name: str) -> Bit:
    """The truth `<name>.pressed` of a button or emergency stop.

    Raises:
        ModelError: no such button.
    """
    if isinstance(devices.get(name), PushButton | EmergencyStop):
        return bits[f"{name}.pressed"]
    fit = [n for n, d in devices.items() if isinstance(d, PushButton | EmergencyStop)]
    raise unknown("plant", "button", "the name of a button", name, fit)
