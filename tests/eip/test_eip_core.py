"""The adapter core where a row of the conformance table is not the right form: properties and counters."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from struct import pack, unpack

import pytest
from eip_rules import (
    OT_ID,
    ROUTER,
    Rig,
    cyclic,
    enc,
    forward_close,
    forward_open,
    padded,
)
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.config import Limits
from bench.eip.connections import Totals
from bench.eip.cyclic import Producer, decode_cyclic
from bench.eip.device import ManagerCounters
from bench.eip.timers import Timers
from bench.eip.transport import IO_PORT, TCP_PORT

MS = 1_000_000
ONLY_INPUT = "20 04 24 97 2C 98 2C 64"
RUN = b"\1\0\0\0" + padded("0A", 32)


@pytest.fixture
def rig() -> Rig:
    return Rig()


def listen(rig: Rig, who: str, number: int, to: int = 0x4822, rpi_us: int = 10_000) -> bytes:
    """An input-only open; the reply."""
    asked = forward_open(ONLY_INPUT, 0x4802, to, number, originator=number, ids=(0, number), ot_us=rpi_us)
    return rig.message(who, asked)[0]


def feed(rig: Rig, seq: int, connection_id: int = OT_ID, address: str = "127.0.0.9") -> None:
    rig.udp(IO_PORT, (address, IO_PORT), cyclic(connection_id, seq, RUN, seq & 0xFFFF))


# -- producing on change ----------------------------------------------------------------------------------


@given(
    inhibit=st.integers(0, 10),
    changes=st.lists(st.tuples(st.integers(0, 25), st.integers(0, 3)), max_size=30),
)
def test_on_change_frames_keep_the_inhibit_time_and_the_interval(
    inhibit: int, changes: list[tuple[int, int]]
) -> None:
    """Never two within the inhibit time, never a longer silence than the API, the newest data gets out."""
    producer = Producer(1, 10, 0, b"\0", on_change=True, inhibit_ns=inhibit)
    now, sent, bodies = 0, [], [0]
    for wait, value in [*changes, (50, 9), (50, 9)]:
        while producer.due_ns <= now + wait:
            sent.append(producer.due_ns)
            bodies.append(decode_cyclic(producer.take_frame(producer.due_ns))[3][0])
        now += wait
        producer.set_body(bytes((value,)), now)
    gaps = [later - sooner for sooner, later in pairwise(sent)]
    assert all(inhibit <= gap <= 10 for gap in gaps), (sent, gaps)
    assert bodies[-1] == 9


@given(st.lists(st.binary(min_size=1, max_size=1), max_size=20))
def test_the_count_of_a_receiver_sees_every_change(bodies: list[bytes]) -> None:
    """A receiver that looks at the 16-bit count alone knows exactly when the data differ."""
    producer = Producer(1, 10, 0, b"")
    seen: list[tuple[int, bytes]] = []
    for body in bodies:
        producer.set_body(body, 0)
        _, _, count, got = decode_cyclic(producer.take_frame(producer.due_ns))
        seen.append((count, got))
    pairs = list(pairwise(seen))
    assert [a[0] != b[0] for a, b in pairs] == [a[1] != b[1] for a, b in pairs]


# -- multicast --------------------------------------------------------------------------------------------


def test_a_late_joiner_comes_into_the_running_sequence(rig: Rig) -> None:
    rig.message("A", forward_open(to=0x2822, ids=(0, 0)))
    rig.advance(50 * MS)
    listen(rig, "B", 7, to=0x2822)
    rig.advance(60 * MS)
    assert [decode_cyclic(sent.data)[1] for _, sent in rig.frames] == [1, 2, 3, 4, 5, 6, 7]


def test_the_last_leaver_ends_the_group_by_its_timeout_too(rig: Rig) -> None:
    rig.message("A", forward_open(to=0x2822, ids=(0, 0)))
    listen(rig, "B", 7, to=0x2822, rpi_us=3_000_000)  # x 4 is 12 s
    rig.advance(20_000 * MS)
    assert (rig.frames[-1][0], rig.adapter.io_open) == (11_990 * MS, False)


def test_point_to_point_and_group_count_apart(rig: Rig) -> None:
    rig.message("A", forward_open(to=0x2822, ids=(0, 0)))
    listen(rig, "B", 7)
    rig.advance(0)
    link = rig.adapter.link_counters
    io = [sent for _, sent in rig.frames]
    assert (link.out_nonunicast, len(io), {sent.peer[0] for sent in io}) == (
        1,
        2,
        {"239.192.1.0", "127.0.0.10"},
    )


# -- class 3 ----------------------------------------------------------------------------------------------


def test_a_repeated_request_is_not_carried_out_again(rig: Rig) -> None:
    """An open over class 3 sent twice with one count: one connection, the same answer twice."""
    rig.message("A", forward_open(ROUTER, 0x41F8, 0x41F4, trigger=0xA3))
    message = pack("<H", 5) + forward_open(serial=2)
    data = pack("<IHHHHIHH", 0, 0, 2, 0xA1, 4, OT_ID, 0xB1, len(message)) + message
    answers = [rig.tcp("A", enc(0x70, data, rig.wires["A"].session)) for _ in range(2)]
    assert (answers[0] == answers[1], answers[0][48], rig.adapter.open_connections) == (True, 0, 2)


# -- counters ---------------------------------------------------------------------------------------------


def test_the_connection_manager_counts_each_kind_of_refusal(rig: Rig) -> None:
    rig = Rig(limits=Limits(io_connections=1))
    for request in (
        forward_open(),  # granted
        forward_open(path="E1 00", serial=2),  # format
        forward_open()[:-2],  # format: cut
        forward_open(ONLY_INPUT, 0x4802, serial=2),  # resource: the one place is the owner's
        forward_open(ot=0x4824, serial=3),  # other
        forward_close(serial=9),  # other
        forward_close()[:10],  # format
        forward_close(),  # granted
        forward_open(),  # granted, times out
    ):
        rig.message("A", request)
    rig.advance(10_000 * MS)
    assert rig.adapter.manager_counters == ManagerCounters(6, 2, 1, 1, 3, 1, 1, 1)


def test_the_counters_of_the_link_are_those_of_the_wire(rig: Rig) -> None:
    rig.message("A", forward_open(to=0x2822, ids=(0, 0)))
    rig.message("B", b"\x0e\x03\x20\x01\x24\x01\x30\x07")
    for seq in range(1, 9):
        rig.advance((seq - 1) * 10 * MS)
        feed(rig, seq, 0x0077_0002)
    rig.udp(TCP_PORT, ("127.0.0.9", 40_001), enc(0x63))
    rig.udp(TCP_PORT, ("127.0.0.9", 40_001), enc(0x63), to_many=True)
    rig.advance(5_000 * MS)
    got = [p for p in rig.packets if p.source[0] != "127.0.0.1"]
    sent = [p for p in rig.packets if p.source[0] == "127.0.0.1"]
    to_many = [p for p in got if p.target[0] == "255.255.255.255"]
    to_group = [p for p in sent if p.target[0].startswith("239.")]
    link = rig.adapter.link_counters
    assert (link.in_octets, link.in_unicast, link.in_nonunicast) == (
        sum(len(p.data) for p in got),
        len(got) - len(to_many),
        len(to_many),
    )
    assert (link.out_octets, link.out_unicast, link.out_nonunicast) == (
        sum(len(p.data) for p in sent),
        len(sent) - len(to_group),
        len(to_group),
    )


def test_the_link_object_shows_its_counters(rig: Rig) -> None:
    reply, _ = rig.message("A", bytes.fromhex("0E 03 20 F6 24 01 30 04"))
    numbers = unpack("<11I", reply[4:])
    request = enc(0x65, "01000000"), rig.packets[-2].data
    assert numbers[:2] == (sum(map(len, request)), 2)


def test_totals_outlive_the_connections(rig: Rig) -> None:
    for serial in range(1, 41):
        rig.message("A", forward_open(serial=serial))
        rig.message("A", forward_close(serial=serial))
    rig.message("A", forward_open(serial=1))
    feed(rig, 1, OT_ID + 40)
    feed(rig, 2, OT_ID + 40, "127.0.0.66")
    rig.message("A", forward_open(serial=1))
    rig.advance(40 * MS)
    expected = Totals(opened=41, timed_out=1, closed=40, frames_in=1, frames_out=4, refused=1, bad_frames=1)
    assert (rig.adapter.totals, len(rig.adapter.connections())) == (expected, 33)


def test_refusals_and_bad_frames_have_a_limit_each(rig: Rig) -> None:
    for seq in range(25):
        feed(rig, seq, address="127.0.0.66")
        rig.udp(IO_PORT, ("127.0.0.66", IO_PORT), b"rubbish")
        rig.message("A", forward_close(serial=seq))
    told = sum(type(event).__name__ in ("BadFrame", "Refused") for event in rig.events)
    assert (told, rig.adapter.totals.not_told, rig.adapter.strays) == (40, 10, 25)


# -- ids --------------------------------------------------------------------------------------------------


def test_ids_of_connections_that_stand_are_passed_over(rig: Rig) -> None:
    """After 65 535 opens the numbers begin again."""
    rig.message("A", forward_open())
    rig.advance(10_000 * MS)  # the owner's outputs are kept for it
    listen(rig, "B", 7)
    manager = rig.adapter._manager
    manager._last_id = 0xFFFF
    reply = listen(rig, "C", 8)
    assert unpack("<I", reply[4:8]) == (0x0077_0003,)


def test_reopening_ends_the_kept_connection_alone(rig: Rig) -> None:
    rig.message("A", forward_open())
    rig.advance(10_000 * MS)
    listen(rig, "B", 7)
    rig.message("A2", forward_open(serial=2))
    states = [f"{c.kind} {c.state}" for c in rig.adapter.connections()]
    assert states == ["exclusive owner closed", "input only established", "exclusive owner established"]


@pytest.mark.parametrize("who", ["A", "A2", "B"])
def test_a_shutdown_ends_everything(rig: Rig, who: str) -> None:
    rig.message("A", forward_open())
    listen(rig, who, 7)
    rig.message(who, forward_open(ROUTER, 0x41F8, 0x41F4, serial=9, trigger=0xA3))
    rig.adapter.shutdown(rig.now_ns)
    rig.pump()
    seen = (rig.adapter.open_connections, rig.adapter.sessions)
    assert (seen, all(wire.closed for wire in rig.wires.values())) == ((0, 0), True)


# -- timers -----------------------------------------------------------------------------------------------


@dataclass(eq=False)
class Thing:
    due_ns: int | None
    armed_ns: int = -1

    @property
    def deadline_ns(self) -> int | None:
        return self.due_ns


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["watch", "later", "sooner", "gone", "pass"]),
            st.integers(0, 4),
            st.integers(1, 9),
        ),
        max_size=80,
    )
)
def test_timers_against_a_list_that_is_searched(actions: list[tuple[str, int, int]]) -> None:
    """Deadlines move later without a word; a move to an earlier time is told with `watch`."""
    timers, things, watched, now = Timers[Thing](), [Thing(None) for _ in range(5)], set[int](), 0
    for action, index, span in actions:
        thing = things[index]
        if action == "watch" and index not in watched:
            thing.due_ns = now + span
            timers.watch(thing)
            watched.add(index)
        elif action == "later" and thing.due_ns is not None:
            thing.due_ns += span
        elif action == "sooner" and index in watched and thing.due_ns is not None:
            thing.due_ns = max(now, thing.due_ns - span)
            timers.watch(thing)
        elif action == "gone":
            thing.due_ns = None
            watched.discard(index)
        elif action == "pass":
            now += span
            due = {at for at in watched if (things[at].due_ns or 0) <= now}
            taken = []
            while (timed := timers.take_due(now)) is not None:
                taken.append(next(at for at, one in enumerate(things) if one is timed))
            assert sorted(taken) == sorted(due)
            watched -= due
        earliest = min((t.due_ns for at in watched if (t := things[at]).due_ns is not None), default=None)
        assert timers.next_ns() == earliest
