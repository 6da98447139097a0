"""The in-memory network: order, a cut cable, refused and abandoned connects, and a real pair on it."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from net_pair import MS, Ear, adapter_at, scanner_at

from bench.clock import Timeline
from bench.eip.transport import TCP_PORT, CloseTcp, ConnectTcp, Outgoing, SendTcp, SendUdp
from bench.net.memory import MemoryHost, MemoryNetwork

LATENCY = 100_000
TARGET = ("127.0.0.1", TCP_PORT)


@dataclass
class Wire:
    """Two ears on one network, with nothing connected yet."""

    timeline: Timeline
    network: MemoryNetwork
    called: Ear
    caller: Ear
    hosts: dict[int, MemoryHost]

    def say(self, ear: Ear, *outgoing: Outgoing) -> None:
        ear.to_say += outgoing
        self.hosts[id(ear)].pump()

    def settle(self) -> None:
        while self.timeline.next_ns() is not None:
            self.timeline.run_next()

    def words(self, ear: Ear) -> list[str]:
        return [heard[0] for heard in ear.heard]


@pytest.fixture
def wire() -> Wire:
    timeline = Timeline()
    network = MemoryNetwork(timeline, LATENCY)
    called, caller = Ear(), Ear()
    hosts = {
        id(called): network.attach(called, "127.0.0.1", called.heard.append),
        id(caller): network.attach(caller, "127.0.0.2", caller.heard.append),
    }
    return Wire(timeline, network, called, caller, hosts)


@pytest.fixture
def connected(wire: Wire) -> Wire:
    wire.say(wire.caller, ConnectTcp(1, TARGET))
    wire.settle()
    return wire


def test_connect_takes_a_round_trip(connected: Wire) -> None:
    assert (connected.called.heard, connected.caller.heard) == (
        [("opened", 1, LATENCY)],
        [("opened", 1, 2 * LATENCY)],
    )


def test_stream_arrives_in_order(connected: Wire) -> None:
    connected.say(connected.caller, *(SendTcp(1, bytes([number])) for number in range(8)))
    connected.settle()
    assert [heard[2][0] for heard in connected.called.heard[1:]] == [0, 1, 2, 3, 4, 5, 6, 7]


def test_connect_is_refused_where_nobody_is(wire: Wire) -> None:
    wire.say(wire.caller, ConnectTcp(1, ("127.0.0.77", TCP_PORT)))
    wire.settle()
    assert wire.caller.heard == [("closed", 1, LATENCY)]


def test_datagram_to_nobody_is_lost(wire: Wire) -> None:
    wire.say(wire.caller, SendUdp(2222, ("127.0.0.77", 2222), b"x"), SendUdp(2222, ("127.0.0.1", 2222), b"y"))
    wire.settle()
    assert wire.called.heard == [("datagram", 2222, b"y", LATENCY)]


def test_cut_loses_datagrams_and_keeps_streams(connected: Wire) -> None:
    connected.network.set_cut(True)
    to = ("127.0.0.1", 2222)
    connected.say(connected.caller, SendTcp(1, b"a"), SendUdp(2222, to, b"lost"), SendTcp(1, b"b"))
    connected.settle()
    while_cut = connected.words(connected.called)
    connected.network.set_cut(False)
    connected.say(connected.caller, SendTcp(1, b"c"))
    connected.settle()
    received = [heard[2] for heard in connected.called.heard[1:]]
    assert (while_cut, received, connected.network.lost_datagrams) == (["opened"], [b"a", b"b", b"c"], 1)


def test_close_comes_after_what_was_sent(connected: Wire) -> None:
    connected.say(connected.caller, SendTcp(1, b"bye"), CloseTcp(1))
    connected.settle()
    assert (connected.words(connected.called), connected.words(connected.caller)) == (
        ["opened", "received", "closed"],
        ["opened"],  # who closes is told nothing more
    )


def test_connect_given_up_under_way_leaves_nothing_open(wire: Wire) -> None:
    wire.network.set_cut(True)
    for _ in range(3):
        wire.say(wire.caller, ConnectTcp(1, TARGET), CloseTcp(1))
    wire.say(wire.caller, ConnectTcp(1, TARGET))
    wire.network.set_cut(False)
    wire.settle()
    assert (wire.words(wire.called), wire.words(wire.caller)) == (["opened"], ["opened"])


def test_late_close_of_an_old_stream_spares_the_new_one(connected: Wire) -> None:
    connected.say(connected.called, CloseTcp(1))  # travels towards the caller ...
    connected.say(connected.caller, CloseTcp(1), ConnectTcp(1, TARGET))  # ... who has already moved on
    connected.settle()
    connected.say(connected.caller, SendTcp(1, b"x"))
    connected.settle()
    assert (connected.words(connected.called), connected.words(connected.caller)) == (
        ["opened", "opened", "received"],
        ["opened", "opened"],
    )


def test_adapter_and_scanner_connect_in_virtual_time() -> None:
    timeline = Timeline()
    network = MemoryNetwork(timeline, LATENCY)
    adapter, scanner = adapter_at("127.0.0.1"), scanner_at("127.0.0.2", "127.0.0.1")
    network.attach(adapter, "127.0.0.1", lambda event: None)
    host = network.attach(scanner, "127.0.0.2", lambda event: None)
    adapter.set_inputs(b"\x05\x80", 0)
    scanner.set_run(True)
    scanner.set_outputs(b"\x0a\x01", 0)
    scanner.start(0)
    host.pump()
    timeline.run_until(50 * MS)
    assert (scanner.connected, scanner.inputs, adapter.running, adapter.outputs) == (
        True,
        b"\x05\x80",
        True,
        b"\x0a\x01",
    )
