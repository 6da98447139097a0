"""Class 1 cyclic data: the frame, the grid it is sent on, the watchdog that listens for it.

Frame layout as in public captures and the open Wireshark dissector: a sequenced address item
{connection id, 32-bit sequence} and a connected data item {16-bit count, [run/idle word], data}.
"""

from __future__ import annotations

from dataclasses import dataclass
from struct import Struct

from bench.eip.cpf import ItemType
from bench.errors import RemoteError

# item count, 0x8002, 8, connection id, seq32, 0xB1, length, seq16
_HEAD = Struct("<HHHIIHHH")
_HEAD_BYTES = _HEAD.size
_pack = _HEAD.pack
_unpack = _HEAD.unpack_from
_ADDRESS = int(ItemType.SEQUENCED_ADDRESS)
_DATA = int(ItemType.CONNECTED_DATA)

COUNT_BYTES = 2
RUN_IDLE_BYTES = 4
RUN = (1).to_bytes(4, "little")
IDLE = bytes(4)
FIRST_TIMEOUT_NS = 10_000_000_000  # the least the watchdog waits for the first frame


@dataclass(frozen=True, slots=True)
class ConnectionKind:
    """What the application type of a connection means, as data.

    An input-only or listen-only kind is another value of this type (no owner, heartbeat without the
    run/idle word) plus its points; the checks and the adapter read these fields only.
    """

    name: str
    owns_outputs: bool
    ot_overhead: int
    to_overhead: int


EXCLUSIVE_OWNER = ConnectionKind("exclusive owner", True, COUNT_BYTES + RUN_IDLE_BYTES, COUNT_BYTES)


def encode_cyclic(connection_id: int, seq32: int, seq16: int, body: bytes) -> bytes:
    """One class 1 frame; `body` is the run/idle word, if any, and the data."""
    return _pack(2, _ADDRESS, 8, connection_id, seq32, _DATA, len(body) + 2, seq16) + body


def decode_cyclic(frame: bytes) -> tuple[int, int, int, bytes]:
    """Connection id, 32-bit sequence, 16-bit count and body of a class 1 frame.

    Raises:
        RemoteError: not exactly these two items, cut, or with bytes left over.
    """
    if len(frame) < _HEAD_BYTES:
        raise RemoteError("class 1 frame", f"at least {_HEAD_BYTES} bytes", f"{len(frame)} bytes")
    count, address, eight, connection_id, seq32, data, length, seq16 = _unpack(frame)
    if count != 2 or address != _ADDRESS or eight != 8 or data != _DATA:
        got = f"{count} items, 0x{address:04X} of {eight} bytes and 0x{data:04X}"
        raise RemoteError("class 1 frame", "2 items, 0x8002 of 8 bytes and 0x00B1", got)
    if length != len(frame) - _HEAD_BYTES + COUNT_BYTES:
        raise RemoteError("length of item 0x00B1", str(len(frame) - _HEAD_BYTES + COUNT_BYTES), str(length))
    return connection_id, seq32, seq16, frame[_HEAD_BYTES:]


class Producer:
    """Sends one connection's data on an absolute grid: slot n is due at `start + n * api`.

    A late call sends one frame and skips the slots that have passed, so lateness neither adds up nor
    turns into a burst. The 16-bit count steps only when the body differs from the last one sent.
    """

    __slots__ = (
        "_body",
        "_sent",
        "_seq16",
        "_seq32",
        "api_ns",
        "connection_id",
        "due_ns",
        "frames",
        "late",
        "skipped",
    )

    def __init__(self, connection_id: int, api_ns: int, start_ns: int, body: bytes) -> None:
        self.connection_id = connection_id
        self.api_ns = api_ns
        self.due_ns = start_ns
        self.frames = 0
        self.late = 0
        self.skipped = 0
        self._body = body
        self._sent = body
        self._seq32 = 0
        self._seq16 = 1

    def set_body(self, body: bytes) -> None:
        self._body = body

    def take_frame(self, now_ns: int) -> bytes:
        """The frame for the slot that is due; call only at or after `due_ns`."""
        behind_ns = now_ns - self.due_ns
        api_ns = self.api_ns
        if 2 * behind_ns > api_ns:
            self.late += 1
        missed = behind_ns // api_ns
        self.skipped += missed
        self.due_ns += (missed + 1) * api_ns
        self.frames += 1
        self._seq32 = seq32 = (self._seq32 + 1) & 0xFFFF_FFFF
        body = self._body
        if body != self._sent:
            self._sent = body
            self._seq16 = (self._seq16 + 1) & 0xFFFF
        return _pack(2, _ADDRESS, 8, self.connection_id, seq32, _DATA, len(body) + 2, self._seq16) + body


class Consumer:
    """Listens to one direction: which frames count, which carry new data, when silence is a timeout.

    The 32-bit sequence takes any first value, then only newer ones modulo 2^32; a jump counts the
    frames in between as lost. The 16-bit count means new data when it is different.
    """

    __slots__ = ("_seq16", "_seq32", "deadline_ns", "frames", "lost", "stale", "timeout_ns")

    def __init__(self, timeout_ns: int, now_ns: int) -> None:
        self.timeout_ns = timeout_ns
        self.deadline_ns = now_ns + max(timeout_ns, FIRST_TIMEOUT_NS)
        self.frames = 0
        self.lost = 0
        self.stale = 0
        self._seq32 = 0
        self._seq16 = -1

    def accept(self, seq32: int, seq16: int, now_ns: int) -> bool | None:
        """True: new data; False: the data of the frame before again; None: an old frame, dropped."""
        if self.frames:
            ahead = (seq32 - self._seq32) & 0xFFFF_FFFF
            if not 0 < ahead < 0x8000_0000:
                self.stale += 1
                return None
            self.lost += ahead - 1
        self.frames += 1
        self._seq32 = seq32
        self.deadline_ns = now_ns + self.timeout_ns
        if seq16 == self._seq16:
            return False
        self._seq16 = seq16
        return True
