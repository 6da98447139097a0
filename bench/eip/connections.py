"""The connections of an adapter as they run: I/O of classes 0 and 1, what they produce, who may join.

Values and small state only; `manager` decides what becomes of them.
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.eip.cyclic import RUN_IDLE_BYTES, ConnectionKind, Consumer, Dress, Producer
from bench.eip.events import ConnectionReport
from bench.eip.forward_open import ForwardOpen
from bench.eip.open_request import Held, Shared
from bench.eip.transport import Address

PRODUCING = "established"
TIMED_OUT = "timed out"
CLOSED = "closed"


@dataclass(slots=True, eq=False)
class Production:
    """One T->O stream of frames: to one originator, or to a group that several have joined."""

    producer: Producer
    peer: Address
    to_point: int
    dscp: int
    first: ForwardOpen
    inhibit_us: int | None
    group: str = ""
    users: int = 0
    armed_ns: int = -1

    @property
    def deadline_ns(self) -> int | None:
        return self.producer.due_ns if self.users else None

    def shared(self) -> Shared:
        return Shared(self.to_point, self.first, self.producer.api_ns // 1000, self.inhibit_us)


@dataclass(slots=True, eq=False)
class Connection:
    """One I/O connection; `state` is "established", "timed out" or "closed".

    `source` is the address and port its frames come from, pinned by the first one: a guess of the
    connection id from anywhere else is dropped.
    """

    asked: ForwardOpen
    kind: ConnectionKind
    dress: Dress
    ot_bytes: int
    ot_point: int
    to_point: int
    ot_id: int
    ot_api_ns: int
    link: int
    originator: str
    consumer: Consumer
    production: Production
    state: str = PRODUCING
    source: Address | None = None
    run: bool = False
    payload: bytes | None = None
    armed_ns: int = -1

    @property
    def deadline_ns(self) -> int | None:
        return self.consumer.deadline_ns if self.state == PRODUCING else None

    @property
    def is_live(self) -> bool:
        return self.state == PRODUCING

    def fits(self, body: bytes) -> bool:
        """Whether the data has the size that was agreed, header included; empty may mean idle."""
        header = RUN_IDLE_BYTES * self.dress.header
        return len(body) == self.ot_bytes + header or (not body and not header)

    def split(self, body: bytes) -> tuple[bool, bytes | None]:
        """Run or idle, and the data (None: none came)."""
        if self.dress.header:
            return bool(body[0] & 1), body[RUN_IDLE_BYTES:]
        if not body and self.ot_bytes:
            return False, None
        return True, body

    def held(self) -> Held:
        return Held(
            self.asked.triad,
            self.originator,
            self.kind,
            self.state == TIMED_OUT,
            self.ot_point,
            self.to_point,
        )

    def report(self) -> ConnectionReport:
        asked, consumer, producer = self.asked, self.consumer, self.production.producer
        return ConnectionReport(
            originator=self.originator,
            vendor_id=asked.vendor_id,
            originator_serial=asked.originator_serial,
            connection_serial=asked.serial,
            state=self.state,
            ot_rpi_ns=asked.ot_rpi_us * 1000,
            ot_api_ns=self.ot_api_ns,
            to_rpi_ns=asked.to_rpi_us * 1000,
            to_api_ns=producer.api_ns,
            timeout_ns=consumer.timeout_ns,
            frames_in=consumer.frames,
            frames_out=producer.frames,
            late=producer.late,
            skipped=producer.skipped,
            lost=consumer.lost,
            run=self.is_live and self.run,
            kind=self.kind.name,
            transport_class=asked.transport_class,
            group=self.production.group,
            stale=consumer.stale,
        )


@dataclass(slots=True)
class Totals:
    """Counted over the adapter's whole life, connections long gone included."""

    opened: int = 0
    timed_out: int = 0
    closed: int = 0
    frames_in: int = 0
    frames_out: int = 0
    refused: int = 0
    bad_frames: int = 0
    not_told: int = 0  # complaints that the limit on log lines kept back


def time_out_sentence(connection: Connection) -> str:
    """Why the watchdog ran out, in the words a person can act on."""
    consumer = connection.consumer
    if not consumer.frames:
        return "no O->T frame ever came; look for a firewall or a wrong UDP port"
    api_ms = connection.ot_api_ns / 1e6
    times = consumer.timeout_ns // connection.ot_api_ns
    return f"no O->T frame for {consumer.timeout_ns / 1e6:g} ms ({api_ms:g} ms x {times})"
