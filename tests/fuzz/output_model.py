"""What an adapter's outputs must be, worked out a second time from what was sent to it.

Written from the rules, not from the adapter: an owner's frames count when they come from the address that
opened the connection and from the port of its first frame; a higher 32-bit sequence is newer; another
16-bit count means other data; the rest is run, idle and loss.
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.eip.config import AdapterConfig, OnLoss, OutputFormat
from bench.eip.forward_open import Triad
from bench.eip.transport import Address

_FIRST_NS = 10_000_000_000  # the least a watchdog waits for a first frame
_HEAD_BYTES = 18


@dataclass(slots=True)
class Owner:
    """An exclusive owner's connection as its originator knows it."""

    ot_id: int
    address: str
    triad: Triad
    counted: bool
    timeout_ns: int
    deadline_ns: int
    source: Address | None = None
    sequence: int = 0
    count: int = -1
    run: bool = False
    payload: bytes | None = None


class OutputModel:
    """The expected image and run state."""

    def __init__(self, config: AdapterConfig) -> None:
        self._config = config
        self.data = bytes(config.output_size)
        self.running = False
        self.owner: Owner | None = None

    def opened(self, owner: Owner, now_ns: int) -> None:
        owner.deadline_ns = now_ns + max(owner.timeout_ns, _FIRST_NS)
        self.owner = owner

    def lost(self) -> None:
        """The owner closed, or its watchdog ran out."""
        self.owner = None
        self._leave(self._config.on_timeout)

    def frame(self, peer: Address, datagram: bytes, now_ns: int) -> None:
        """A datagram on the I/O port."""
        owner = self.owner
        first = owner is not None and owner.source is None
        parts = self._parts(owner, datagram) if owner else None
        if owner is None or parts is None:
            return
        sequence, count, body = parts
        if owner.source is None:
            if peer[0] != owner.address:
                return
            owner.source = peer
        elif peer != owner.source or not 0 < (sequence - owner.sequence) % 2**32 < 2**31:
            return
        owner.sequence = sequence
        owner.deadline_ns = now_ns + owner.timeout_ns
        new = not owner.counted or count != owner.count
        owner.count = count
        self._apply(owner, body, new, first)

    def _parts(self, owner: Owner, datagram: bytes) -> tuple[int, int, bytes] | None:
        head = bytes.fromhex("0200 0280 0800") + owner.ot_id.to_bytes(4, "little")
        body = datagram[_HEAD_BYTES:]
        tail = b"\xb1\0" + len(body).to_bytes(2, "little")
        if datagram[:10] != head or datagram[14:_HEAD_BYTES] != tail:
            return None
        sequence, count = int.from_bytes(datagram[10:14], "little"), 0
        if owner.counted:
            if len(body) < 2:
                return None
            count, body = int.from_bytes(body[:2], "little"), body[2:]
        return (sequence, count, body) if len(body) in self._sizes() else None

    def _sizes(self) -> tuple[int, ...]:
        size = self._config.output_size
        return (size + 4,) if self._config.output_format is OutputFormat.HEADER else (size, 0)

    def _apply(self, owner: Owner, body: bytes, new: bool, first: bool) -> None:
        if self._config.output_format is OutputFormat.HEADER:
            run, payload = bool(body[0] & 1), body[4:] or None
        else:
            run, payload = bool(body), body or None
        if payload is not None and (new or owner.payload is None):
            owner.payload = payload
        elif run == owner.run and not first:
            return
        if payload is None:  # idle without data counts nothing: what follows is new
            owner.payload = None
        owner.run = run
        if run and owner.payload is not None:
            self.data, self.running = owner.payload, True
        else:
            self._leave(self._config.on_idle)

    def _leave(self, rule: OnLoss) -> None:
        self.running = False
        if rule is OnLoss.CLEAR:
            self.data = bytes(self._config.output_size)
