"""More TCP sessions than the computer's `select` can watch must not end the serving."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest
from net_pair import adapter_at

from bench.clock import PacedDriver, Timeline
from bench.eip.encapsulation import Command, Frame
from bench.net import sockets

HERE = "127.0.9.41"


@pytest.fixture
def few_streams(monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr(sockets, "MOST_STREAMS", 3)
    return 3


async def test_more_streams_than_the_limit_are_turned_away_until_one_closes(few_streams: int) -> None:
    driver = PacedDriver(Timeline())
    host = sockets.SocketHost(adapter_at(HERE), driver, HERE, lambda event: None, udp_ports=(), listen=True)
    await host.open()
    pump = asyncio.create_task(driver.run())
    peers = [await asyncio.open_connection(HERE, 44818) for _ in range(few_streams)]
    reader, writer = await asyncio.open_connection(HERE, 44818)
    with suppress(ConnectionResetError):
        assert await reader.read() == b""
    writer.close()
    for _, one in peers:
        one.close()
        await one.wait_closed()
    while host._open:
        await asyncio.sleep(0.001)
    reader, writer = await asyncio.open_connection(HERE, 44818)
    writer.write(Frame(Command.LIST_IDENTITY, 0, 0, bytes(8), 0, b"").encode())
    assert (len(await reader.read(100)) > 24, host.turned_away) == (True, 1)
    writer.close()
    driver.stop()
    await pump
    await host.close()
