"""What `bench io` keeps of a connection: its frames' gaps, its story in sentences, when it is over."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from bench.eip.events import BadFrame, Connected, Disconnected, Event, InputsReceived, Refused
from bench.eip.originator import ScannerConfig
from bench.eip.scanner import Scanner, State
from bench.eip.transport import Address
from bench.errors import LocalError
from bench.units import NS_PER_MS

KEPT_GAPS = 10_000  # the latest; a connection may be watched for days
KEPT_SENTENCES = 200

Bit = tuple[int, int, bool]  # byte, bit 0 to 7, value


class Watched(Scanner):
    """A scanner that notes the gaps between T->O frames, ns of bench time."""

    def __init__(self, config: ScannerConfig) -> None:
        super().__init__(config)
        self.gaps_ns: deque[int] = deque(maxlen=KEPT_GAPS)
        self._seen = 0
        self._last_ns = 0

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        super().udp_received(local_port, peer, data, now_ns, to_many)
        taken = self.frames[0]
        if taken != self._seen:
            if taken > self._seen > 0:  # fewer: a new connection counts from the start
                self.gaps_ns.append(now_ns - self._last_ns)
            self._seen = taken
            self._last_ns = now_ns


@dataclass(frozen=True, slots=True)
class Gaps:
    """Gaps between frames in ms."""

    least: float
    p99: float
    most: float


def gaps_of(gaps_ns: deque[int]) -> Gaps | None:
    """None before the second frame."""
    if not gaps_ns:
        return None
    ordered = sorted(gaps_ns)
    p99 = ordered[min(len(ordered) - 1, len(ordered) * 99 // 100)]
    return Gaps(ordered[0] / NS_PER_MS, p99 / NS_PER_MS, ordered[-1] / NS_PER_MS)


def output_image(size: int, bits: tuple[Bit, ...]) -> bytes:
    """Zeros but for the given bits; raises LocalError for a bit outside of the image."""
    image = bytearray(size)
    for byte, bit, value in bits:
        if byte >= size:
            last = f"0.0 to {size - 1}.7" if size else "no output at all"
            raise LocalError(f"--set {byte}.{bit}: the target has {size} output bytes; expected {last}")
        image[byte] = image[byte] | 1 << bit if value else image[byte] & ~(1 << bit)
    return bytes(image)


@dataclass(slots=True)
class Story:
    """What happened so far; `hear` takes every event of the scanner.

    Attributes:
        told: how many sentences there were; the oldest are forgotten.
        move: whether outputs are driven; never again after a loss, as a machine must not start by itself.
        over: called once when there is nothing more to wait for.
        wrong: a mistake in the call that showed only when the sizes were known.
    """

    scanner: Watched
    bits: tuple[Bit, ...]
    move: bool
    over: Callable[[], None]
    sentences: list[tuple[int, str]] = field(default_factory=list)
    told: int = 0
    refusals: list[str] = field(default_factory=list)
    apis_ns: tuple[int, int] = (0, 0)
    changes: int = 0
    connections: int = 0
    earlier: tuple[int, int, int] = (0, 0, 0)  # frames taken and sent, and lost, of connections before
    latest: tuple[int, int, int] = (0, 0, 0)  # the same of the connection that ended last
    wrong: LocalError | None = None
    last_reason: str = ""

    @property
    def frames(self) -> tuple[int, int]:
        """T->O frames taken and O->T frames sent, of all connections."""
        taken, sent = self.scanner.frames
        return self.earlier[0] + taken, self.earlier[1] + sent

    @property
    def lost(self) -> int:
        return self.earlier[2] + self.scanner.lost

    def hear(self, event: Event | Any) -> None:
        match event:
            case InputsReceived():
                self.changes += 1
            case Connected(t_ns, ot_api_ns, to_api_ns):
                self.apis_ns = ot_api_ns, to_api_ns
                self.connections += 1
                taken, sent, lost = self.latest
                self.earlier = self.earlier[0] + taken, self.earlier[1] + sent, self.earlier[2] + lost
                self.latest = (0, 0, 0)
                for told in self.scanner.learned.values():
                    if all(told not in sentence for _, sentence in self.sentences):
                        self._tell(t_ns, f"learned: {told}")
                self._tell(t_ns, f"connected: API {ot_api_ns / 1e6:g} ms O->T, {to_api_ns / 1e6:g} ms T->O")
                self._drive(t_ns)
            case Disconnected(t_ns, reason):
                self._ended(t_ns, reason)
            case Refused(t_ns):
                self._refused(t_ns, event)
            case BadFrame(t_ns, peer, sentence):
                self.last_reason = f"from {peer}: {sentence}"
                self._tell(t_ns, self.last_reason)

    def _refused(self, t_ns: int, event: Refused) -> None:
        if self.scanner.state is not State.WAITING:  # it tries again at once with what it was told
            self._tell(t_ns, f"learned: {list(self.scanner.learned.values())[-1]}")
            return
        self.refusals.append(event.sentence)
        del self.refusals[:-KEPT_SENTENCES]
        self._tell(t_ns, event.sentence)
        self._failed(event.sentence)

    def _ended(self, t_ns: int, reason: str) -> None:
        if self.scanner.state is State.CLOSED:
            self.over()
            return
        self.latest = (*self.scanner.frames, self.scanner.lost)
        self._tell(t_ns, f"not connected: {reason}")
        self._failed(reason)
        if self.move:
            self.move = False
            self.scanner.set_run(False, t_ns)
            self.scanner.set_outputs(bytes(len(self.scanner.outputs)), t_ns)
            self._tell(t_ns, "outputs stay idle from here on: a machine must not start again by itself")

    def _failed(self, reason: str) -> None:
        self.last_reason = reason
        if not self.frames[0]:
            self.over()

    def _drive(self, t_ns: int) -> None:
        if not self.move:
            return
        try:
            self.scanner.set_outputs(output_image(len(self.scanner.outputs), self.bits), t_ns)
        except LocalError as error:
            self.wrong = error
            self.over()
        else:
            self.scanner.set_run(True, t_ns)

    def _tell(self, t_ns: int, sentence: str) -> None:
        self.told += 1
        self.sentences.append((t_ns, sentence))
        del self.sentences[:-KEPT_SENTENCES]
