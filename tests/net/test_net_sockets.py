"""Real sockets on loopback: one exchange, a cut, a reconnect, and what this computer may refuse."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest
from net_pair import MS, Ear, adapter_at, scanner_at

from bench.clock import PacedDriver, Timeline, run_paced
from bench.eip.transport import TCP_PORT, CloseTcp, ConnectTcp, SendTcp
from bench.errors import MachineError
from bench.net.sockets import SocketHost, can_bind, free_udp_port

HERE, PEER, THIRD = "127.0.9.21", "127.0.9.22", "127.0.9.23"
LIMIT_NS = 3_000 * MS


async def until(timeline: Timeline, true: Callable[[], bool]) -> bool:
    """Whether *true* came true within three seconds."""
    while not true() and timeline.now_ns < LIMIT_NS:
        await timeline.sleep(1 * MS)
    return true()


async def test_pair_exchanges_an_input_and_an_output() -> None:
    timeline = Timeline()
    driver = PacedDriver(timeline)
    adapter, scanner = adapter_at(HERE), scanner_at(PEER, HERE)
    hosts = [
        SocketHost(adapter, driver, HERE, lambda event: None, udp_ports=(2222, TCP_PORT), listen=True),
        SocketHost(scanner, driver, PEER, lambda event: None, udp_ports=(2222,), listen=False),
    ]

    async def main() -> tuple[bool, bool]:
        adapter.set_inputs(b"\x05\x80", timeline.now_ns)
        scanner.set_run(True)
        scanner.set_outputs(b"\x0a\x01", timeline.now_ns)
        scanner.start(timeline.now_ns)
        hosts[1].pump()
        there = await until(timeline, lambda: adapter.running and adapter.outputs == b"\x0a\x01")
        back = await until(timeline, lambda: scanner.inputs == b"\x05\x80")
        return there, back

    try:
        for host in hosts:
            await host.open()
        came = await run_paced(timeline, driver, main())
    finally:
        for host in hosts:
            await host.close()
    assert came == (True, True)


async def test_closed_link_number_can_be_used_again() -> None:
    """What is left of the old stream is not taken for news of the new one."""
    timeline = Timeline()
    driver = PacedDriver(timeline)
    called, caller = Ear(), Ear()
    server = SocketHost(called, driver, THIRD, lambda event: None, udp_ports=(), listen=True)
    client = SocketHost(caller, driver, PEER, lambda event: None, udp_ports=(), listen=False)

    async def main() -> bool:
        caller.to_say += [ConnectTcp(1, (THIRD, TCP_PORT))]
        client.pump()
        await until(timeline, lambda: len(caller.heard) == 1)
        caller.to_say += [CloseTcp(1), ConnectTcp(1, (THIRD, TCP_PORT))]
        client.pump()
        await until(timeline, lambda: len(caller.heard) == 2)
        caller.to_say += [SendTcp(1, b"again")]
        client.pump()
        return await until(timeline, lambda: called.heard[-1][:3] == ("received", 2, b"again"))

    try:
        await server.open()
        came = await run_paced(timeline, driver, main())
    finally:
        await client.close()
        await server.close()
    assert (came, [heard[0] for heard in caller.heard]) == (True, ["opened", "opened"])


async def test_refused_connect_is_reported() -> None:
    timeline = Timeline()
    driver = PacedDriver(timeline)
    caller = Ear()
    client = SocketHost(caller, driver, PEER, lambda event: None, udp_ports=(), listen=False)

    async def main() -> bool:
        caller.to_say += [ConnectTcp(1, ("127.0.9.77", TCP_PORT))]
        client.pump()
        return await until(timeline, lambda: bool(caller.heard))

    came = await run_paced(timeline, driver, main())
    await client.close()
    assert (came, caller.heard[0][:2]) == (True, ("closed", 1))


def host_at(address: str, *, listen: bool) -> SocketHost:
    return SocketHost(
        Ear(), PacedDriver(Timeline()), address, lambda event: None, udp_ports=(2222,), listen=listen
    )


@pytest.mark.parametrize(
    ("listen", "asked"), [(True, f"TCP port 44818 of {THIRD}"), (False, f"UDP port 2222 of {THIRD}")]
)
async def test_port_in_use_names_the_port_and_the_remedy(listen: bool, asked: str) -> None:
    first = host_at(THIRD, listen=listen)
    await first.open()
    try:
        with pytest.raises(MachineError) as refusal:
            await host_at(THIRD, listen=listen).open()
    finally:
        await first.close()
    assert (refusal.value.asked, refusal.value.refused, "--listen" in str(refusal.value)) == (
        asked,
        "the port is in use",
        True,
    )


@pytest.mark.parametrize("listen", [True, False])
async def test_foreign_address_is_refused(listen: bool) -> None:
    with pytest.raises(MachineError, match="no such address here"):
        await host_at("192.0.2.1", listen=listen).open()  # TEST-NET-1, RFC 5737: nobody's


async def test_refused_open_leaves_nothing_bound() -> None:
    blocker = host_at(THIRD, listen=False)
    await blocker.open()
    with pytest.raises(MachineError, match="UDP port 2222"):
        await host_at(THIRD, listen=True).open()
    await blocker.close()
    await asyncio.sleep(0)
    again = host_at(THIRD, listen=True)
    await again.open()
    await again.close()
    assert can_bind(THIRD, 2222)


def test_free_port_can_be_bound() -> None:
    assert can_bind(THIRD, free_udp_port(THIRD))


def test_no_free_port_at_a_foreign_address() -> None:
    with pytest.raises(MachineError, match=r"a UDP port of 192\.0\.2\.1"):
        free_udp_port("192.0.2.1")
