"""Cores for the network tests: one that keeps what it hears, one that ticks, one with a watchdog."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Any

from net_pair import Ear

from bench.clock import PacedDriver, Timeline
from bench.eip.transport import Address, Outgoing, SendUdp
from bench.net.sockets import SocketHost
from bench.net.timer import paced

MS = 1_000_000
IO_PORT = 2222


class Keen(Ear):
    """Keeps of each datagram: data, peer address, time, whether it was sent to many."""

    def __init__(self) -> None:
        super().__init__()
        self.frames: list[tuple[bytes, str, int, bool]] = []

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        self.frames.append((data, peer[0], now_ns, to_many))

    @property
    def data(self) -> list[bytes]:
        return [frame[0] for frame in self.frames]


class Ticker(Keen):
    """Sends a numbered datagram every `period_ns` on a grid."""

    def __init__(self, period_ns: int, to: Address, start_ns: int = 0) -> None:
        super().__init__()
        self.period_ns = period_ns
        self.to = to
        self.due_ns = start_ns
        self.number = 0

    def next_deadline_ns(self) -> int:
        return self.due_ns

    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None:
        while self.due_ns <= now_ns:
            self.due_ns += self.period_ns
        self.number += 1
        self.to_say.append(SendUdp(IO_PORT, self.to, self.number.to_bytes(4, "little")))


class Watchdog(Keen):
    """Notes when no datagram came for `patience_ns`."""

    def __init__(self, patience_ns: int) -> None:
        super().__init__()
        self.patience_ns = patience_ns
        self.deadline_ns: int | None = None
        self.barked_ns: list[int] = []

    def udp_received(
        self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool = False
    ) -> None:
        super().udp_received(local_port, peer, data, now_ns, to_many)
        self.deadline_ns = now_ns + self.patience_ns

    def next_deadline_ns(self) -> int | None:
        return self.deadline_ns

    def handle_timer(self, now_ns: int, late_ns: int = 0) -> None:
        self.barked_ns.append(now_ns)
        self.deadline_ns = None


def socket_host(ear: Ear, driver: PacedDriver, address: str, *ports: int, listen: bool = False) -> SocketHost:
    return SocketHost(ear, driver, address, ear.heard.append, udp_ports=ports or (IO_PORT,), listen=listen)


@asynccontextmanager
async def running(timeline: Timeline, *hosts: SocketHost) -> Any:
    """The hosts open, and their driver running beside the test; an error of the driver fails the test."""
    driver = hosts[0]._driver
    pump = asyncio.create_task(driver.run())
    try:
        for host in hosts:
            await host.open()
        yield driver
    finally:
        for host in hosts:
            await host.close()
        driver.stop()
        await pump


async def comes_true(true: Callable[[], bool], seconds: float = 3.0) -> bool:
    """Whether *true* came true in time."""
    loop = asyncio.get_running_loop()
    end = loop.time() + seconds
    while not true() and loop.time() < end:
        await asyncio.sleep(0.002)
    return true()


@contextmanager
def plain_socket(address: str, port: int = 0) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as own:
        own.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        own.setsockopt(socket.IPPROTO_IP, socket.IP_RECVTOS, 1)
        own.bind((address, port))
        own.settimeout(3)
        yield own


def paced_timeline() -> tuple[Timeline, PacedDriver]:
    timeline = Timeline()
    return timeline, paced(timeline)


__all__ = [
    "IO_PORT",
    "MS",
    "Keen",
    "Outgoing",
    "Ticker",
    "Watchdog",
    "comes_true",
    "paced_timeline",
    "plain_socket",
    "running",
    "socket_host",
]
