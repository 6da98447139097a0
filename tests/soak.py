"""Millions of frames in virtual time through one adapter and ten scanners: memory flat, every frame counted.

`python -m tests.soak` sends ten million, which takes some minutes; `--frames` changes that. One scanner owns
the outputs, six listen point to point, three share a multicast; links lose and delay some frames. Meanwhile
scanners close and open again, the cable is pulled until everybody has timed out, and a stranger asks for
what it is refused. Sequences start shortly before they wrap around.
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import pstats
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

from bench.clock import Phase, Timeline
from bench.eip.adapter import Adapter
from bench.eip.config import AdapterConfig, Identity
from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, Producer
from bench.eip.events import ConnectionTimedOut, InputsReceived, OutputsChanged, Refused
from bench.eip.scanner import Scanner, ScannerConfig, State
from bench.eip.transport import TCP_PORT
from bench.net.link import LinkQuality
from bench.net.memory import MemoryHost, MemoryNetwork

MS = 1_000_000
ADAPTER, STRANGER = "127.0.0.1", "127.0.0.99"
SCANNERS, MULTICAST = 10, 3
RPI_NS = 2 * MS
SAMPLES = 20
FIRST_SEQUENCE = 0xFFFF_FFFF - 500
FIRST_COUNT = 0xFFFF - 300
MOST_UNSEEN = 4  # frames of one direction of one connection, see `Soak.audit`
GROWTH_BYTES = 1_000_000  # after the first tenth: resident memory
GROWTH_BLOCKS = 2_000  # the same: blocks the interpreter has handed out, about 60 bytes each

CONFIG = AdapterConfig(
    identity=Identity(serial=11, product_name="Bench I/O"),
    address=ADAPTER,
    input_assembly=100,
    input_size=16,
    output_assembly=150,
    output_size=16,
    configuration_assembly=151,
    rpi_min_ns=RPI_NS,
    rpi_default_ns=RPI_NS,
)


class NearWrap(Producer):
    """A producer that has sent for months: its sequence and its count are about to wrap around."""

    __slots__ = ()

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._seq32 = FIRST_SEQUENCE
        self._seq16 = FIRST_COUNT


@contextmanager
def near_the_wrap() -> Iterator[None]:
    """Every connection that is opened in here begins shortly before the wrap."""
    with ExitStack() as stack:
        for module in ("manager", "exchange"):
            stack.enter_context(patch(f"bench.eip.{module}.Producer", NearWrap))
        yield


@dataclass(slots=True)
class Seat:
    """A scanner on the network. `lives`: how often it was started; `unseen`: see `Soak.audit`."""

    scanner: Scanner
    host: MemoryHost
    lives: int = 0
    audits: int = 0
    wraps: int = 0  # connections whose sequences both went past their largest number
    gaps: int = 0  # frames that did not come, both directions, of the connections audited
    unseen: int = 0


@dataclass(frozen=True, slots=True)
class Sample:
    """How things stood after so many frames."""

    frames: int
    resident_bytes: int
    blocks: int


@dataclass(slots=True)
class Told:
    """Events, counted and thrown away."""

    inputs: int = 0
    outputs: int = 0
    timeouts: int = 0
    refusals: int = 0

    def hear(self, event: object) -> None:
        self.inputs += isinstance(event, InputsReceived)
        self.outputs += isinstance(event, OutputsChanged)
        self.timeouts += isinstance(event, ConnectionTimedOut)
        self.refusals += isinstance(event, Refused)


@dataclass(slots=True)
class Soak:
    """The whole run. `told` counts events; `samples` are taken as the frames go by."""

    most_frames: int
    told: Told = field(default_factory=Told)
    samples: list[Sample] = field(default_factory=list)
    timeline: Timeline = field(default_factory=Timeline)
    network: MemoryNetwork = field(init=False)
    adapter: Adapter = field(init=False)
    host: MemoryHost = field(init=False)
    seats: list[Seat] = field(default_factory=list)
    copies: int = 0  # datagrams on their way to one host each
    injected: int = 0  # datagrams of the stranger that took no way at all
    _turn: int = 0
    _stranger: Scanner = field(init=False)
    _stranger_host: MemoryHost = field(init=False)

    def __post_init__(self) -> None:
        quality = LinkQuality(latency_ns=200_000, jitter_ns=300_000, loss=0.001, seed=1)
        self.network = MemoryNetwork(self.timeline, quality=quality)
        self.network.datagram = self._counted(self.network.datagram)  # type: ignore[method-assign]
        self.adapter = Adapter(CONFIG)
        self.host = self.network.attach(self.adapter, ADAPTER, self.told.hear)
        for number in range(SCANNERS):
            self.seats.append(self._seat(number))
        self._stranger = Scanner(_config(SCANNERS, STRANGER, originator_serial=4711))
        self._stranger_host = self.network.attach(self._stranger, STRANGER, self.told.hear)

    def _counted(self, carry: Callable[..., None]) -> Callable[..., None]:
        def count(source: str, target: str, call: Callable[[], None]) -> None:
            self.copies += 1
            carry(source, target, call)

        return count

    def _seat(self, number: int) -> Seat:
        address = f"127.0.0.{2 + number}"
        scanner = Scanner(_config(number, address))
        return Seat(scanner, self.network.attach(scanner, address, self.told.hear))

    @property
    def frames(self) -> int:
        """Cyclic frames sent by anybody."""
        own = self.host.datagrams_out + self._stranger_host.datagrams_out
        return own + sum(seat.host.datagrams_out for seat in self.seats)

    def run(self, report: Callable[[Sample], None]) -> None:
        """Until `most_frames` have been sent; *report* takes each sample."""
        for seat in self.seats:
            self._start(seat)
        every = self.most_frames // SAMPLES
        self.timeline.at(0, Phase.SCAN, self._new_data)
        for number in range(1, SAMPLES + 1):
            while self.frames < number * every:
                self._turn += 1
                self._disturb()
                self.timeline.run_until(self.timeline.now_ns + 250 * MS)
            self.samples.append(_sample(self.frames))
            report(self.samples[-1])
        self._settle()

    def _new_data(self) -> None:
        """Every interval other inputs and other outputs, so that the 16-bit counts step."""
        now_ns = self.timeline.now_ns
        step = now_ns // RPI_NS
        self.adapter.set_inputs(step.to_bytes(16, "little"), now_ns)
        self.seats[0].scanner.set_outputs(step.to_bytes(16, "big"), now_ns)
        self.timeline.after(RPI_NS, Phase.SCAN, self._new_data)

    # -- what happens meanwhile -----------------------------------------------------------------------

    def _disturb(self) -> None:
        """Every quarter of a second: somebody comes or goes; now and then the cable is out."""
        turn = self._turn
        for seat in self.seats:
            if seat.scanner.state is State.CLOSED:
                self._start(seat)
        if turn % 4 == 0:
            self._end(self.seats[turn // 4 % SCANNERS])
        if turn % 8 == 4:
            self._ask_for_too_much()
        if turn % 40 == 30:
            self._pull_the_cable()

    def _start(self, seat: Seat) -> None:
        seat.lives += 1
        seat.scanner.set_run(True, self.timeline.now_ns)
        seat.scanner.start(self.timeline.now_ns)
        seat.host.pump()

    def _end(self, seat: Seat) -> None:
        self.audit(seat)
        seat.scanner.close(self.timeline.now_ns)
        seat.host.pump()

    def _ask_for_too_much(self) -> None:
        """A stranger wants the outputs that have an owner, is refused, leaves; and sends rubbish."""
        if self._stranger.state in (State.IDLE, State.CLOSED):
            self._stranger.start(self.timeline.now_ns)
        else:
            self._stranger.close(self.timeline.now_ns)
        self._stranger_host.pump()
        self.host.datagrams(2222, [(b"no frame at all", (STRANGER, 2222))], False)
        self.injected += 1

    def _pull_the_cable(self) -> None:
        """Longer than any watchdog of a connection that has got frames; everybody comes back by itself."""
        for seat in self.seats:
            self.audit(seat)
        self.network.set_cut(True)
        self.timeline.run_until(self.timeline.now_ns + 100 * MS)
        self.network.set_cut(False)

    def _settle(self) -> None:
        """All close; what is under way arrives."""
        self._stranger.close(self.timeline.now_ns)
        self._stranger_host.pump()
        for seat in self.seats:
            self._end(seat)
        self.timeline.run_until(self.timeline.now_ns + 200 * MS)

    # -- what must hold -------------------------------------------------------------------------------

    def audit(self, seat: Seat) -> None:
        """Compare what both ends of a connection have counted: sent = received + lost, but for a few.

        The few are under way, or lost with nothing after them to show the gap, or came before the answer
        to the Forward Open did. What a group was sent before somebody joined is not this one's loss.
        """
        if not seat.scanner.connected:
            return
        address = seat.host.address
        (report,) = [
            report
            for report in self.adapter.connections()
            if report.originator == address and report.state == "established"
        ]
        taken, sent = seat.scanner.frames
        unseen = [sent - report.frames_in - report.lost]
        if not report.group:
            unseen.append(report.frames_out - taken - seat.scanner.lost)
        assert all(0 <= count <= MOST_UNSEEN for count in unseen), (
            f"{address}: {unseen} frames unaccounted for"
        )
        seat.audits += 1
        seat.wraps += min(taken, report.frames_in) > 0xFFFF_FFFF - FIRST_SEQUENCE
        seat.gaps += report.lost + seat.scanner.lost
        seat.unseen += sum(unseen)

    def mistakes(self) -> list[str]:
        """What does not add up in the end; nothing when all is well."""
        hosts = (self.host, self._stranger_host, *(seat.host for seat in self.seats))
        arrived = sum(host.datagrams_in for host in hosts) - self.injected
        adapter, totals = self.adapter, self.adapter.totals
        accounted = totals.frames_in + totals.bad_frames + adapter.strays + adapter.strangers
        tenth = self.samples[SAMPLES // 10 - 1]
        last = self.samples[-1]
        checks = {
            f"{self.copies} sent, {arrived} arrived, {self.network.lost_datagrams} lost": (
                self.copies == arrived + self.network.lost_datagrams
            ),
            f"{self.host.datagrams_in} came to the adapter, {accounted} accounted for": (
                self.host.datagrams_in == accounted
            ),
            f"{totals.frames_out} produced, {self.host.datagrams_out} sent": (
                totals.frames_out == self.host.datagrams_out
            ),
            f"{totals.bad_frames} bad frames, {self.injected} sent": totals.bad_frames == self.injected,
            f"{self.told}: every kind expected": min(self.told.timeouts, self.told.refusals) > 0,
            f"connections past the wrap: {[seat.wraps for seat in self.seats]}": all(
                seat.wraps for seat in self.seats
            ),
            f"{adapter.open_connections} connections open in the end": adapter.open_connections == 0,
            f"resident memory grew by {last.resident_bytes - tenth.resident_bytes} bytes": (
                last.resident_bytes - tenth.resident_bytes < GROWTH_BYTES
            ),
            f"{last.blocks - tenth.blocks} more blocks of memory in use": (
                last.blocks - tenth.blocks < GROWTH_BLOCKS
            ),
        }
        return [sentence for sentence, holds in checks.items() if not holds]


def _config(number: int, address: str, originator_serial: int | None = None) -> ScannerConfig:
    owner = number in (0, SCANNERS)
    return ScannerConfig(
        target=(ADAPTER, TCP_PORT),
        address=address,
        input_assembly=100,
        input_size=16,
        output_assembly=150 if owner else 0,
        output_size=16 if owner else 0,
        configuration_assembly=151,
        rpi_ns=RPI_NS,
        originator_serial=originator_serial or 100 + number,
        kind=EXCLUSIVE_OWNER if owner else INPUT_ONLY,
        multicast=SCANNERS - MULTICAST <= number < SCANNERS,
        retry_ns=50 * MS,
        retry_most_ns=100 * MS,
    )


def _sample(frames: int) -> Sample:
    gc.collect()
    resident_pages = int(Path("/proc/self/statm").read_text().split()[1])
    return Sample(frames, resident_pages * 4096, sys.getallocatedblocks())


def soak(frames: int, report: Callable[[Sample], None] = lambda _: None) -> Soak:
    """Run it all; the sequences begin near their wrap."""
    with near_the_wrap():
        made = Soak(frames)
        made.run(report)
    return made


def _profiled(frames: int) -> Soak:
    profile = cProfile.Profile()
    made = profile.runcall(soak, frames)
    pstats.Stats(profile, stream=sys.stdout).sort_stats("tottime").print_stats(25)
    return made


def _line(sample: Sample) -> None:
    resident_mb = sample.resident_bytes / 1e6
    sys.stdout.write(f"{sample.frames:>10} frames   {resident_mb:7.2f} MB   {sample.blocks:>8} blocks\n")
    sys.stdout.flush()


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.soak", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=10_000_000, metavar="N", help="to send (10000000)")
    parser.add_argument("--profile", action="store_true", help="show where the time goes; slower")
    chosen = parser.parse_args()
    began_s = time.perf_counter()
    made = _profiled(chosen.frames) if chosen.profile else soak(chosen.frames, _line)
    wall_s = time.perf_counter() - began_s
    lives, bench_s = sum(seat.lives for seat in made.seats), made.timeline.now_ns / 1e9
    sys.stdout.write(
        f"{made.frames} frames ({made.copies} deliveries, {made.network.lost_datagrams} lost) "
        f"in {wall_s:.0f} s, {wall_s / made.frames * 1e6:.1f} us each; {bench_s:.0f} s of bench time\n"
        f"{made.adapter.totals.opened} connections opened, {made.told.timeouts} timed out, {lives} starts, "
        f"{made.told.refusals} refusals told\n"
        f"{sum(seat.gaps for seat in made.seats)} gaps seen by both ends in "
        f"{sum(seat.audits for seat in made.seats)} audits; {sum(seat.unseen for seat in made.seats)} frames "
        "at the edges of connections unseen\n"
    )
    mistakes = made.mistakes()
    sys.stdout.write("".join(f"WRONG: {sentence}\n" for sentence in mistakes))
    return 1 if mistakes else 0


if __name__ == "__main__":
    sys.exit(main())
