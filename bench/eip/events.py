"""What the cores report: values with the bench time at which each thing happened."""

from __future__ import annotations

from dataclasses import dataclass

from bench.eip.status import describe


@dataclass(frozen=True, slots=True)
class ConnectionReport:
    """One I/O connection (class 0 or 1) as the adapter counts it.

    `late` counts T->O frames sent more than half an API after their slot, `skipped` the slots that
    went unsent because the timer was called too late, `lost` the gaps in the O->T sequence.
    """

    originator: str
    vendor_id: int
    originator_serial: int
    connection_serial: int
    state: str  # "established", "timed out" or "closed"
    ot_rpi_ns: int
    ot_api_ns: int
    to_rpi_ns: int
    to_api_ns: int
    timeout_ns: int
    frames_in: int
    frames_out: int
    late: int
    skipped: int
    lost: int
    run: bool
    kind: str = "exclusive owner"
    transport_class: int = 1
    group: str = ""  # multicast group of the T->O direction, empty when it is point to point
    stale: int = 0


@dataclass(frozen=True, slots=True)
class OutputsChanged:
    """The adapter's effective output image or its run state changed."""

    t_ns: int
    data: bytes
    run: bool


@dataclass(frozen=True, slots=True)
class ConnectionOpened:
    t_ns: int
    report: ConnectionReport


@dataclass(frozen=True, slots=True)
class ConnectionClosed:
    t_ns: int
    originator: str
    reason: str


@dataclass(frozen=True, slots=True)
class ConnectionTimedOut:
    t_ns: int
    originator: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Refused:
    """A request was refused: by our adapter, or (in a scanner's events) by the target.

    `extended` holds every extended status word, the second word of a size error included.
    """

    t_ns: int
    originator: str
    status: int
    extended: tuple[int, ...]
    sentence: str

    def __str__(self) -> str:
        return f"{self.sentence} [{describe(self.status, self.extended)}]"


@dataclass(frozen=True, slots=True)
class BadFrame:
    """A frame that could not be taken; it was dropped, or its link closed."""

    t_ns: int
    peer: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Connected:
    """The scanner's connection is open, with the packet intervals the target really keeps."""

    t_ns: int
    ot_api_ns: int
    to_api_ns: int


@dataclass(frozen=True, slots=True)
class InputsReceived:
    """The target produced new data (its 16-bit count differs from the frame before)."""

    t_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Disconnected:
    t_ns: int
    reason: str


Event = (
    OutputsChanged
    | ConnectionOpened
    | ConnectionClosed
    | ConnectionTimedOut
    | Refused
    | BadFrame
    | Connected
    | InputsReceived
    | Disconnected
)
