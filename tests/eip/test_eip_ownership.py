"""Nobody but its owner drives an output: any order of opens, closes, frames, guesses and silence.

Four originators (two of them at one address) do what they like, the forged frames of a stranger included;
the model below says at every moment who may have written what.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from struct import unpack_from
from typing import Any

from eip_link import CONFIG, MS
from eip_rules import cyclic, enc, forward_close, forward_open
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from bench.eip.adapter import Adapter
from bench.eip.config import Limits, OnLoss
from bench.eip.events import ConnectionReport
from bench.eip.transport import IO_PORT, CloseTcp, SendTcp

SIZE = 2
POINTS = {"owner": "96", "input": "98", "listen": "99"}
OUTSIDE = ("127.0.0.66", 2222)


@dataclass
class Originator:
    """`link` 0 is no TCP link; frames leave from `port`."""

    address: str
    port: int
    number: int
    link: int = 0
    session: int = 0


@dataclass
class Known:
    """A connection as its originator knows it."""

    kind: str
    by: Originator
    serial: int
    ot_id: int
    seq: int = 0


class Ownership(RuleBasedStateMachine):
    @initialize(
        hold=st.booleans(), keep=st.booleans(), first=st.integers(0, 0xFFFF_FFFF), places=st.integers(2, 4)
    )
    def start(self, hold: bool, keep: bool, first: int, places: int) -> None:
        rule_on_loss = OnLoss.HOLD if hold else OnLoss.CLEAR
        self.places = places
        config = replace(
            CONFIG,
            input_size=SIZE,
            output_size=SIZE,
            on_idle=rule_on_loss,
            on_timeout=rule_on_loss,
            keep_owner_slot=keep,
            limits=Limits(io_connections=places, message_connections=1),
        )
        self.adapter = Adapter(config, incarnation=0x77)
        self.first_seq = first
        self.now_ns = 0
        self.links = 0
        self.data = 0
        self.originators = [
            Originator("127.0.0.2", 2222, 1),
            Originator("127.0.0.2", 3333, 2),
            Originator("127.0.0.3", 2222, 3),
            Originator("127.0.0.4", 2222, 4),
        ]
        self.known: list[Known] = []
        self.owner: Known | None = None
        self.owner_data: set[bytes] = set()  # what the present owner has sent
        self.shared = (0, 0)  # what the running multicast production was opened with
        self.last_image = bytes(SIZE)  # what the outputs may hold since they have no owner
        self.got: dict[int, bytes] = {}

    # -- the wire -------------------------------------------------------------------------------------

    def drain(self) -> None:
        for sent in self.adapter.take_outgoing():
            match sent:
                case SendTcp(link, data):
                    self.got[link] = self.got.get(link, b"") + data
                case CloseTcp(link):
                    for by in self.originators:
                        if by.link == link:
                            by.link = by.session = 0
        self.adapter.take_events()

    def tcp(self, by: Originator, data: bytes) -> bytes:
        self.got.pop(by.link, None)
        link = by.link
        self.adapter.tcp_received(link, data, self.now_ns)
        self.drain()
        return self.got.pop(link, b"")

    def message(self, by: Originator, request: bytes) -> bytes:
        if not by.link:
            self.links += 1
            by.link = self.links
            self.adapter.tcp_opened(by.link, (by.address, 40_000 + self.links), self.now_ns)
            (by.session,) = unpack_from("<I", self.tcp(by, enc(0x65, "01000000")), 4)
        head = bytes.fromhex("00000000 0000 0200 0000 0000 B200") + len(request).to_bytes(2, "little")
        return self.tcp(by, enc(0x6F, head + request, by.session))[40:]

    def send(self, source: tuple[str, int], ot_id: int, seq: int, body: bytes) -> None:
        frame = cyclic(ot_id, seq & 0xFFFF_FFFF, body, seq & 0xFFFF)
        self.adapter.udp_received(IO_PORT, source, frame, self.now_ns)
        self.drain()

    def fresh(self) -> bytes:
        """Output data that nobody has sent before, never zeros."""
        self.data += 1
        return self.data.to_bytes(SIZE, "big")

    def live(self) -> list[str]:
        return [c.kind for c in self.adapter.connections() if c.state == "established"]

    def held(self) -> list[ConnectionReport]:
        """The connections that stand, the owner whose outputs are kept for it among them."""
        keeps = self.adapter.config.keep_owner_slot
        return [
            c
            for c in self.adapter.connections()
            if c.state == "established" or (keeps and c.state == "timed out" and c.kind == "exclusive owner")
        ]

    def due_words(self, kind: str, by: Originator, serial: int, many: bool, like: tuple[int, int]) -> int:
        """What an open should be refused with, 0 for a grant; `like` is the T->O interval and trigger."""
        held = self.held()
        live = [c for c in held if c.state == "established"]
        owners = [c for c in held if c.kind == "exclusive owner"]
        owned = any(c.state == "established" for c in owners)
        if any((c.connection_serial, c.originator_serial) == (serial, by.number) for c in live):
            return 0x100
        if kind == "listen" and all(c.kind == "listen only" for c in live):
            return 0x119
        if kind == "owner" and (owned or any(c.originator_serial != by.number for c in owners)):
            return 0x106
        if kind == "owner" and len(live) >= self.places:
            return 0x113
        if kind != "owner" and len(live) - owned >= self.places - 1:
            return 0x11A
        if many and any(c.group for c in live) and like != self.shared:
            return 0x112 if like[0] != self.shared[0] else 0x138
        return 0

    def owner_gone(self) -> None:
        """Called after something that may end the owner."""
        if self.owner is not None and "exclusive owner" not in self.live():
            self.owner = None
            self.owner_data = set()

    # -- what originators do --------------------------------------------------------------------------

    @rule(
        who=st.integers(0, 3),
        kind=st.sampled_from(["owner", "input", "listen"]),
        serial=st.integers(1, 3),
        many=st.booleans(),
        rpi_ms=st.sampled_from([10, 20]),
        trigger=st.sampled_from([0x01, 0x11]),
    )
    def open(self, who: int, kind: str, serial: int, many: bool, rpi_ms: int, trigger: int) -> None:
        by = self.originators[who]
        before, like = self.live(), (rpi_ms, trigger)
        due = self.due_words(kind, by, serial, many, like)
        shares = many and any(c.group for c in self.adapter.connections() if c.state == "established")
        image = self.adapter.outputs
        reply = self.message(
            by,
            forward_open(
                path=f"20 04 24 97 2C {POINTS[kind]} 2C 64",
                ot=0x4800 | (SIZE + 6 if kind == "owner" else 2),
                to=(0x2800 if many else 0x4800) | SIZE + 2,
                serial=serial,
                originator=by.number,
                ot_us=rpi_ms * 1000,
                to_us=rpi_ms * 1000,
                trigger=trigger,
            ),
        )
        got = int.from_bytes(reply[4:6], "little") if reply[2] else 0
        assert (got, self.adapter.outputs) == (due, image)
        if due:
            assert self.live() == before
            return
        opened = Known(kind, by, serial, unpack_from("<I", reply, 4)[0], self.first_seq)
        self.known.append(opened)
        if many and not shares:
            self.shared = like
        if kind == "owner":
            self.last_image = self.adapter.outputs
            self.owner, self.owner_data = opened, set()

    @precondition(lambda self: self.owner)
    @rule(who=st.integers(0, 3), kind=st.sampled_from(["listen", "listen", "input"]))
    def listen_beside_the_owner(self, who: int, kind: str) -> None:
        self.open(who, kind, serial=2, many=False, rpi_ms=20, trigger=0x01)

    @precondition(lambda self: self.known)
    @rule(data=st.data(), who=st.integers(0, 3), own=st.booleans())
    def close(self, data: st.DataObject, who: int, own: bool) -> None:
        """The triad of a connection that is or was; whether it is closed decides the address."""
        known = data.draw(st.sampled_from(self.known[-6:]))
        by = known.by if own else self.originators[who]
        triad = (by.address, known.by.number, known.serial)
        held = [(c.originator, c.originator_serial, c.connection_serial) for c in self.held()]
        reply = self.message(by, forward_close(serial=known.serial, originator=known.by.number))
        assert (reply[2] == 0) == (triad in held)
        self.owner_gone()

    @rule(who=st.integers(0, 3), serial=st.integers(1, 3), other=st.integers(1, 4))
    def ask_with_null(self, who: int, serial: int, other: int) -> None:
        by = self.originators[who]
        before = (self.live(), self.adapter.outputs)
        reply = self.message(by, forward_open("20 04 24 97", 0, 0, serial, originator=other))
        assert (self.live(), self.adapter.outputs) == before
        known = [k for k in self.known if k.by.address == by.address]
        assert unpack_from("<I", reply, 4)[0] in {0, *(k.ot_id for k in known)}, "told an id to somebody else"

    @precondition(lambda self: self.known)
    @rule(data=st.data(), run=st.booleans(), step=st.sampled_from([1, 1, 1, 5, 0x7FFF_FFFF, 0, -3]))
    def feed(self, data: st.DataObject, run: bool, step: int) -> None:
        """An originator sends on any connection it ever opened, old ones included."""
        known = data.draw(st.sampled_from(self.known[-5:]))
        known.seq += step
        image = self.fresh()
        if known is self.owner:
            self.owner_data.add(image)
        body = run.to_bytes(4, "little") + image if known.kind == "owner" else b""
        self.send((known.by.address, known.by.port), known.ot_id, known.seq, body)

    @rule(
        data=st.data(),
        source=st.sampled_from(
            [OUTSIDE, ("127.0.0.2", 2222), ("127.0.0.2", 3333), ("127.0.0.3", 2222), ("127.0.0.4", 9)]
        ),
        low=st.integers(1, 12),
        seq=st.integers(0, 0xFFFF_FFFF),
    )
    def forge(self, data: st.DataObject, source: tuple[str, int], low: int, seq: int) -> None:
        """A frame with a guessed id, from any source but the owner's own address before it is pinned."""
        ids = [0x0077_0000 + low, *(known.ot_id for known in self.known)]
        ot_id = data.draw(st.sampled_from(ids))
        owner = self.owner
        if owner is not None and ot_id == owner.ot_id:
            mine = source == (owner.by.address, owner.by.port)
            unpinned = source[0] == owner.by.address and not self.owner_data
            if mine or unpinned:
                return  # that is the owner itself, or what nothing in EtherNet/IP tells from it
        self.send(source, ot_id, seq, b"\1\0\0\0" + self.fresh())

    @rule(body=st.binary(max_size=12), low=st.integers(1, 6), port=st.sampled_from([2222, 3333]))
    def send_rubbish(self, body: bytes, low: int, port: int) -> None:
        if len(body) != SIZE + 4:
            self.send(("127.0.0.2", port), 0x0077_0000 + low, 5, body)
        self.adapter.udp_received(IO_PORT, ("127.0.0.2", port), body, self.now_ns)
        self.drain()

    @rule(who=st.integers(0, 3))
    def lose_the_link(self, who: int) -> None:
        by = self.originators[who]
        if by.link:
            self.adapter.tcp_closed(by.link, self.now_ns)
            by.link = by.session = 0
            self.drain()

    @rule(span_ms=st.sampled_from([1, 5, 19, 39, 40, 79, 80, 500, 9_000, 10_000]))
    def wait(self, span_ms: int) -> None:
        end_ns = self.now_ns + span_ms * MS
        # A long silence is cut short once nobody sends any more: the cyclic frames would only take time.
        while (due_ns := self.adapter.next_deadline_ns()) is not None and due_ns <= end_ns:
            self.now_ns = max(due_ns, self.now_ns) if span_ms < 500 else min(end_ns, self.now_ns + 50 * MS)
            self.adapter.handle_timer(self.now_ns)
            self.drain()
            after_ns = self.adapter.next_deadline_ns()
            assert after_ns is None or after_ns > self.now_ns, "a deadline in the past"
        self.now_ns = end_ns
        self.owner_gone()

    @precondition(lambda self: self.owner)
    @rule(run=st.booleans())
    def fall_silent(self, run: bool) -> None:
        """The owner sends once more, then no more, while the others have not sent anything yet."""
        assert self.owner is not None
        image = self.fresh()
        self.owner_data.add(image)
        self.owner.seq += 1
        by = self.owner.by
        self.send((by.address, by.port), self.owner.ot_id, self.owner.seq, run.to_bytes(4, "little") + image)
        self.wait(80)

    @rule(image=st.binary(min_size=SIZE, max_size=SIZE))
    def change_inputs(self, image: bytes) -> None:
        self.adapter.set_inputs(image, self.now_ns)

    # -- what holds at every moment -------------------------------------------------------------------

    @invariant()
    def the_image_is_the_owners(self) -> None:
        if not hasattr(self, "adapter"):
            return
        outputs = self.adapter.outputs
        if self.owner is not None:
            allowed = {bytes(SIZE), self.last_image, *self.owner_data}
            assert outputs in allowed, f"{outputs.hex()} was never sent by the owner"
        elif self.adapter.config.on_timeout is OnLoss.CLEAR:
            assert outputs == bytes(SIZE)
        assert not self.adapter.running or self.owner is not None

    @invariant()
    def without_an_owner_the_image_stands_still(self) -> None:
        if not hasattr(self, "adapter"):
            return
        if self.owner is None:
            before = getattr(self, "still", None)
            if before is not None:
                assert self.adapter.outputs == before, "outputs changed without an owner"
            self.still: Any = self.adapter.outputs
        else:
            self.still = None

    @invariant()
    def listeners_are_never_alone_and_places_are_kept(self) -> None:
        if not hasattr(self, "adapter"):
            return
        live = self.live()
        assert len(live) <= self.places
        assert live.count("exclusive owner") <= 1
        assert not live or set(live) != {"listen only"}

    @invariant()
    def counts_agree(self) -> None:
        if not hasattr(self, "adapter"):
            return
        totals = self.adapter.totals
        assert totals.opened - totals.closed - totals.timed_out == len(self.live())


TestOwnership = Ownership.TestCase
TestOwnership.settings = settings(max_examples=200, stateful_step_count=50, deadline=None)
