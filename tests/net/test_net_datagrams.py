"""Datagrams on real sockets: groups, broadcasts, code points, refusals of the system, our own stalls."""

from __future__ import annotations

import asyncio
import socket
from ipaddress import IPv4Address

import pytest
from net_ears import (
    IO_PORT,
    MS,
    Keen,
    Watchdog,
    comes_true,
    paced_timeline,
    plain_socket,
    running,
    socket_host,
)

from bench.clock import PacedDriver, Phase
from bench.eip.transport import TCP_PORT, ConnectTcp, JoinGroup, LeaveGroup, SendTcp, SendUdp
from bench.errors import LocalError
from bench.net import streams
from bench.net.datagrams import BURST
from bench.net.interfaces import interface_of, is_group, is_near
from bench.net.timer import paced_loop

HERE, OTHER, PEER = "127.0.9.61", "127.0.9.62", "127.0.9.63"
GROUP = "239.192.1.33"


async def test_broadcast_reaches_every_adapter_and_is_answered_from_its_own_address() -> None:
    timeline, driver = paced_timeline()
    first, second = Keen(), Keen()
    hosts = [socket_host(first, driver, HERE, TCP_PORT), socket_host(second, driver, OTHER, TCP_PORT)]
    with plain_socket(PEER) as peer:
        async with running(timeline, *hosts):
            peer.sendto(b"subnet", ("127.255.255.255", TCP_PORT))
            peer.sendto(b"limited", ("255.255.255.255", TCP_PORT))
            await comes_true(lambda: len(first.frames) == len(second.frames) == 2)
            for ear, host in zip((first, second), hosts, strict=True):
                ear.to_say.append(SendUdp(TCP_PORT, peer.getsockname(), b"here"))
                host.pump()
            answers = sorted(peer.recvfrom(99) for _ in hosts)
    heard = [sorted((data, many) for data, _, _, many in ear.frames) for ear in (first, second)]
    assert (heard, answers) == (
        [[(b"limited", True), (b"subnet", True)]] * 2,
        [(b"here", (HERE, TCP_PORT)), (b"here", (OTHER, TCP_PORT))],
    )


async def test_group_is_heard_by_members_until_they_leave() -> None:
    timeline, driver = paced_timeline()
    first, second, sender = Keen(), Keen(), Keen()
    hosts = [socket_host(ear, driver, at) for ear, at in ((first, HERE), (second, OTHER), (sender, PEER))]

    def say(number: int, *said: JoinGroup | LeaveGroup | SendUdp) -> None:
        hosts[number].endpoint.to_say.extend(said)  # type: ignore[attr-defined]
        hosts[number].pump()

    async with running(timeline, *hosts):
        say(0, JoinGroup(GROUP, IO_PORT))
        say(1, JoinGroup(GROUP, IO_PORT))
        say(2, SendUdp(IO_PORT, (GROUP, IO_PORT), b"one"))
        await comes_true(lambda: len(first.frames) == len(second.frames) == 1)
        say(1, LeaveGroup(GROUP, IO_PORT))
        say(2, SendUdp(IO_PORT, (GROUP, IO_PORT), b"two"))
        await comes_true(lambda: len(first.frames) == 2)
    heard = [[(data, peer, many) for data, peer, _, many in ear.frames] for ear in (first, second)]
    assert heard == [[(b"one", PEER, True), (b"two", PEER, True)], [(b"one", PEER, True)]]


async def test_code_point_is_in_the_type_of_service_octet() -> None:
    """RFC 2474: the upper six bits."""
    timeline, driver = paced_timeline()
    ear = Keen()
    host = socket_host(ear, driver, HERE)
    with plain_socket(PEER) as peer:
        async with running(timeline, host):
            ear.to_say += [SendUdp(IO_PORT, peer.getsockname(), b"x", dscp) for dscp in (0, 47, 47, 31, 0)]
            host.pump()
            octets = [peer.recvmsg(99, 64)[1][0][2][0] for _ in range(5)]
    assert [octet >> 2 for octet in octets] == [0, 47, 47, 31, 0]


async def test_what_the_system_does_not_send_is_counted() -> None:
    timeline, driver = paced_timeline()
    ear = Keen()
    host = socket_host(ear, driver, HERE)
    async with running(timeline, host):
        ear.to_say += [SendUdp(IO_PORT, (PEER, 9), bytes(70_000)), SendUdp(IO_PORT, (PEER, 70_000), b"x")]
        host.pump()
    assert (host.send_errors, host.datagrams_out) == (2, 0)


async def test_burst_arrives_in_order_and_is_counted() -> None:
    timeline, driver = paced_timeline()
    ear = Keen()
    host = socket_host(ear, driver, HERE)
    with plain_socket(PEER) as peer:
        async with running(timeline, host):
            await asyncio.sleep(0)
            for number in range(3 * BURST):
                peer.sendto(bytes([number]), (HERE, IO_PORT))
            await comes_true(lambda: len(ear.frames) == 3 * BURST)
    assert ([data[0] for data in ear.data], host.datagrams_in) == (list(range(3 * BURST)), 3 * BURST)


async def test_unplugged_cable_loses_datagrams() -> None:
    timeline, driver = paced_timeline()
    ear = Keen()
    host = socket_host(ear, driver, HERE)
    with plain_socket(PEER) as peer:
        async with running(timeline, host):
            host.set_cut(True)
            peer.sendto(b"lost", (HERE, IO_PORT))
            await comes_true(lambda: host.lost_datagrams == 1)
            host.set_cut(False)
            peer.sendto(b"heard", (HERE, IO_PORT))
            await comes_true(lambda: bool(ear.frames))
    assert ear.data == [b"heard"]


# --- our own process stalls ---


def stall(driver: PacedDriver, peer: socket.socket, send_ms: list[int], length_ms: int) -> None:
    """Keep this process busy; meanwhile a peer sends at the given times."""
    start_ns = driver.wall_ns()
    waiting = list(send_ms)
    while (gone_ns := driver.wall_ns() - start_ns) < length_ms * MS:
        if waiting and gone_ns >= waiting[0] * MS:
            peer.sendto(waiting.pop(0).to_bytes(2, "little"), (HERE, IO_PORT))


def stalled(fast: bool, send_ms: list[int]) -> Watchdog:
    """A watchdog of 60 ms through a stall of 300 ms, after which this computer may be slow."""
    dog = Watchdog(60 * MS)

    async def main() -> None:
        timeline, driver = paced_timeline()
        host = socket_host(dog, driver, HERE)
        with plain_socket(PEER) as peer:
            async with running(timeline, host):
                peer.sendto(b"first", (HERE, IO_PORT))
                await comes_true(lambda: bool(dog.frames))
                timeline.after(0, Phase.PLANT, lambda: stall(driver, peer, send_ms, 300))
                driver.nudge()
                await comes_true(lambda: len(dog.frames) == len(send_ms) + 1 and not driver.behind_ns())
                peer.sendto(b"last", (HERE, IO_PORT))
                await comes_true(lambda: dog.data[-1] == b"last")

    with asyncio.Runner(loop_factory=lambda: paced_loop(fast)) as runner:
        runner.run(main())
    return dog


@pytest.mark.parametrize("fast", [False, True])
def test_frames_in_time_during_our_stall_are_no_timeout(fast: bool) -> None:
    dog = stalled(fast, list(range(2, 300, 3)))
    first_ns, last_ns = dog.frames[1][2], dog.frames[-2][2]
    during = [barked_ns for barked_ns in dog.barked_ns if first_ns < barked_ns <= last_ns]
    assert (during, last_ns - first_ns > 200 * MS) == ([], True)


def test_silence_during_our_stall_is_still_a_timeout() -> None:
    dog = stalled(False, [5, 10, 15, 200, 210, 220])
    silent_ns = dog.frames[3][2]
    assert silent_ns + 60 * MS in dog.barked_ns


async def test_flood_does_not_keep_timers_waiting() -> None:
    timeline, driver = paced_timeline()
    ear = Keen()
    host = socket_host(ear, driver, HERE)
    late_ns: list[int] = []
    with plain_socket(PEER) as peer:
        async with running(timeline, host):
            for _ in range(1500):
                peer.sendto(b"flood", (HERE, IO_PORT))
            now_ns = driver.wall_ns()
            for step in range(1, 11):
                at_ns = now_ns + step * MS // 10
                timeline.at(at_ns, Phase.CHECK, lambda at_ns=at_ns: late_ns.append(len(ear.frames)))  # type: ignore[misc]
            await comes_true(lambda: len(late_ns) == 10)
            heard_first = late_ns[0]
    assert heard_first <= 1500 // 2


# --- streams ---


async def test_peer_that_sends_faster_than_it_is_heard_is_paused() -> None:
    """A megabyte during a cut stays with the sender, but for what may wait here; nothing is lost."""
    timeline, driver = paced_timeline()
    called, caller = Keen(), Keen()
    hosts = [socket_host(called, driver, HERE, IO_PORT, listen=True), socket_host(caller, driver, PEER)]

    def received() -> bytes:
        return b"".join(heard[2] for heard in called.heard if heard[0] == "received")

    data = bytes(range(256)) * 4000
    async with running(timeline, *hosts):
        caller.to_say.append(ConnectTcp(1, (HERE, TCP_PORT)))
        hosts[1].pump()
        await comes_true(lambda: bool(caller.heard) and bool(called.heard))
        hosts[0].set_cut(True)
        caller.to_say += [SendTcp(1, data[:1000]), SendTcp(1, data[1000:])]
        hosts[1].pump()
        (stream,) = hosts[0]._open
        await comes_true(lambda: stream._unheard > streams.UNHEARD_LIMIT)
        waiting = stream._unheard
        hosts[0].set_cut(False)
        came = await comes_true(lambda: received() == data)
    assert (came, waiting <= streams.UNHEARD_LIMIT + (1 << 18)) == (True, True)


# --- interfaces ---


def test_loopback_is_found_by_its_subnet() -> None:
    found = interface_of(HERE)
    assert (found.netmask, found.broadcast_of(HERE)) == ("255.0.0.0", "127.255.255.255")


def test_interface_of_a_foreign_address_is_a_guess() -> None:
    assert (interface_of("203.0.113.7").name, interface_of("203.0.113.7").netmask) == ("", "255.255.255.0")


def test_name_in_place_of_an_address_is_refused() -> None:
    with pytest.raises(LocalError, match=r"expected one as 192\.0\.2\.10"):
        interface_of("localhost")


def test_near_is_the_own_subnet_and_this_computer() -> None:
    loopback = interface_of(HERE)
    near = [is_near(peer, HERE, loopback) for peer in (PEER, "203.0.113.7")]
    assert near == [True, False]


@pytest.mark.parametrize("address", ["223.255.255.255", "224.0.0.0", "239.255.255.255", "240.0.0.0"])
def test_group_is_224_to_239(address: str) -> None:
    assert is_group(address) == IPv4Address(address).is_multicast
