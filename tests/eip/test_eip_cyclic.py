"""The grid frames are sent on, sequence counts, watchdogs, run/idle and what becomes of the outputs."""

from __future__ import annotations

import pytest
from eip_link import ADAPTER, CONFIG, MS, SCANNER, Client, Link
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.adapter import Adapter
from bench.eip.config import OnLoss
from bench.eip.cyclic import IDLE, RUN, Consumer, Producer, decode_cyclic, encode_cyclic
from bench.eip.events import BadFrame, ConnectionTimedOut, OutputsChanged
from bench.eip.forward_open import OpenReply
from bench.eip.transport import IO_PORT

DATA = b"\x05" * 32


@pytest.fixture
def link() -> Link:
    link = Link()
    link.scanner.set_outputs(DATA, 0)
    return link.connect()


def sequences(frames: list[bytes]) -> list[tuple[int, int]]:
    return [decode_cyclic(frame)[1:3] for frame in frames]


def test_the_count_steps_with_new_data_only() -> None:
    producer, frames = Producer(1, 10, 0, b"a"), []
    for body in (b"a", b"a", b"b", b"b", b"a"):
        producer.set_body(body, 0)
        frames.append(producer.take_frame(producer.due_ns))
    assert sequences(frames) == [(1, 1), (2, 1), (3, 2), (4, 2), (5, 3)]


@given(st.lists(st.integers(0, 35), min_size=1, max_size=40))
def test_the_grid_never_drifts_and_never_bursts(lateness: list[int]) -> None:
    producer, now = Producer(1, 10, 3, b""), 0
    for late in lateness:
        now = producer.due_ns + late
        producer.take_frame(now)
        assert producer.due_ns % 10 == 3
        assert now < producer.due_ns <= now + 10
    assert producer.skipped == sum(late // 10 for late in lateness)
    assert producer.late == sum(late > 5 for late in lateness)


def test_a_late_shell_skips_the_slots_that_have_passed() -> None:
    producer = Producer(1, 2 * MS, 0, b"")
    producer.take_frame(0)
    producer.take_frame(2 * MS, late_ns=97 * MS)
    assert (producer.frames, producer.due_ns, producer.skipped, producer.late) == (2, 100 * MS, 48, 1)


@pytest.mark.parametrize("first", [0, 1, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF])
def test_any_first_sequence_then_newer_ones(first: int) -> None:
    consumer = Consumer(100, 0)
    steps = (0, 0, 1, 5, 3, 6)
    taken = [consumer.accept((first + step) & 0xFFFF_FFFF, step, 0) for step in steps]
    assert (taken, consumer.lost, consumer.stale) == ([True, None, True, True, None, True], 3, 2)


def test_the_count_means_new_when_different() -> None:
    consumer = Consumer(100, 0)
    taken = [consumer.accept(seq32, seq16, 0) for seq32, seq16 in enumerate((5, 5, 4, 4, 5))]
    assert taken == [True, False, True, False, True]


def test_an_old_frame_does_not_feed_the_watchdog() -> None:
    consumer = Consumer(100, 0)
    consumer.accept(9, 1, 10)
    consumer.accept(9, 2, 50)
    assert consumer.deadline_ns == 110


def test_both_directions_carry_data(link: Link) -> None:
    link.adapter.set_inputs(b"\x07" * 32, 0)
    link.run_for(20 * MS)
    assert (link.adapter.outputs, link.adapter.running, link.scanner.inputs) == (DATA, True, b"\x07" * 32)


def test_the_exact_frame_rate(link: Link) -> None:
    link.run_for(1000 * MS)
    (report,) = link.adapter.connections()
    assert (report.frames_in, report.frames_out, report.late, report.lost, report.skipped) == (
        101,
        101,
        0,
        0,
        0,
    )
    assert {t_ns % (10 * MS) for t_ns, _ in link.datagrams} == {0}


def test_outputs_change_once_for_a_held_value(link: Link) -> None:
    link.run_for(100 * MS)
    assert link.of(OutputsChanged) == [OutputsChanged(0, DATA, True)]


@pytest.mark.parametrize(("rule", "outputs"), [(OnLoss.CLEAR, bytes(32)), (OnLoss.HOLD, DATA)])
def test_outputs_on_idle(rule: OnLoss, outputs: bytes) -> None:
    link = Link({"on_idle": rule})
    link.scanner.set_outputs(DATA, 0)
    link.connect().run_for(20 * MS)
    link.scanner.set_run(False)
    link.scanner.set_outputs(b"\x09" * 32, link.now_ns)
    link.run_for(20 * MS)
    assert (link.adapter.outputs, link.adapter.running) == (outputs, False)


def test_run_again_after_idle_takes_the_data_sent_meanwhile(link: Link) -> None:
    for run in (True, False, True):
        link.scanner.set_run(run)
        link.run_for(20 * MS)
    runs = [event.run for event in link.of(OutputsChanged)]
    assert (runs, link.adapter.outputs) == ([True, False, True], DATA)


@pytest.mark.parametrize(("rule", "outputs"), [(OnLoss.CLEAR, bytes(32)), (OnLoss.HOLD, DATA)])
@pytest.mark.parametrize("loss", ["timeout", "close"])
def test_outputs_on_loss(rule: OnLoss, outputs: bytes, loss: str) -> None:
    link = Link({"on_timeout": rule})
    link.scanner.set_outputs(DATA, 0)
    link.connect().run_for(20 * MS)
    link.drop_ot = True
    if loss == "close":
        link.scanner.close(link.now_ns)
        link.pump()
    link.run_for(45 * MS)
    assert (link.adapter.outputs, link.adapter.running) == (outputs, False)


def test_the_timeout_is_api_times_multiplier(link: Link) -> None:
    link.run_for(25 * MS)
    link.drop_ot = True
    link.run_for(200 * MS)
    (event,) = link.of(ConnectionTimedOut)
    assert (event.t_ns, event.sentence) == (60 * MS, "no O->T frame for 40 ms (10 ms x 4)")


def test_the_first_frame_has_ten_seconds() -> None:
    link = Link()
    link.drop_ot = True
    link.connect().run_for(10_001 * MS)
    (event,) = link.of(ConnectionTimedOut)
    assert (event.t_ns, "firewall" in event.sentence) == (10_000 * MS, True)


def test_a_long_timeout_is_longer_than_ten_seconds() -> None:
    client = Client(Link().adapter).register()
    client.open(multiplier_code=7, ot_rpi_us=100_000)
    assert client.adapter.connections()[0].timeout_ns == 51_200 * MS


def test_after_a_timeout_nothing_is_produced_and_the_link_closes() -> None:
    client = Client(Link().adapter).register()
    client.open()
    client.adapter.handle_timer(10_000 * MS)
    client.take()
    client.adapter.handle_timer(20_000 * MS)
    assert (client.closed, client.adapter.take_outgoing()) == (True, [])
    assert client.adapter.connections()[0].state == "timed out"


@pytest.mark.parametrize(("keep", "extended"), [(True, (0x106,)), (False, ())])
def test_another_originator_after_a_timeout(keep: bool, extended: tuple[int, ...]) -> None:
    client = Client(Link({"keep_owner_slot": keep}).adapter).register()
    client.open()
    client.adapter.handle_timer(10_000 * MS)
    other = Client(client.adapter, link=10, address="127.0.0.10").register()
    assert other.open(originator_serial=5).extended == extended


def test_the_same_originator_after_a_timeout() -> None:
    client = Client(Link().adapter).register()
    client.open()
    client.adapter.handle_timer(10_000 * MS)
    again = Client(client.adapter, link=10).register()
    assert again.open(serial=2).status == 0
    assert [report.state for report in client.adapter.connections()] == ["closed", "established"]


def frame_of(link: Link, body: bytes, seq: int = 1000, offset: int = 0) -> bytes:
    ot_id = decode_cyclic(next(sent.data for _, sent in link.datagrams if sent.peer[0] == ADAPTER))[0]
    return encode_cyclic(ot_id + offset, seq, seq, body)


def test_a_frame_from_a_stranger_is_counted_and_ignored(link: Link) -> None:
    link.run_for(0)
    frame = frame_of(link, RUN + b"\x0b" * 32)
    link.adapter.udp_received(IO_PORT, ("127.0.0.66", 2222), frame, 0)
    assert (link.adapter.strangers, link.adapter.outputs) == (1, DATA)


def test_a_frame_of_no_connection_is_counted_and_ignored(link: Link) -> None:
    link.run_for(0)
    link.adapter.udp_received(IO_PORT, (SCANNER, 2222), frame_of(link, RUN + DATA, offset=1), 0)
    assert link.adapter.strays == 1


@pytest.mark.parametrize("body", [b"", RUN, RUN + bytes(31), IDLE + bytes(33)])
def test_a_frame_of_the_wrong_size_says_the_right_one(link: Link, body: bytes) -> None:
    link.run_for(0)
    link.adapter.udp_received(IO_PORT, (SCANNER, 2222), frame_of(link, body), 0)
    (event,) = link.adapter.take_events()
    assert isinstance(event, BadFrame)
    assert f"expected 36 bytes after the count, got {len(body)}" in event.sentence
    assert link.adapter.outputs == DATA


def test_a_gap_in_the_sequence_is_counted_as_lost(link: Link) -> None:
    link.run_for(10 * MS)
    link.drop_ot = True
    link.run_for(20 * MS)
    link.drop_ot = False
    link.run_for(20 * MS)
    assert link.adapter.connections()[0].lost == 2


def test_a_late_timer_skips_slots_and_counts_them() -> None:
    client = Client(Link().adapter).register()
    client.open()
    for now_ms in (0, 10, 47, 50):
        client.adapter.handle_timer(now_ms * MS)
    (report,) = client.adapter.connections()
    assert (report.frames_out, report.late, report.skipped) == (4, 1, 2)
    assert client.adapter.next_deadline_ns() == 60 * MS


def test_connection_ids_differ_between_two_lives_of_an_adapter() -> None:

    ids = [
        OpenReply.decode(Client(Adapter(CONFIG, incarnation=life)).register().open().data).ot_id >> 16
        for life in (1, 2)
    ]
    assert ids == [1, 2]


def test_the_run_bit_counts_even_when_the_data_count_stands_still(link: Link) -> None:
    link.run_for(0)
    frames = [frame_of(link, word + DATA) for word in (RUN, IDLE, RUN)]
    runs = []
    for seq32, frame in enumerate(frames, start=2000):
        ot_id, _, seq16, body = decode_cyclic(frame)
        link.adapter.udp_received(IO_PORT, (SCANNER, 2222), encode_cyclic(ot_id, seq32, seq16, body), 0)
        runs.append((link.adapter.running, link.adapter.outputs == DATA))
    assert runs == [(True, True), (False, False), (True, True)]
