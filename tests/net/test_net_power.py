"""Power cycle of a host: in memory silence, on sockets a reset; afterwards a new core at the same address."""

from __future__ import annotations

import asyncio
import contextlib

import pytest
from net_ears import IO_PORT, MS, Keen, Ticker, comes_true, paced_timeline, plain_socket, running, socket_host

from bench.clock import Timeline
from bench.eip.transport import TCP_PORT, ConnectTcp, JoinGroup, SendTcp, SendUdp
from bench.net.memory import NO_ANSWER_NS, MemoryHost, MemoryNetwork

HERE, PEER = "127.0.9.51", "127.0.9.52"


class Pair:
    """A device and a caller in memory; the caller has connected."""

    def __init__(self) -> None:
        self.timeline = Timeline()
        self.network = MemoryNetwork(self.timeline)
        self.device, self.caller = Keen(), Keen()
        self.host: MemoryHost = self.network.attach(self.device, HERE, lambda event: None)
        self.far: MemoryHost = self.network.attach(self.caller, PEER, lambda event: None)
        self.say(ConnectTcp(1, (HERE, TCP_PORT)))

    def say(self, *said: ConnectTcp | SendTcp | SendUdp) -> None:
        self.caller.to_say += said
        self.far.pump()
        while self.timeline.next_ns() is not None:
            self.timeline.run_next()

    def words(self, ear: Keen) -> list[str]:
        return [heard[0] for heard in ear.heard]


@pytest.fixture
def pair() -> Pair:
    return Pair()


def test_power_loss_is_silence(pair: Pair) -> None:
    pair.host.power_off()
    pair.say(SendTcp(1, b"lost"), SendUdp(IO_PORT, (HERE, IO_PORT), b"lost"))
    assert (pair.words(pair.device), pair.words(pair.caller), pair.device.frames) == (
        ["opened"],
        ["opened"],
        [],
    )


def test_old_stream_gets_a_reset_from_the_new_incarnation(pair: Pair) -> None:
    pair.host.power_off()
    again = Keen()
    pair.host.power_on(again)
    pair.say(SendTcp(1, b"stale"), SendUdp(IO_PORT, (HERE, IO_PORT), b"heard"))
    assert (pair.words(pair.caller), again.heard, again.data) == (["opened", "closed"], [], [b"heard"])


def test_connect_to_a_dead_host_is_given_up_after_a_while(pair: Pair) -> None:
    pair.host.power_off()
    asked_ns = pair.timeline.now_ns
    pair.say(ConnectTcp(2, (HERE, TCP_PORT)))
    assert pair.caller.heard[-1] == ("closed", 2, asked_ns + NO_ANSWER_NS + 100_000)


def test_detached_host_refuses(pair: Pair) -> None:
    pair.network.detach(HERE)
    pair.say(ConnectTcp(2, (HERE, TCP_PORT)))
    assert pair.words(pair.caller) == ["opened", "closed"]


def test_timer_of_the_dead_core_is_silent() -> None:
    timeline = Timeline()
    network = MemoryNetwork(timeline)
    ticker = Ticker(1 * MS, (PEER, IO_PORT))
    host = network.attach(ticker, HERE, lambda event: None)
    host.pump()
    timeline.run_until(3 * MS)
    host.power_off()
    host.pump()
    timeline.run_until(9 * MS)
    host.power_on(Ticker(1 * MS, (PEER, IO_PORT), timeline.now_ns))
    timeline.run_until(10 * MS)
    assert (ticker.number, host.datagrams_out) == (4, 6)


async def test_real_streams_are_reset_and_a_new_core_answers() -> None:
    timeline, driver = paced_timeline()
    old, new = Keen(), Keen()
    host = socket_host(old, driver, HERE, IO_PORT, listen=True)
    async with running(timeline, host):
        reader, writer = await asyncio.open_connection(HERE, TCP_PORT)
        await comes_true(lambda: bool(old.heard))
        host.power_off()
        with pytest.raises(ConnectionResetError):
            await reader.read()
        writer.close()
        with plain_socket(PEER) as peer:
            peer.sendto(b"lost", (HERE, IO_PORT))
            await comes_true(lambda: host.lost_datagrams == 1)
            host.power_on(new)
            peer.sendto(b"heard", (HERE, IO_PORT))
            await comes_true(lambda: bool(new.frames))
        _, second = await asyncio.open_connection(HERE, TCP_PORT)
        opened = await comes_true(lambda: bool(new.heard))
        second.close()
    assert (opened, old.data, new.data, [heard[0] for heard in old.heard]) == (
        True,
        [],
        [b"heard"],
        ["opened"],
    )


async def test_connect_without_power_is_turned_away() -> None:
    timeline, driver = paced_timeline()
    ear = Keen()
    host = socket_host(ear, driver, HERE, IO_PORT, listen=True)
    async with running(timeline, host):
        ear.to_say.append(JoinGroup("239.192.1.32", IO_PORT))
        host.pump()
        host.power_off()
        left = host._groups
        with contextlib.suppress(ConnectionResetError):
            reader, writer = await asyncio.open_connection(HERE, TCP_PORT)
            await reader.read()
            writer.close()
        turned_away = await comes_true(lambda: host.turned_away == 1)
    assert (turned_away, ear.heard, left) == (True, [], {})
