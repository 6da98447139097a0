"""What a row of the conformance table is made of, and the wire it is run on.

Requests are built and replies are written out here with `struct` alone, never with the codec under test.
Every step says what it sent, what was to come and what came; both are compared as text.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from struct import pack, unpack_from
from typing import Any

from eip_link import CONFIG, MS

from bench.eip.adapter import Adapter
from bench.eip.config import AdapterConfig
from bench.eip.events import BadFrame, ConnectionClosed, ConnectionTimedOut, Event, Refused
from bench.eip.transport import IO_PORT, TCP_PORT, CloseTcp, SendTcp, SendUdp

SESSION = 0x0077_0001  # the first handle of incarnation 0x77
OT_ID = 0x0077_0001  # the first connection id of it
TO_ID = 0x0001_0001  # chosen by the originator of these rows
MANAGER = "20 06 24 01"
ROUTER = "20 02 24 01"
POINTS = "20 04 24 97 2C 96 2C 64"  # configuration 151, O->T 150, T->O 100
ONLY_INPUT = "20 04 24 97 2C 98 2C 64"
ONLY_LISTEN = "20 04 24 97 2C 99 2C 64"
WHO = {"A": "127.0.0.9", "A2": "127.0.0.9", "B": "127.0.0.10", "C": "127.0.0.11", "far": "10.9.9.9"}


@dataclass(frozen=True, slots=True)
class Packet:
    """One thing on the wire; `proto` is "tcp" or "udp"."""

    proto: str
    source: tuple[str, int]
    target: tuple[str, int]
    data: bytes


@dataclass(slots=True)
class Wire:
    """One TCP link of an originator; `got` holds what came since the last look."""

    number: int
    address: str
    port: int
    session: int = 0
    closed: bool = False
    got: bytes = b""


class Rig:
    """An adapter, its originators by name, and a clock that stops at every deadline."""

    def __init__(self, **config: Any) -> None:
        self.config: AdapterConfig = replace(CONFIG, **config)
        self.adapter = Adapter(self.config, incarnation=0x77)
        self.now_ns = 0
        self.wires: dict[str, Wire] = {}
        self.packets: list[Packet] = []
        self.frames: list[tuple[int, SendUdp]] = []  # of the I/O port
        self.answers: list[tuple[int, bytes]] = []  # of the explicit port, over UDP
        self.events: list[Event] = []
        self.last_told = ""

    def wire(self, who: str) -> Wire:
        if who not in self.wires:
            number = len(self.wires) + 1
            self.wires[who] = wire = Wire(number, WHO.get(who, WHO["A"]), 40_000 + number)
            self.adapter.tcp_opened(number, (wire.address, wire.port), self.now_ns)
            self.pump()
        return self.wires[who]

    def tcp(self, who: str, data: bytes) -> bytes:
        wire = self.wire(who)
        self.packets.append(Packet("tcp", (wire.address, wire.port), (CONFIG.address, TCP_PORT), data))
        self.adapter.tcp_received(wire.number, data, self.now_ns)
        self.pump()
        got, wire.got = wire.got, b""
        return got

    def registered(self, who: str) -> Wire:
        wire = self.wire(who)
        if not wire.session and not wire.closed:
            (wire.session,) = unpack_from("<I", self.tcp(who, enc(0x65, "0100 0000")), 4)
        return wire

    def message(self, who: str, request: bytes, items: bytes = b"", count: int = 2) -> tuple[bytes, bytes]:
        """A request in SendRRData; the reply and the items beside it, as bytes."""
        session = self.registered(who).session
        head = pack("<IHHHHHH", 0, 0, count, 0, 0, 0xB2, len(request))
        got = self.tcp(who, enc(0x6F, head + request + items, session))
        if len(got) < 40:
            return got, b""
        (size,) = unpack_from("<H", got, 38)
        return got[40 : 40 + size], got[40 + size :]

    def udp(self, port: int, source: tuple[str, int], data: bytes, to_many: bool = False) -> None:
        target = "255.255.255.255" if to_many else CONFIG.address
        self.packets.append(Packet("udp", source, (target, port), data))
        self.adapter.udp_received(port, source, data, self.now_ns, to_many)
        self.pump()

    def advance(self, to_ns: int) -> None:
        while (due_ns := self.adapter.next_deadline_ns()) is not None and due_ns <= to_ns:
            assert due_ns >= self.now_ns, f"a deadline in the past: {due_ns} at {self.now_ns}"
            self.now_ns = due_ns
            self.adapter.handle_timer(due_ns)
            self.pump()
        self.now_ns = to_ns

    def pump(self) -> None:
        for sent in self.adapter.take_outgoing():
            match sent:
                case SendTcp(number, data):
                    wire = next(wire for wire in self.wires.values() if wire.number == number)
                    wire.got += data
                    target = (wire.address, wire.port)
                    self.packets.append(Packet("tcp", (CONFIG.address, TCP_PORT), target, data))
                case CloseTcp(number):
                    next(wire for wire in self.wires.values() if wire.number == number).closed = True
                case SendUdp(port, peer, data):
                    self.packets.append(Packet("udp", (CONFIG.address, port), peer, data))
                    if port == IO_PORT:
                        self.frames.append((self.now_ns, sent))
                    else:
                        self.answers.append((self.now_ns, data))
        for event in self.adapter.take_events():
            self.events.append(event)
            match event:
                case Refused(sentence=sentence) | BadFrame(sentence=sentence):
                    self.last_told = sentence
                case ConnectionTimedOut(sentence=sentence) | ConnectionClosed(reason=sentence):
                    self.last_told = sentence

    @property
    def outputs(self) -> str:
        """`run 0A0B`: the state and the output image without the zeros at its end."""
        data = self.adapter.outputs.rstrip(b"\0").hex().upper()
        return f"{'run' if self.adapter.running else 'idle'} {data}".strip()


@dataclass(frozen=True, slots=True)
class Step:
    """`run` gives what came, in the writing of `expected`."""

    sent: str
    expected: str
    run: Callable[[Rig], str]


@dataclass(frozen=True, slots=True)
class Rule:
    """One row. `source`: see the head of the tables. `malformed`: the dissector has to object as well."""

    id: str
    what: str
    source: str
    steps: tuple[Step, ...]
    config: dict[str, Any] = field(default_factory=dict)
    malformed: bool = False

    def __str__(self) -> str:
        return f"{self.id} {self.what}"


def rule(id_: str, what: str, source: str, *steps: Step, malformed: bool = False, **config: Any) -> Rule:
    return Rule(id_, what, source, steps, config, malformed)


def run_rule(row: Rule) -> Rig:
    """Run all steps of a row; the first that fails prints the row, what was sent, due and got."""
    rig = Rig(**row.config)
    for number, step in enumerate(row.steps, 1):
        got = step.run(rig)
        assert got == step.expected, (
            f"\n{row.id}, step {number} of {len(row.steps)}: {row.what} [{row.source}]"
            f"\n  sent      {step.sent}\n  expected  {step.expected}\n  got       {got}"
            f"\n  told      {rig.last_told}"
        )
    return rig


# -- bytes ------------------------------------------------------------------------------------------------


def spaced(data: bytes) -> str:
    return data.hex(" ").upper()


def enc(
    command: int,
    data: str | bytes = b"",
    session: int = 0,
    status: int = 0,
    context: str = "",
    options: int = 0,
) -> bytes:
    """An encapsulation frame; `context` is text of at most 8 letters."""
    body = bytes.fromhex(data) if isinstance(data, str) else data
    return pack("<HHII8sI", command, len(body), session, status, context.encode(), options) + body


def forward_open(
    path: str = POINTS,
    ot: int = 0x4826,  # point to point, scheduled, fixed, 32 + 4 + 2 bytes
    to: int = 0x4822,  # point to point, scheduled, fixed, 32 + 2 bytes
    serial: int = 1,
    vendor: int = 0,
    originator: int = 99,
    ids: tuple[int, int] = (0, TO_ID),
    code: int = 0,
    ot_us: int = 10_000,
    to_us: int = 10_000,
    trigger: int = 0x01,
    large: bool = False,
) -> bytes:
    """A Forward Open request; `ot` and `to` are the network connection parameters as they stand."""
    way = bytes.fromhex(path)
    layout = "<BBIIHHIB3xIIIIBB" if large else "<BBIIHHIB3xIHIHBB"
    body = pack(
        layout, 10, 5, *ids, serial, vendor, originator, code, ot_us, ot, to_us, to, trigger, len(way) // 2
    )
    return (b"\x5b" if large else b"\x54") + b"\x02" + bytes.fromhex(MANAGER) + body + way


def forward_close(serial: int = 1, vendor: int = 0, originator: int = 99, path: str = POINTS) -> bytes:
    way = bytes.fromhex(path)
    head = pack("<BBHHIBx", 10, 5, serial, vendor, originator, len(way) // 2)
    return b"\x4e\x02" + bytes.fromhex(MANAGER) + head + way


def granted(
    ot_id: int = OT_ID,
    to_id: int = TO_ID,
    ot_us: int = 10_000,
    to_us: int = 10_000,
    serial: int = 1,
    originator: int = 99,
    service: int = 0xD4,
) -> str:
    """The reply to a Forward Open: ids, triad, intervals, no application reply."""
    return spaced(
        bytes((service, 0, 0, 0))
        + pack("<IIHHIIIBB", ot_id, to_id, serial, 0, originator, ot_us, to_us, 0, 0)
    )


def refused(
    *words: int, status: int = 1, serial: int = 1, originator: int = 99, vendor: int = 0, service: int = 0xD4
) -> str:
    """The reply to a refused open or close: status words, then triad, path size 0, reserved."""
    head = bytes((service, 0, status, len(words))) + b"".join(pack("<H", word) for word in words)
    return spaced(head + pack("<HHIBx", serial, vendor, originator, 0))


CLOSED = spaced(b"\xce\x00\x00\x00" + pack("<HHIBx", 1, 0, 99, 0))
NOT_FOUND = refused(0x107, service=0xCE)


def sockaddr(type_id: int, address: str, port: int = 2222) -> str:
    """A socket address item; the address inside is big-endian."""
    host = bytes(int(part) for part in address.split("."))
    return spaced(pack("<HH", type_id, 16) + pack(">HH4s8x", 2, port, host))


FROM_2222 = sockaddr(0x8000, "0.0.0.0")


def padded(text: str, size: int) -> bytes:
    data = bytes.fromhex(text)
    return data + bytes(size - len(data))


def cyclic(connection_id: int, seq: int, body: bytes, count: int | None) -> bytes:
    """A class 1 frame; without count class 0."""
    data = body if count is None else pack("<H", count) + body
    return pack("<HHHIIHH", 2, 0x8002, 8, connection_id, seq, 0xB1, len(data)) + data


# -- steps ------------------------------------------------------------------------------------------------


def tcp(sent: bytes, *replies: bytes, who: str = "A", closed: bool = False, pieces: int = 0) -> Step:
    """Raw bytes on a link, and all that comes back; `pieces` cuts them into as many bytes each."""

    def run(rig: Rig) -> str:
        size = pieces or len(sent)
        got = b"".join(rig.tcp(who, sent[at : at + size]) for at in range(0, len(sent), size))
        return spaced(got) + (" closed" if rig.wire(who).closed else "")

    return Step(spaced(sent), spaced(b"".join(replies)) + (" closed" if closed else ""), run)


def udp(sent: bytes, *replies: bytes, to_many: bool = False, source: str = "A") -> Step:
    """A datagram on the explicit port, and what comes back at once."""

    def run(rig: Rig) -> str:
        before = len(rig.answers)
        rig.udp(TCP_PORT, (WHO[source], 40_001), sent, to_many)
        return spaced(b"".join(data for _, data in rig.answers[before:]))

    return Step(spaced(sent), spaced(b"".join(replies)), run)


def register(who: str = "A") -> Step:
    def run(rig: Rig) -> str:
        rig.registered(who)
        return ""

    return Step("RegisterSession", "", run)


def ask(request: str, reply: str, who: str = "A") -> Step:
    """An unconnected message and its exact reply."""
    return _message(bytes.fromhex(request), bytes.fromhex(reply).hex(" ").upper(), who)


def opens(
    reply: str, who: str = "A", items: tuple[str, ...] = (), items_back: str | None = None, **fields: Any
) -> Step:
    """A Forward Open and its exact reply; with `items_back` the items beside the reply as well."""
    return _message(forward_open(**fields), reply, who, items, items_back)


def closes(reply: str = CLOSED, who: str = "A", **fields: Any) -> Step:
    return _message(forward_close(**fields), reply, who)


def _message(
    request: bytes, reply: str, who: str, items: tuple[str, ...] = (), items_back: str | None = None
) -> Step:
    beside, count = bytes.fromhex("".join(items)), 2 + len(items)
    expected = reply if items_back is None else f"{reply} | {items_back}"

    def run(rig: Rig) -> str:
        got, back = rig.message(who, request, beside, count)
        return spaced(got) if items_back is None else f"{spaced(got)} | {spaced(back)}"

    sent = spaced(request) + (f" | {spaced(beside)}" if beside else "")
    return Step(sent, expected, run)


def unit(
    connection_id: int, count: int, request: str, reply: str, who: str = "A", to_id: int = TO_ID
) -> Step:
    """A message over a class 3 connection; an empty reply is none."""
    message = pack("<H", count) + bytes.fromhex(request)
    head = pack("<IHHHHIHH", 0, 0, 2, 0xA1, 4, connection_id, 0xB1, len(message))
    answer = pack("<H", count) + bytes.fromhex(reply)
    back = pack("<IHHHHIHH", 0, 0, 2, 0xA1, 4, to_id, 0xB1, len(answer)) + answer

    def run(rig: Rig) -> str:
        got = rig.tcp(who, enc(0x70, head + message, rig.registered(who).session))
        return spaced(got[24:])

    return Step(spaced(head + message), spaced(back) if reply else "", run)


def feeds(
    seq: int,
    sent: str,
    outputs: str,
    count: int | None = -1,
    who: str = "A",
    port: int = IO_PORT,
    connection_id: int = OT_ID,
    to_many: bool = False,
) -> Step:
    """An O->T frame, and the outputs after it.

    `sent` is `run 0A0B`, `idle 0A0B`, `data 0A0B` (no header), each filled up with zeros to 32 bytes, or
    `raw 0A0B` as it stands. `count` -1 takes the sequence, None is class 0.
    """
    word, _, text = sent.partition(" ")
    heads = {"run": b"\1\0\0\0", "idle": bytes(4), "data": b""}
    body = bytes.fromhex(text) if word == "raw" else heads[word] + padded(text, 32)
    frame = cyclic(connection_id, seq, body, seq & 0xFFFF if count == -1 else count)

    def run(rig: Rig) -> str:
        rig.udp(IO_PORT, (WHO[who], port), frame, to_many)
        return rig.outputs

    return Step(spaced(frame), outputs, run)


def datagram(frame: str, outputs: str, who: str = "A") -> Step:
    """Any bytes on the I/O port, and the outputs after them."""

    def run(rig: Rig) -> str:
        rig.udp(IO_PORT, (WHO[who], IO_PORT), bytes.fromhex(frame))
        return rig.outputs

    return Step(frame, outputs, run)


def at(ms: float) -> Step:
    """Time passes, every deadline is served on the way."""

    def run(rig: Rig) -> str:
        rig.advance(round(ms * MS))
        return ""

    return Step(f"nothing until {ms:g} ms", "", run)


def feeds_until(ms: int, every_ms: int, first: int = 1, who: str = "A", connection_id: int = OT_ID) -> Step:
    """Frames of one originator every few ms, the last one at `ms`."""

    def run(rig: Rig) -> str:
        seq, due_ms = first, rig.now_ns // MS
        while due_ms <= ms:
            rig.advance(due_ms * MS)
            body = b"\1\0\0\0" + padded("0A", 32)
            rig.udp(IO_PORT, (WHO[who], IO_PORT), cyclic(connection_id, seq, body, seq & 0xFFFF))
            seq, due_ms = seq + 1, due_ms + every_ms
        return ""

    return Step(f"a frame every {every_ms} ms until {ms} ms", "", run)


def again(step: Step, times: int) -> Step:
    """The same step several times; what came the last time counts."""

    def run(rig: Rig) -> str:
        return [step.run(rig) for _ in range(times)][-1]

    return Step(f"{times} times: {step.sent}", step.expected, run)


def inputs(text: str) -> Step:
    def run(rig: Rig) -> str:
        rig.adapter.set_inputs(padded(text, rig.config.input_size), rig.now_ns)
        rig.pump()
        return ""

    return Step(f"inputs become {text}", "", run)


def link_lost(who: str = "A") -> Step:
    def run(rig: Rig) -> str:
        wire = rig.wire(who)
        wire.closed = True
        rig.adapter.tcp_closed(wire.number, rig.now_ns)
        rig.pump()
        return ""

    return Step(f"TCP link of {who} breaks", "", run)


def told(fragment: str) -> Step:
    """What the last log line says."""

    def run(rig: Rig) -> str:
        return fragment if fragment in rig.last_told else rig.last_told

    return Step("(the log)", fragment, run)


def sees(what: str, expected: str) -> Step:
    """Something of the adapter as text: see `_VIEWS`."""
    return Step(f"(look at {what})", expected, _VIEWS[what])


def _connections(rig: Rig) -> str:
    return "; ".join(f"{c.kind} {c.state}" for c in rig.adapter.connections())


def _times(rig: Rig) -> str:
    frames, rig.frames = rig.frames, []
    return " ".join(f"{t_ns / MS:g}" for t_ns, _ in frames)


def _last_frame(rig: Rig) -> str:
    """The newest T->O frame: sequence, count and data without the zeros at the end."""
    data = rig.frames[-1][1].data
    seq, count = unpack_from("<I", data, 10)[0], unpack_from("<H", data, 18)[0]
    return f"seq {seq} count {count} {data[20:].rstrip(bytes(1)).hex().upper()}".strip()


def _last_bytes(rig: Rig) -> str:
    return spaced(rig.frames[-1][1].data)


def _last_peer(rig: Rig) -> str:
    sent = rig.frames[-1][1]
    return f"from {sent.local_port} to {sent.peer[0]}:{sent.peer[1]} dscp {sent.dscp}"


_VIEWS: dict[str, Callable[[Rig], str]] = {
    "outputs": lambda rig: rig.outputs,
    "connections": _connections,
    "io": lambda rig: "open" if rig.adapter.io_open else "none",
    "status word": lambda rig: f"{rig.adapter.status_word:04X}",
    "frame times": _times,
    "last frame": _last_frame,
    "last frame bytes": _last_bytes,
    "last peer": _last_peer,
    "link A": lambda rig: "closed" if rig.wire("A").closed else "open",
    "link B": lambda rig: "closed" if rig.wire("B").closed else "open",
    "strangers": lambda rig: str(rig.adapter.strangers),
    "strays": lambda rig: str(rig.adapter.strays),
    "answers": lambda rig: str(len(rig.answers)),
    "open connections": lambda rig: str(rig.adapter.open_connections),
    "lost": lambda rig: " ".join(str(c.lost) for c in rig.adapter.connections()),
    "stale": lambda rig: " ".join(str(c.stale) for c in rig.adapter.connections()),
    "kept reports": lambda rig: str(len(rig.adapter.connections())),
    "log lines": lambda rig: str(sum(isinstance(event, Refused | BadFrame) for event in rig.events)),
    "refusals": lambda rig: str(len(rig.adapter.refusals)),
}
