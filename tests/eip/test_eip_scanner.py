"""The scanner: the start, what it does when refused, lost or told to close."""

from __future__ import annotations

from dataclasses import replace

import pytest
from eip_link import ADAPTER, CONFIG, MS, SCANNER_CONFIG, Link

from bench.eip.encapsulation import Command, Frame
from bench.eip.events import BadFrame, Connected, ConnectionClosed, Disconnected, InputsReceived, Refused
from bench.eip.scanner import Scanner, State
from bench.eip.transport import CloseTcp, ConnectTcp, SendTcp, SendUdp
from bench.errors import LocalError


def test_the_start_in_order() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    (first,) = scanner.take_outgoing()
    scanner.tcp_opened(1, (ADAPTER, 44818), 0)
    (second,) = scanner.take_outgoing()
    assert first == ConnectTcp(1, (ADAPTER, 44818))
    assert isinstance(second, SendTcp)
    assert second.data[:2] == b"\x65\x00"


def test_connected_tells_the_intervals_kept() -> None:
    link = Link({"tick_ns": 4 * MS}).connect()
    assert link.of(Connected) == [Connected(0, 12 * MS, 12 * MS)]


def test_new_inputs_only() -> None:
    link = Link().connect()
    link.run_for(50 * MS)
    link.adapter.set_inputs(b"\x01" * 32, link.now_ns)
    link.run_for(50 * MS)
    assert [(event.t_ns, event.data[0]) for event in link.of(InputsReceived)] == [(0, 0), (60 * MS, 1)]


def test_its_own_port_is_told_and_used() -> None:
    link = Link(scanner={"io_port": 3333}).connect()
    link.run_for(10 * MS)
    ports = {(sent.local_port, sent.peer[1]) for _, sent in link.datagrams}
    assert (ports, link.scanner.frames) == ({(3333, 2222), (2222, 3333)}, (2, 2))


def test_the_port_of_the_target_is_used() -> None:
    link = Link({"io_port": 2300}).connect()
    link.run_for(10 * MS)
    assert link.adapter.connections()[0].frames_in == 2


def test_a_refusal_says_both_sums_and_is_tried_again() -> None:
    link = Link({"output_size": 30}).connect()
    link.run_for(3500 * MS)
    refused = link.of(Refused)
    ours = [event.sentence for event in refused if event.sentence.startswith("target")]
    assert len(ours) == 3
    assert "we asked for 32 + 4 header + 2 count = 38, it takes 36" in ours[0]


def test_a_refused_tcp_connection_is_tried_again() -> None:
    link = Link()
    link.refuse_tcp = True
    link.connect().run_for(1500 * MS)
    link.refuse_tcp = False
    link.run_for(2000 * MS)
    assert [event.reason for event in link.of(Disconnected)] == [
        "127.0.0.1:44818 refused the TCP connection"
    ] * 2
    assert link.scanner.connected


def test_a_refused_connect_leaves_no_link_to_close() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    scanner.take_outgoing()
    scanner.tcp_closed(1, 0)
    assert (scanner.take_outgoing(), scanner.next_deadline_ns()) == ([], 1000 * MS)


def test_no_answer_is_given_up_and_tried_again() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    scanner.tcp_opened(1, (ADAPTER, 44818), 0)
    scanner.take_outgoing()
    scanner.handle_timer(5000 * MS)
    assert scanner.take_events() == [Disconnected(5000 * MS, "no answer to RegisterSession from 127.0.0.1")]
    assert (scanner.take_outgoing(), scanner.next_deadline_ns()) == ([CloseTcp(1)], 6000 * MS)


def test_silence_of_the_target_is_a_timeout_then_a_new_start() -> None:
    link = Link().connect()
    link.run_for(20 * MS)
    link.drop_to = True
    link.run_for(100 * MS)
    lost = link.of(Disconnected)
    link.drop_to = False
    link.run_for(3000 * MS)
    assert (lost, link.scanner.connected) == ([Disconnected(60 * MS, "no T->O frame for 40 ms")], True)


def test_a_cut_network_heals() -> None:
    link = Link().connect()
    link.drop_to = link.drop_ot = True
    link.run_for(12_000 * MS)
    link.drop_to = link.drop_ot = False
    link.run_for(12_000 * MS)
    assert (link.scanner.connected, link.adapter.running) == (True, True)


def test_a_lost_tcp_session_does_not_stop_the_data() -> None:
    link = Link().connect()
    link.adapter.tcp_closed(1, 0)
    link.scanner.tcp_closed(1, 0)
    link.run_for(100 * MS)
    assert (link.scanner.connected, link.adapter.connections()[0].frames_in) == (True, 11)


def test_a_close_in_order() -> None:
    link = Link().connect()
    link.run_for(20 * MS)
    link.scanner.close(link.now_ns)
    link.pump()
    assert (link.of(Disconnected), link.scanner.state) == ([Disconnected(20 * MS, "closed")], State.CLOSED)
    assert link.of(ConnectionClosed)[0].reason == "closed by its originator"
    assert link.scanner.next_deadline_ns() is None


def test_a_close_without_an_answer_is_sent_three_times() -> None:
    link = Link().connect()
    link.scanner.close(0)
    sent = []
    for second in range(1, 4):
        sent += link.scanner.take_outgoing()
        link.scanner.handle_timer(second * 1000 * MS)
    sent += link.scanner.take_outgoing()
    kinds = [item.data[0] if isinstance(item, SendTcp) else item for item in sent]
    assert kinds == [0x6F, 0x6F, 0x6F, 0x66, CloseTcp(1)]


def test_a_close_while_connecting() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    scanner.take_outgoing()
    scanner.close(0)
    assert (scanner.take_outgoing(), scanner.state) == ([CloseTcp(1)], State.CLOSED)


def test_a_start_after_a_close() -> None:
    link = Link().connect()
    link.scanner.close(0)
    link.pump()
    link.connect().run_for(10 * MS)
    assert (link.scanner.connected, link.scanner.frames) == (True, (2, 2))


def test_a_second_start_is_the_callers_mistake() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    with pytest.raises(LocalError, match="connecting; close it"):
        scanner.start(0)


def test_shutdown_of_the_adapter_ends_in_a_timeout() -> None:
    link = Link().connect()
    link.run_for(20 * MS)
    link.adapter.shutdown(link.now_ns)
    link.refuse_tcp = True
    link.run_for(100 * MS)
    assert link.of(Disconnected)[0].reason == "no T->O frame for 40 ms"


def test_large_assemblies_take_a_large_forward_open() -> None:
    sizes = {"input_size": 1000, "output_size": 1200}
    link = Link(sizes, sizes).connect()
    link.run_for(10 * MS)
    assert (len(link.adapter.outputs), len(link.scanner.inputs), link.scanner.frames) == (1200, 1000, (2, 2))


def test_a_refused_session_is_tried_again() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    scanner.tcp_opened(1, (ADAPTER, 44818), 0)
    context = (1).to_bytes(8, "little")
    scanner.tcp_received(1, Frame(Command.REGISTER_SESSION, 0, 0x69, context).encode(), 0)
    assert (scanner.state, "status 0x69" in str(scanner.take_events())) == (State.WAITING, True)


def test_nonsense_from_the_target_is_told() -> None:
    scanner = Scanner(SCANNER_CONFIG)
    scanner.start(0)
    scanner.tcp_opened(1, (ADAPTER, 44818), 0)
    scanner.tcp_received(1, b"\xff" * 24, 0)
    kinds = [type(event) for event in scanner.take_events()]
    assert (kinds, scanner.state) == ([BadFrame, Disconnected], State.WAITING)


def test_frames_of_another_connection_are_counted() -> None:
    link = Link().connect()
    stranger = SendUdp(2222, (ADAPTER, 2222), bytes.fromhex("0200 02800800 FFFFFFFF 01000000 B1000200 0100"))
    link.scanner.udp_received(2222, (ADAPTER, 2222), stranger.data, 0)
    assert (link.scanner.strays, link.scanner.frames) == (1, (0, 0))


def test_sizes_of_images_are_checked() -> None:
    link = Link()
    with pytest.raises(LocalError, match="31 output bytes; assembly 150 has 32"):
        link.scanner.set_outputs(bytes(31), 0)
    with pytest.raises(LocalError, match="33 input bytes; assembly 100 has 32"):
        link.adapter.set_inputs(bytes(33), 0)


@pytest.mark.parametrize("change", [{"multiplier": 5}, {"rpi_ns": 1500}, {"rpi_ns": 0}, {"retry_ns": 0}])
def test_a_wrong_scanner_configuration(change: dict[str, int]) -> None:
    with pytest.raises(LocalError, match="expected"):
        replace(SCANNER_CONFIG, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change", [{"input_assembly": 150}, {"output_size": 1401}, {"rpi_default_ns": 1}, {"io_port": 0}]
)
def test_a_wrong_adapter_configuration(change: dict[str, int]) -> None:
    with pytest.raises(LocalError, match="expected"):
        replace(CONFIG, **change)  # type: ignore[arg-type]
