"""`bench io`: opens one connection to any adapter and shows its images until somebody stops it.

Outputs stay idle unless the person accepted, in so many words, that a machine may move.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass

from rich.console import Console
from rich.live import Live
from rich.text import Text

from bench.clock import PacedDriver, Timeline, start_number
from bench.eip import IO_PORT, TCP_PORT
from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY
from bench.eip.originator import ScannerConfig
from bench.errors import LocalError, MachineError
from bench.live.io_state import Bit, Story, Watched
from bench.live.io_view import CAUTIONS, REFUSED_SET, bits_on, heading, screen, summary
from bench.net.sockets import SocketHost, can_bind, free_udp_port
from bench.net.timer import paced
from bench.suite import own_address
from bench.units import NS_PER_S, ns_from_ms

REFRESH_S = 0.25
CLOSE_S = 1.0  # how long the target may take to answer the Forward Close
KINDS = {"owner": EXCLUSIVE_OWNER, "input-only": INPUT_ONLY, "listen-only": LISTEN_ONLY}
_ORIGINATOR_SERIAL = 0x0D1E_0000  # the lower half tells two of these on one computer apart
_BIT = re.compile(r"(\d{1,5})\.([0-7])=([01])", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class IoCall:
    """What the person asked for; sizes in bytes, None to be learned; `configuration` 0 is none.

    Raises:
        LocalError: outputs to be set without the acceptance that a machine may move, or by a kind
            of connection without outputs.
    """

    host: str
    kind: str = "owner"
    input: int = 100
    output: int = 150
    configuration: int = 151
    heartbeat: int | None = None
    input_size: int | None = None
    output_size: int | None = None
    rpi_ms: str = "10"
    multiplier: int = 4
    multicast: bool = False
    transport_class: int = 1
    own: str | None = None
    configuration_data: bytes = b""
    seconds: float | None = None
    move: bool = False
    bits: tuple[Bit, ...] = ()

    def __post_init__(self) -> None:
        if self.bits and not self.move:
            raise LocalError(REFUSED_SET)
        if self.move and KINDS[self.kind].heartbeat:
            raise LocalError(f"a connection of kind {self.kind} has no outputs; expected --kind owner")

    def scanner_config(self, target: str, own: str, io_port: int) -> ScannerConfig:
        """The connection to ask for; raises LocalError for what a Forward Open cannot carry."""
        sizes = {"input": self.input_size, "output": self.output_size}
        return ScannerConfig(
            target=(target, TCP_PORT),
            address=own,
            input_assembly=self.input,
            input_size=self.input_size or 0,
            output_assembly=self.output,
            output_size=self.output_size or 0,
            configuration_assembly=self.configuration or None,
            rpi_ns=ns_from_ms(self.rpi_ms),
            multiplier=self.multiplier,
            originator_serial=_ORIGINATOR_SERIAL | os.getpid() & 0xFFFF,
            connection_serial=start_number(),
            io_port=io_port,
            kind=KINDS[self.kind],
            heartbeat_point=self.heartbeat,
            multicast=self.multicast,
            transport_class=self.transport_class,
            configuration=self.configuration_data,
            learn_sizes=tuple(name for name, size in sizes.items() if size is None),
        )


def parse_bits(texts: list[str]) -> tuple[Bit, ...]:
    """`0.3=1` to byte, bit and value; raises LocalError."""
    bits: list[Bit] = []
    for text in texts:
        match = _BIT.fullmatch(text)
        if match is None:
            raise LocalError(f"--set {text}: expected BYTE.BIT=0 or BYTE.BIT=1 with bit 0 to 7, as in 0.3=1")
        bits.append((int(match[1]), int(match[2]), match[3] == "1"))
    return tuple(bits)


def parse_hex(text: str) -> bytes:
    """Configuration data; raises LocalError."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise LocalError(f"--config-data {text}: expected pairs of hex digits, as in 0A00FF01") from None


async def exercise(call: IoCall, console: Console) -> tuple[str, bool]:
    """Open, show, close; returns the last words, and whether frames came.

    Raises:
        LocalError: a bit outside of the outputs, or a connection that cannot be asked for.
        MachineError: no such host, or a port or address of this computer that cannot be had.
    """
    target = await _target(call.host)
    own, io_port = await _own_side(target, call.own)
    timeline = Timeline()
    driver = paced(timeline)
    scanner = Watched(call.scanner_config(target, own, io_port))
    over = asyncio.Event()
    story = Story(scanner, call.bits, call.move, over.set)
    host = SocketHost(scanner, driver, own, story.hear, udp_ports=(io_port,), listen=False)
    await host.open()
    console.print(Text(heading(scanner.config, call.move)), soft_wrap=True)
    if call.move:
        console.print(Text(CAUTIONS, style="bold red"), soft_wrap=True)
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, over.set)
    pump = asyncio.create_task(driver.run())
    try:
        driver.hand_in(lambda: _then_pump(scanner.start, host, timeline))
        await _show(scanner, story, driver, console, over, call.seconds, pump)
        shown_ns = driver.wall_ns()
        last_words = summary(scanner, story, shown_ns)
        over.clear()
        driver.hand_in(lambda: _then_pump(scanner.close, host, timeline))
        await _pause(over, CLOSE_S)
    finally:
        await host.close()
        driver.stop()
        await asyncio.gather(pump, return_exceptions=True)
    if story.wrong is not None:
        raise story.wrong
    return last_words, bool(story.frames[0])


def _then_pump(call: Callable[[int], None], host: SocketHost, timeline: Timeline) -> None:
    call(timeline.now_ns)
    host.pump()


async def _show(
    scanner: Watched,
    story: Story,
    driver: PacedDriver,
    console: Console,
    over: asyncio.Event,
    seconds: float | None,
    pump: asyncio.Task[None],
) -> None:
    live = Live(screen(scanner, story, 0), console=console, auto_refresh=False)
    lines = Lines(scanner, story)
    with live if console.is_terminal else nullcontext():
        while not over.is_set() and not pump.done():
            left_s = REFRESH_S if seconds is None else min(REFRESH_S, seconds - driver.wall_ns() / NS_PER_S)
            if left_s <= 0:
                break
            if console.is_terminal:
                # Drawing takes longer than a short packet interval, and a terminal may block.
                view = screen(scanner, story, driver.wall_ns())
                await asyncio.to_thread(live.update, view, refresh=True)
            else:
                lines.print_new(console, driver.wall_ns())
            await _pause(over, left_s)
        if console.is_terminal:
            live.update(screen(scanner, story, driver.wall_ns()), refresh=True)
        else:
            lines.print_new(console, driver.wall_ns())
    if pump.done():
        await pump


class Lines:
    """The same for a pipe: sentences as they come, inputs when they changed since the last look."""

    def __init__(self, scanner: Watched, story: Story) -> None:
        self._scanner = scanner
        self._story = story
        self._told = 0
        self._changes = 0
        self._shown: bytes | None = None

    def print_new(self, console: Console, now_ns: int) -> None:
        sentences, fresh = self._story.sentences, self._story.told - self._told
        for t_ns, sentence in sentences[max(0, len(sentences) - fresh) :]:
            self._line(console, t_ns, sentence)
        self._told = self._story.told
        changes, inputs = self._story.changes, self._scanner.inputs
        if changes != self._changes and inputs != self._shown:
            between = changes - self._changes - 1
            more = f"  ({between} more since the last line)" if between else ""
            self._line(console, now_ns, f"inputs {bits_on(inputs)}{more}")
            self._changes, self._shown = changes, inputs

    @staticmethod
    def _line(console: Console, t_ns: int, text: str) -> None:
        console.print(Text(f"{t_ns / NS_PER_S:9.3f} s  {text}"), soft_wrap=True)


async def _pause(event: asyncio.Event, seconds: float) -> None:
    try:
        await asyncio.wait_for(event.wait(), seconds)
    except TimeoutError:
        return


async def _target(host: str) -> str:
    """The IPv4 address of a host name; frames are told apart by it."""
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, TCP_PORT)
    except (OSError, UnicodeError):
        raise MachineError(f"the host {host}", "no such name or address", "give its IPv4 address") from None
    for *_, address in found:
        if len(address) == 2:  # IPv6 has four parts
            return str(address[0])
    raise MachineError(f"the host {host}", "it has no IPv4 address", "give its IPv4 address")


async def _own_side(target: str, own: str | None) -> tuple[str, int]:
    """The address and I/O port to talk from; another port than 2222 is told in the Forward Open."""
    if own is None and target.startswith("127."):
        # of the same subnet, as multicast goes no further; from its far end, where few adapters are
        subnet = target.rpartition(".")[0]
        near = [f"{subnet}.{last}" for last in range(254, 244, -1) if f"{subnet}.{last}" != target]
        free = next((address for address in near if can_bind(address, IO_PORT)), None)
        return (free, IO_PORT) if free else own_address(target)
    if own is None:
        own = await _address_towards(target)
    return own, IO_PORT if can_bind(own, IO_PORT) else free_udp_port(own)


async def _address_towards(target: str) -> str:
    """Which of this computer's addresses its routes would use; nothing is sent."""
    loop = asyncio.get_running_loop()
    try:
        transport, _ = await loop.create_datagram_endpoint(
            asyncio.DatagramProtocol, remote_addr=(target, TCP_PORT)
        )
    except OSError as error:
        reason = error.strerror or str(error)
        raise MachineError(f"a way to {target}", reason, "name your own address with --from") from None
    name: tuple[str, int] = transport.get_extra_info("sockname")
    transport.close()
    return name[0]
