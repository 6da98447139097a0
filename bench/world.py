"""The one place where the station, the plant, the adapter, the network and the logic are put together.

A bit's way: contact -> level -> filter -> input image -> T->O frame -> scanner image -> logic, and back:
output image -> O->T frame -> point -> coil supply -> coil -> valve. Each stage acts in its phase of the
instant (`bench.clock.Phase`), in virtual and in real time alike.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from math import isfinite

from bench import quantities
from bench.build import adapter_config, build_plant, build_rack, scanner_config
from bench.clock import Entry, PacedDriver, Phase, Timeline
from bench.controller import Controller
from bench.eip import IO_PORT, TCP_PORT, Adapter, Scanner
from bench.eip.config import Network
from bench.eip.events import Event, OutputsChanged, Refused
from bench.errors import LocalError, LogicFault
from bench.logic import Program
from bench.net.host import Host
from bench.net.memory import MemoryNetwork
from bench.net.sockets import SocketHost
from bench.points import PointChange
from bench.station import LoadedStation
from bench.station.wiring import watched_modules
from bench.station.words import hint
from bench.trace import Trace, Value
from bench.units import ns_from_ms
from bench.watch import Watchers
from sims.changes import Change, LevelChange

Reading = bool | int | float
SAMPLE_NS = 5_000_000  # positions and pressures go into the trace this often while something moves
KEPT_REFUSALS = 64
STOPPED = "controller.stopped"
MODULE_FAULTS = ("module_missing", "module_fault")
MINOR_RECOVERABLE = 1 << 8  # of the Identity object's status word; public header of an open stack


class World:
    """One station with everything behind it, on one timeline.

    Args:
        station: what the person wrote.
        timeline: bench time.
        program: logic for the embedded controller; None leaves the adapter to a scanner from outside.
        address: where the adapter lives; *own* is the controller's.
        keep_changes: the trace keeps at least this many of the newest changes and forgets older ones;
            None keeps all.
        incarnation: of the adapter; on a real network another one at every start, so that an originator
            left over from the last start cannot be taken for a present one.
        network: the interface at *address*.
        told: hears every event of the adapter.

    Attributes:
        adapter: the present one; after a loss of its power it is another object.
        powered: whether the adapter has power.
        refusals: the newest, oldest first; `refused` is how many there were in all.
    """

    def __init__(
        self,
        station: LoadedStation,
        timeline: Timeline,
        program: Program | None = None,
        *,
        address: str = "127.0.0.1",
        own: str = "127.0.0.2",
        own_io_port: int = IO_PORT,
        keep_changes: int | None = None,
        incarnation: int = 1,
        network: Network | None = None,
        told: Callable[[Event], None] | None = None,
    ) -> None:
        self.station = station
        self.timeline = timeline
        self.trace = Trace(keep_changes)
        self.plant = build_plant(station)
        self.rack = build_rack(station)
        self._config = adapter_config(station, address, network)
        self._incarnation = incarnation
        self.adapter = Adapter(self._config, incarnation)
        self.powered = True
        self.controller: Controller | None = None
        self.scanner: Scanner | None = None
        self.stopped: LogicFault | None = None
        self.refusals: deque[Refused] = deque(maxlen=KEPT_REFUSALS)
        self.refused = 0
        self._told = told
        self.address, self.own, self.own_io_port = address, own, own_io_port
        self._network: MemoryNetwork | None = None
        self._hosts: list[Host] = []
        self._stepper: Entry | None = None
        self._sampler: Entry | None = None
        self._sampled_ns = -SAMPLE_NS
        self._levels: dict[str, bool] = {}  # at the terminals, to be sampled in this instant
        modules = watched_modules(station.model.modules)
        self._module_faults: dict[str, set[str]] = {module.name: set() for module in modules}
        self._getters: dict[str, Callable[[], Reading]] = {}
        self.kinds: dict[str, str] = {}
        self.watchers = Watchers(timeline, self.kinds)
        self._analogue: list[tuple[str, str, Callable[[float], float]]] = []
        self._logic: list[tuple[str, Callable[[], Reading]]] = []
        if program is not None:
            scan_ns = ns_from_ms(station.model.controller.scan_ms)
            self.controller = Controller(program, station.layout, scan_ns)
            self.scanner = Scanner(scanner_config(station, address, own, own_io_port))
        self._register()

    # --- names: what a condition, an expectation or a picture may mention ---

    def _register(self) -> None:
        for point in self.rack:
            self._name(point.tag, "BOOL", lambda point=point: point.light)  # type: ignore[misc]
        for inside in self.plant.quantities():
            self._register_quantity(inside)
        self._name("adapter.connected", "BOOL", lambda: self.connected)
        self._name("adapter.running", "BOOL", lambda: self.adapter.running)
        if self.controller is not None:
            instance = self.controller.instance
            self._name(STOPPED, "BOOL", lambda: self.stopped is not None)
            for name in instance.names():
                self._name(f"logic.{name}", instance.types(name), instance.getter(name))
                if not name.endswith(".ET"):  # follows from IN and the time; would change in every scan
                    self._logic.append((f"logic.{name}", instance.getter(name)))

    def _name(self, name: str, kind: str, getter: Callable[[], Reading]) -> None:
        self.kinds[name] = kind
        self._getters[name] = getter

    def _register_quantity(self, inside: str) -> None:
        outside = quantities.outside_name(inside)
        sample = self.plant.read(inside, self.plant.now_ns)
        plant, timeline = self.plant, self.timeline
        if isinstance(sample, bool):
            self._name(outside, "BOOL", lambda: plant.read(inside, timeline.now_ns))
            return
        convert = quantities.converter(inside)
        self._name(outside, "LREAL", lambda: round(convert(plant.read(inside, timeline.now_ns)), 6))
        if outside.endswith(("position_mm", "_bar", "_l_min")):
            self._analogue.append((outside, inside, convert))

    @property
    def connected(self) -> bool:
        """Whether some scanner owns the outputs at this moment."""
        return self.adapter.owned

    @property
    def faulted_modules(self) -> tuple[str, ...]:
        """Modules missing or faulted, in file order."""
        return tuple(name for name, kinds in self._module_faults.items() if kinds)

    @property
    def hosts(self) -> tuple[Host, ...]:
        """The shells on the network, the adapter's first."""
        return tuple(self._hosts)

    @property
    def network_notes(self) -> tuple[str, ...]:
        """What the network could not give, in words."""
        return tuple(note for host in self._hosts if isinstance(host, SocketHost) for note in host.notes)

    @property
    def network_counts(self) -> tuple[int, int]:
        """Datagrams the network refused to carry, and TCP links turned away because there were too many."""
        sockets = [host for host in self._hosts if isinstance(host, SocketHost)][:1]
        return sum(host.send_errors for host in sockets), sum(host.turned_away for host in sockets)

    def value(self, name: str) -> Reading:
        """What *name* is now; LocalError for a name nothing has."""
        try:
            return self._getters[name]()
        except KeyError:
            raise LocalError(f"nothing is called {name}") from None

    def is_analogue(self, name: str) -> bool:
        """Whether *name* moves with the plant rather than in events."""
        return self.kinds.get(name) == "LREAL" and not name.startswith("logic.")

    # --- start and network ---

    def join_memory(self, network: MemoryNetwork) -> None:
        """Live on an in-memory network."""
        self._network = network
        self._hosts = [network.attach(self.adapter, self.address, self._from_adapter)]
        if self.scanner is not None:
            self._hosts.append(network.attach(self.scanner, self.own, self._from_scanner))

    async def join_sockets(self, driver: PacedDriver) -> None:
        """Live on this computer's network; raises MachineError when a port cannot be had."""
        if self.address == "0.0.0.0":
            raise LocalError(f"--listen {self.address}: name one address; the adapter tells it to scanners")
        ports = (IO_PORT, TCP_PORT)
        host = SocketHost(
            self.adapter, driver, self.address, self._from_adapter, udp_ports=ports, listen=True
        )
        await host.open()
        self._hosts = [host]
        if self.scanner is not None:
            own = SocketHost(
                self.scanner,
                driver,
                self.own,
                self._from_scanner,
                udp_ports=(self.own_io_port,),
                listen=False,
            )
            try:
                await own.open()
            except BaseException:
                await host.close()
                raise
            self._hosts.append(own)

    async def leave_sockets(self) -> None:
        """Say goodbye to the peers and close every socket."""
        self.close()
        for host in self._hosts:
            if isinstance(host, SocketHost):
                await host.close()

    def start(self) -> None:
        """Set everything to its first state at the present bench time."""
        self._take(self.plant.start())
        for point in self.rack:
            self._record(point.tag, point.light)
        self.sample_analogue()
        self._wake()
        if self.scanner is not None and self.controller is not None:
            self.scanner.set_run(True)
            self.scanner.start(self.timeline.now_ns)
            self._hosts[1].pump()
            self.timeline.after(0, Phase.SCAN, self._scan)
        self._hosts[0].pump()
        self._record_connection()

    def close(self) -> None:
        """Close the connections in order, the controller's first."""
        if self.scanner is not None:
            self.scanner.close(self.timeline.now_ns)
            self._hosts[1].pump()
        if self.powered:
            self.adapter.shutdown(self.timeline.now_ns)
            self._hosts[0].pump()

    # --- plant ---

    def _step(self) -> None:
        self._stepper = None
        now_ns = self.timeline.now_ns
        if now_ns - self._sampled_ns >= SAMPLE_NS:
            self.sample_analogue()
        due_ns = self.plant.next_ns()
        if due_ns is not None and due_ns - self.plant.step_ns <= now_ns:
            self._take(self.plant.advance(due_ns))
            if self.plant.next_ns() is None:  # this step ends at rest, and no other will tell how
                self.timeline.at(max(due_ns, now_ns), Phase.PLANT, self._rested)
        self.watchers.stepped()
        self._wake()

    def _rested(self) -> None:
        self.sample_analogue()
        self.watchers.stepped()

    def _wake(self) -> None:
        due_ns = self.plant.next_ns()
        if due_ns is None:
            return
        at_ns = max(self.timeline.now_ns, due_ns - self.plant.step_ns)
        self._stepper = self.timeline.no_later(self._stepper, at_ns, Phase.PLANT, self._step)

    def sample_analogue(self) -> None:
        """Put positions, pressures and flows of this instant into the trace."""
        now_ns = self._sampled_ns = self.timeline.now_ns
        for outside, inside, convert in self._analogue:
            self.trace.add(now_ns, outside, round(convert(self.plant.read(inside, now_ns)), 3))

    def _take(self, changes: Sequence[Change]) -> None:
        now_ns = self.timeline.now_ns
        for change in changes:
            if change.t_ns > now_ns:
                self.timeline.at(change.t_ns, Phase.PLANT, lambda change=change: self._happen(change))  # type: ignore[misc]
            else:
                self._happen(change)

    def _happen(self, change: Change) -> None:
        if isinstance(change, LevelChange):
            self._at_terminal(change.tag, change.level)
        else:
            self._record(
                quantities.outside_name(change.name), quantities.outside_value(change.name, change.value)
            )

    def _acted(self, changes: Sequence[Change]) -> None:
        self._take(changes)
        self._wake()

    # --- the adapter's points ---

    def _at_terminal(self, tag: str, level: bool) -> None:
        if not self._levels:
            self.timeline.after(0, Phase.INPUT, self._sample_levels)
        # A correction of what was foretold for this instant replaces it: no edge of zero length.
        self._levels[tag] = level

    def _sample_levels(self) -> None:
        levels, self._levels = self._levels, {}
        now_ns = self.timeline.now_ns
        self._points([c for tag, level in levels.items() for c in self.rack.level(tag, level, now_ns)])
        self._arm_filter()

    def _arm_filter(self) -> None:
        due_ns = self.rack.next_deadline_ns()
        if due_ns is not None:
            self._sampler = self.timeline.no_later(self._sampler, due_ns, Phase.INPUT, self._filtered)

    def _filtered(self) -> None:
        self._points(self.rack.sample(self.timeline.now_ns))
        self._arm_filter()

    def _points(self, changes: Sequence[PointChange]) -> None:
        now_ns = self.timeline.now_ns
        for change in changes:
            self._record(change.tag, change.value)
            if not change.is_input:
                self._acted(self.plant.drive(change.tag, change.value, now_ns))
        if self.powered and any(change.is_input for change in changes):
            self.adapter.set_inputs(self.rack.input_image, now_ns)
            self._hosts[0].pump()

    def _from_adapter(self, event: Event) -> None:
        if isinstance(event, OutputsChanged):
            self.timeline.after(0, Phase.OUTPUT, self._outputs)
        elif isinstance(event, Refused):
            self._refused(event)
        if self._told is not None:
            self._told(event)
        self._record_connection()

    def _outputs(self) -> None:
        self._points(self.rack.outputs(self.adapter.outputs))

    def _record_connection(self) -> None:
        self._record("adapter.connected", self.connected)
        self._record("adapter.running", self.adapter.running)

    # --- the controller ---

    def _scan(self) -> None:
        controller, scanner = self.controller, self.scanner
        assert controller is not None
        assert scanner is not None
        now_ns = self.timeline.now_ns
        try:
            outputs = controller.scan(scanner.inputs, self._online, now_ns)
        except LogicFault as fault:
            self._logic_stopped(fault)
            return
        for signal, get in self._logic:
            value = get()
            # the trace has no infinite number; a program may
            self._record(signal, value if not isinstance(value, float) or isfinite(value) else str(value))
        self.watchers.scanned()
        self.timeline.after(0, Phase.OUTPUT, lambda: self._write(outputs))
        self.timeline.after(controller.scan_ns, Phase.SCAN, self._scan)

    @property
    def _online(self) -> bool:
        """Connected, and inputs of this connection have come: those of the one before are an old picture."""
        scanner = self.scanner
        return scanner is not None and scanner.connected and scanner.frames[0] > 0

    def _write(self, outputs: bytes) -> None:
        assert self.scanner is not None
        self.scanner.set_outputs(outputs, self.timeline.now_ns)
        self._hosts[1].pump()

    def _logic_stopped(self, fault: LogicFault) -> None:
        assert self.scanner is not None
        self.stopped = fault
        self.scanner.set_run(False)  # idle: the adapter's outputs go to their configured state
        self._hosts[1].pump()
        self._record(STOPPED, True)

    def _from_scanner(self, event: Event) -> None:
        if isinstance(event, Refused):
            self._refused(event)

    def _refused(self, refusal: Refused) -> None:
        self.refused += 1
        self.refusals.append(refusal)

    # --- trace and checks ---

    def _record(self, signal: str, value: Value) -> None:
        if self.trace.value(signal) != value:
            self.trace.add(self.timeline.now_ns, signal, value)
            self.watchers.recorded(signal)

    # --- what a person does at the bench ---

    def press(self, device: str) -> None:
        """Push and hold a button; an emergency stop latches."""
        self._acted(self.plant.press(device, self.timeline.now_ns))

    def release(self, device: str) -> None:
        """Let a button go; turn an emergency stop out again."""
        self._acted(self.plant.release(device, self.timeline.now_ns))

    def set(self, quantity: str, value: bool | float, over_ns: int = 0) -> None:
        """Set `device.quantity` (`air.pressure_bar`, `eye.blocked`), in a straight line over *over_ns*."""
        device, _, name = quantity.partition(".")
        inside, inner = quantities.inside_pair(name, value)
        self._acted(self.plant.set(device, inside, inner, self.timeline.now_ns, over_ns))

    def override(self, side: str, on: bool) -> None:
        """Push or let go the manual override of a valve, `clamp_valve.14`."""
        valve, _, which = side.rpartition(".")
        self._acted(self.plant.override(valve, which, on, self.timeline.now_ns))
        self._record(f"override.{side}", on)

    def force(self, tag: str, value: bool | None) -> None:
        """Force a point at the adapter; None removes the force."""
        changes = self.rack.force(tag, value)
        self._record(f"force.{tag}", "none" if value is None else value)
        self._points(changes)

    def fault(self, kind: str, target: str, active: bool) -> None:
        """Put a fault in or take it out again."""
        if kind == "link_down":
            self._cut(active)
        elif kind == "power_loss":
            self._power(not active)
        elif kind in MODULE_FAULTS:
            self._module(kind, target, active)
        else:
            self._acted(self.plant.fault(kind, target, active, self.timeline.now_ns))
        self._record(f"fault.{kind}.{target}", active)

    def _cut(self, cut: bool) -> None:
        if self._network is not None:
            self._network.set_cut(cut)
        for host in self._hosts:
            if isinstance(host, SocketHost):
                host.set_cut(cut)

    def _power(self, on: bool) -> None:
        """Take the adapter's power, or give it back: it starts anew and knows nothing of before."""
        if on == self.powered:
            return
        self.powered = on
        host = self._hosts[0]
        if on:
            self._tell_faults()
            host.power_on(self.adapter)
        else:
            host.power_off()
            for tag in self.rack.forces:  # they live in the adapter; a coil must not start when it is back
                self.force(tag, None)
            self._incarnation += 1
            self.adapter = Adapter(self._config, self._incarnation, self.adapter.settings)
        self._modules_changed()
        self._outputs()
        self._record_connection()

    def _module(self, kind: str, module: str, active: bool) -> None:
        if module not in self._module_faults:
            raise LocalError(f"there is no module {module}{hint(module, self._module_faults)}")
        kinds = self._module_faults[module]
        before = bool(kinds)
        (kinds.add if active else kinds.discard)(kind)
        if bool(kinds) == before:
            return
        for place in self.station.layout.inputs:
            if place.device == f"{module}.fault":
                self._at_terminal(place.tag, bool(kinds))
        self._modules_changed()
        if self.powered:
            self._tell_faults()
            self._hosts[0].pump()

    def _modules_changed(self) -> None:
        absent = self.faulted_modules if self.powered else [m.name for m in self.station.model.modules]
        self._points(self.rack.set_absent(absent, self.timeline.now_ns))
        self._arm_filter()

    def _tell_faults(self) -> None:
        self.adapter.set_faults(MINOR_RECOVERABLE if self.faulted_modules else 0)
