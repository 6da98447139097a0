"""Cyclic data of transport classes 0 and 1: the frame, the grid it is sent on, the watchdog for it.

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
_BARE = Struct("<HHHIIHH")  # the same without the count
_BARE_BYTES = _BARE.size
_pack_bare = _BARE.pack
_unpack_bare = _BARE.unpack_from
_ADDRESS = int(ItemType.SEQUENCED_ADDRESS)
_DATA = int(ItemType.CONNECTED_DATA)

COUNT_BYTES = 2
RUN_IDLE_BYTES = 4
RUN = (1).to_bytes(4, "little")
IDLE = bytes(4)
FIRST_TIMEOUT_NS = 10_000_000_000  # the least the watchdog waits for the first frame


@dataclass(frozen=True, slots=True)
class ConnectionKind:
    """What the application type of a connection means, as data: the checks and both ends read these.

    Sizes on the wire are data + header + count, where the count (2 bytes) belongs to class 1 and not
    to class 0. `heartbeat`: the O->T direction carries no data and no header.
    """

    name: str
    owns_outputs: bool
    heartbeat: bool
    needs_other: bool  # lives only while a connection of another kind produces the same data


EXCLUSIVE_OWNER = ConnectionKind("exclusive owner", True, False, False)
INPUT_ONLY = ConnectionKind("input only", False, True, False)
LISTEN_ONLY = ConnectionKind("listen only", False, True, True)
KINDS = (EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY)


@dataclass(frozen=True, slots=True)
class Dress:
    """What a frame carries around its data: the 16-bit count of class 1, the run/idle header."""

    counted: bool = True
    header: bool = False

    @property
    def overhead(self) -> int:
        """Bytes that the connection size counts beside the data."""
        return COUNT_BYTES * self.counted + RUN_IDLE_BYTES * self.header

    def sum_text(self, data_bytes: int) -> str:
        """The sum a person can check: `32 + 4 header + 2 count = 38`."""
        parts = [str(data_bytes)]
        parts += ["4 header"] * self.header + ["2 count"] * self.counted
        total = data_bytes + self.overhead
        return f"{' + '.join(parts)} = {total}" if len(parts) > 1 else str(total)


def encode_cyclic(connection_id: int, seq32: int, seq16: int | None, body: bytes) -> bytes:
    """One cyclic frame; `body` is the run/idle word, if any, and the data. No count: class 0."""
    if seq16 is None:
        return _pack_bare(2, _ADDRESS, 8, connection_id, seq32, _DATA, len(body)) + body
    return _pack(2, _ADDRESS, 8, connection_id, seq32, _DATA, len(body) + 2, seq16) + body


def decode_frame(frame: bytes) -> tuple[int, int, bytes]:
    """Connection id, 32-bit sequence and data item of a class 0 or class 1 frame, count included.

    Raises:
        RemoteError: not exactly these two items, cut, or with bytes left over.
    """
    if len(frame) < _BARE_BYTES:
        raise RemoteError("cyclic frame", f"at least {_BARE_BYTES} bytes", f"{len(frame)} bytes")
    count, address, eight, connection_id, seq32, data, length = _unpack_bare(frame)
    if count != 2 or address != _ADDRESS or eight != 8 or data != _DATA:
        got = f"{count} items, 0x{address:04X} of {eight} bytes and 0x{data:04X}"
        raise RemoteError("cyclic frame", "2 items, 0x8002 of 8 bytes and 0x00B1", got)
    if length != len(frame) - _BARE_BYTES:
        raise RemoteError("length of item 0x00B1", str(len(frame) - _BARE_BYTES), str(length))
    return connection_id, seq32, frame[_BARE_BYTES:]


def decode_cyclic(frame: bytes) -> tuple[int, int, int, bytes]:
    """Connection id, 32-bit sequence, 16-bit count and body of a class 1 frame.

    Raises:
        RemoteError: as `decode_frame`, or there is no room for the count.
    """
    connection_id, seq32, payload = decode_frame(frame)
    if len(payload) < COUNT_BYTES:
        raise RemoteError("class 1 frame", f"at least {_HEAD_BYTES} bytes", f"{len(frame)} bytes")
    return connection_id, seq32, int.from_bytes(payload[:2], "little"), payload[2:]


class Producer:
    """Sends one direction's data; `due_ns` says when.

    Cyclic: on an absolute grid, slot n is due at `start + n * api`. A late call sends one frame and skips
    the slots that have passed, so lateness neither adds up nor turns into a burst. `on_change` (change of
    state and application triggers): new data is due at once, though never sooner than `inhibit_ns` after
    the frame before; unchanged data an API after it. The 16-bit count of class 1 steps only when the body
    differs from the last one sent.
    """

    __slots__ = (
        "_body",
        "_sent",
        "_sent_ns",
        "_seq16",
        "_seq32",
        "api_ns",
        "connection_id",
        "counted",
        "due_ns",
        "frames",
        "inhibit_ns",
        "late",
        "on_change",
        "skipped",
    )

    def __init__(
        self,
        connection_id: int,
        api_ns: int,
        start_ns: int,
        body: bytes,
        *,
        counted: bool = True,
        on_change: bool = False,
        inhibit_ns: int = 0,
    ) -> None:
        self.connection_id = connection_id
        self.api_ns = api_ns
        self.due_ns = start_ns
        self.counted = counted
        self.on_change = on_change
        self.inhibit_ns = inhibit_ns
        self.frames = 0
        self.late = 0
        self.skipped = 0
        self._body = body
        self._sent = body
        self._sent_ns = start_ns - inhibit_ns
        self._seq32 = 0
        self._seq16 = 1

    def set_body(self, body: bytes, now_ns: int) -> None:
        """What the next frame carries; with `on_change` it may become due sooner."""
        self._body = body
        if self.on_change and body != self._sent:
            self.due_ns = min(self.due_ns, max(now_ns, self._sent_ns + self.inhibit_ns))

    def take_frame(self, now_ns: int, late_ns: int = 0) -> bytes:
        """The frame that is due; call only at or after `due_ns`, and say how late the shell is."""
        now_ns += late_ns
        behind_ns = now_ns - self.due_ns
        api_ns = self.api_ns
        if 2 * behind_ns > api_ns:
            self.late += 1
        if self.on_change:
            self.due_ns = now_ns + api_ns
        else:
            missed = behind_ns // api_ns
            self.skipped += missed
            self.due_ns += (missed + 1) * api_ns
        self._sent_ns = now_ns
        self.frames += 1
        self._seq32 = seq32 = (self._seq32 + 1) & 0xFFFF_FFFF
        body = self._body
        if body != self._sent:
            self._sent = body
            self._seq16 = (self._seq16 + 1) & 0xFFFF
        if not self.counted:
            return _pack_bare(2, _ADDRESS, 8, self.connection_id, seq32, _DATA, len(body)) + body
        return _pack(2, _ADDRESS, 8, self.connection_id, seq32, _DATA, len(body) + 2, self._seq16) + body


class Consumer:
    """Listens to one direction: which frames count, which carry new data, when silence is a timeout.

    The 32-bit sequence takes any first value, then only newer ones modulo 2^32; a jump counts the
    frames in between as lost. The 16-bit count means new data when it is different; class 0 has none,
    and every frame counts as new.
    """

    __slots__ = ("_seq16", "_seq32", "deadline_ns", "frames", "lost", "stale", "timeout_ns")

    def __init__(self, timeout_ns: int, now_ns: int) -> None:
        self.timeout_ns = timeout_ns
        self.deadline_ns = now_ns + max(timeout_ns, FIRST_TIMEOUT_NS)
        self.frames = 0
        self.lost = 0
        self.stale = 0
        self._seq32 = 0
        self._seq16: int | None = None

    def accept(self, seq32: int, seq16: int | None, now_ns: int) -> bool | None:
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
        if seq16 is not None and seq16 == self._seq16:
            return False
        self._seq16 = seq16
        return True
