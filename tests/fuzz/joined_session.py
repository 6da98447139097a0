"""A scanner and an adapter on a hostile network: the tape plays the network and both stations.

What is held against them: no exception; outputs and inputs only ever are what the other end was told, or
zeros; and once the network is whole again, both ends find each other and agree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bench.clock import Timeline
from bench.eip.adapter import Adapter
from bench.eip.events import Event
from bench.eip.scanner import Scanner, State
from bench.net.link import LinkQuality
from bench.net.memory import MemoryHost, MemoryNetwork
from tests.fuzz.adapter_session import config_of as adapter_config
from tests.fuzz.frames import ADAPTER, MS, OTHERS
from tests.fuzz.scanner_session import config_of as scanner_config
from tests.fuzz.tape import Tape

MOST_STEPS = 24
RPI_NS = 100 * MS
HEALED_NS = 16_000 * MS  # longer than a watchdog waits for a first frame, and the longest pause between tries
SCANNER = OTHERS[0]
INPUT_BYTES, OUTPUT_BYTES = 8, 4


class JoinedSession:
    """Runs a tape. `log`, when given, takes every call in words."""

    def __init__(self, data: bytes, log: list[str] | None = None) -> None:
        self._tape = Tape(data)
        self._log = log
        choice, kind = self._tape.byte(), self._tape.byte()
        self._adapter_config = replace(adapter_config(choice & 15), rpi_default_ns=RPI_NS)
        asked = scanner_config(kind // 3 * 3)  # an owner: the others have no outputs to compare
        self.scanner = Scanner(
            replace(
                asked,
                input_size=INPUT_BYTES,
                output_size=OUTPUT_BYTES,
                rpi_ns=RPI_NS,
                output_format=self._adapter_config.output_format,
                retry_ns=500 * MS,
                retry_most_ns=1000 * MS,
                learn_sizes=(),
            )
        )
        self.adapter = Adapter(self._adapter_config)
        self.incarnation = 1
        self.timeline = Timeline()
        self.network = MemoryNetwork(self.timeline)
        self.host: MemoryHost = self.network.attach(self.adapter, ADAPTER, self._hear)
        self.scanner_host = self.network.attach(self.scanner, SCANNER, self._hear)
        self.told_outputs = {bytes(OUTPUT_BYTES)}
        self.told_inputs = {bytes(INPUT_BYTES)}
        self._steps: tuple[Callable[[Tape], None], ...] = (
            self._pass,
            self._quality,
            self._outputs,
            self._inputs,
            self._run,
            self._cut,
            self._restart,
            self._power,
            self._stranger,
        )
        self.scanner.set_run(True, 0)
        self.scanner.start(0)
        self.scanner_host.pump()

    def run(self) -> None:
        for number, arguments in self._tape.steps(MOST_STEPS):
            self._steps[number % len(self._steps)](arguments)
            self._hear(None)
        self._heal()

    # -- steps ----------------------------------------------------------------------------------------

    def _pass(self, tape: Tape) -> None:
        span_ms = tape.pick((100, 7, 450, 2000, 11_000))
        self._say("pass", span_ms)
        self.timeline.run_until(self.timeline.now_ns + span_ms * MS)

    def _quality(self, tape: Tape) -> None:
        quality = LinkQuality(
            latency_ns=tape.pick((100_000, 0, 5 * MS, 300 * MS)),
            jitter_ns=tape.pick((0, 50 * MS, 500 * MS)),
            loss=tape.byte() / 255,
            duplication=tape.byte() / 255,
            reordering=tape.byte() / 255,
            seed=tape.byte(),
        )
        ways = ((None, None), (SCANNER, ADAPTER), (ADAPTER, SCANNER))
        self._say("set_quality", quality)
        self.network.set_quality(quality, *tape.pick(ways))

    def _outputs(self, tape: Tape) -> None:
        data = bytes((tape.byte(),)) * OUTPUT_BYTES
        self.told_outputs.add(data)
        self._say("set_outputs", data.hex())
        self.scanner.set_outputs(data, self.timeline.now_ns)
        self.scanner_host.pump()

    def _inputs(self, tape: Tape) -> None:
        data = bytes((tape.byte(),)) * INPUT_BYTES
        self.told_inputs.add(data)
        self._say("set_inputs", data.hex())
        if self.host.powered:
            self.adapter.set_inputs(data, self.timeline.now_ns)
            self.host.pump()

    def _run(self, tape: Tape) -> None:
        run = bool(tape.byte() & 1)
        self._say("set_run", run)
        self.scanner.set_run(run, self.timeline.now_ns)
        self.scanner_host.pump()

    def _cut(self, tape: Tape) -> None:
        cut = not self.network.cut
        self._say("set_cut", cut)
        self.network.set_cut(cut)

    def _restart(self, tape: Tape) -> None:
        """Close, or start again when closed."""
        if self.scanner.state is State.CLOSED:
            self._say("start")
            self.scanner.start(self.timeline.now_ns)
        else:
            self._say("close")
            self.scanner.close(self.timeline.now_ns)
        self.scanner_host.pump()

    def _power(self, tape: Tape) -> None:
        if self.host.powered:
            self._say("power_off")
            self.host.power_off()
            return
        self._say("power_on")
        self.incarnation += 1
        self.adapter = Adapter(self._adapter_config, self.incarnation)
        self.host.power_on(self.adapter)

    def _stranger(self, tape: Tape) -> None:
        """Somebody else sends a datagram to either of them."""
        target = (self.host, self.scanner_host)[tape.byte() & 1]
        port, data = tape.pick((2222, 44818, 2300)), tape.rest()
        self._say("datagrams", target.address, port, data.hex())
        target.datagrams(port, [(data, (OTHERS[1], 2222))], False)

    # -- what must hold -------------------------------------------------------------------------------

    def _hear(self, event: Event | None) -> None:
        assert event is None or str(event)
        assert self.adapter.outputs in self.told_outputs
        assert self.scanner.inputs in self.told_inputs
        assert not (self.adapter.running and not self.adapter.owned)

    def _heal(self) -> None:
        """Everything is well again; both ends must meet, whatever came before."""
        if not self.host.powered:
            self._power(Tape(b""))
        now_ns = self.timeline.now_ns
        self._say("heal")
        self.network.set_cut(False)
        self.network.set_quality(LinkQuality())
        for pair in ((SCANNER, ADAPTER), (ADAPTER, SCANNER)):
            self.network.set_quality(LinkQuality(), *pair)
        inputs, outputs = b"\x5a" * INPUT_BYTES, b"\xa5" * OUTPUT_BYTES
        self.told_inputs.add(inputs)
        self.told_outputs.add(outputs)
        self.adapter.set_inputs(inputs, now_ns)
        self.scanner.set_outputs(outputs, now_ns)
        self.scanner.set_run(True, now_ns)
        self.timeline.run_until(now_ns + 4000 * MS)  # a close under way comes to its end
        if self.scanner.state in (State.CLOSED, State.IDLE):
            self.scanner.start(self.timeline.now_ns)
        self.scanner_host.pump()
        self.host.pump()
        self.timeline.run_until(self.timeline.now_ns + HEALED_NS)
        state = self.scanner.state.name, self.adapter.running
        assert state == ("CONNECTED", True), f"{state} after {HEALED_NS / 1e9:g} s on a clean network"
        assert (self.adapter.outputs, self.scanner.inputs) == (outputs, inputs)

    def _say(self, call: str, *arguments: object) -> None:
        if self._log is not None:
            at_ms, state = self.timeline.now_ns / MS, self.scanner.state.name
            self._log.append(f"{at_ms:12.3f} ms  {state} {call}({', '.join(map(str, arguments))})")


def run(data: bytes, log: list[str] | None = None) -> None:
    """One session."""
    JoinedSession(data, log).run()
