"""Explicit messages carry the code point that the QoS object shows, on a stream as in a datagram."""

from __future__ import annotations

import socket

from net_ears import Keen, comes_true, paced_timeline, running, socket_host
from net_pair import MS, adapter_at

from bench.eip.device import Settings, Traffic
from bench.eip.encapsulation import Command, Frame
from bench.eip.transport import TCP_PORT, ConnectTcp, SendTcp, SendUdp

HERE, PEER = "127.0.9.71", "127.0.9.72"
REGISTER = Frame(Command.REGISTER_SESSION, data=b"\x01\x00\x00\x00").encode()
QUESTION = Frame(Command.LIST_IDENTITY).encode()


def test_answers_of_the_adapter_carry_the_code_point_in_use() -> None:
    adapter = adapter_at(HERE)
    adapter.tcp_opened(1, (PEER, 50_000), 0)
    adapter.tcp_received(1, REGISTER, 0)
    adapter.udp_received(TCP_PORT, (PEER, 50_001), QUESTION, 0)
    adapter.udp_received(TCP_PORT, (PEER, 50_001), QUESTION, 0, to_many=True)
    adapter.handle_timer(3000 * MS)
    sent = [one.dscp for one in adapter.take_outgoing() if isinstance(one, SendTcp | SendUdp)]
    assert sent == [Settings().dscp[Traffic.EXPLICIT]] * 3


async def test_stream_carries_the_code_point_of_what_it_sends() -> None:
    timeline, driver = paced_timeline()
    called, caller = Keen(), Keen()
    hosts = [socket_host(called, driver, HERE, listen=True), socket_host(caller, driver, PEER)]
    async with running(timeline, *hosts):
        caller.to_say.append(ConnectTcp(1, (HERE, TCP_PORT)))
        hosts[1].pump()
        await comes_true(lambda: bool(caller.heard) and bool(called.heard))
        called.to_say.append(SendTcp(1, b"marked", 27))
        hosts[0].pump()
        came = await comes_true(lambda: len(caller.heard) == 2)
        (stream,) = hosts[0]._open
        assert stream._transport is not None
        own = stream._transport.get_extra_info("socket")
        octet = own.getsockopt(socket.IPPROTO_IP, socket.IP_TOS)
    assert (came, octet >> 2) == (True, 27)
