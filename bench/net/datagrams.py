"""Datagram sockets without a transport between: opened, read in bursts, sent on directly.

Frames are stamped by the Linux kernel when they arrive. After our own process has stalled the stamps
tell when a frame came, so that one that was in time is not taken for a late one.
"""

from __future__ import annotations

import socket
import struct
import sys
from dataclasses import dataclass

from bench.eip.transport import Address

BURST = 32  # datagrams read at one time, so that a flood keeps nobody else waiting
BUFFER_BYTES = 1 << 20  # asked of the system for what waits to be read; it may give less
_LARGEST = 65_536  # bytes of a datagram, and more
_STAMP = 35  # SO_TIMESTAMPNS of <asm-generic/socket.h>
_TIMESPEC = struct.Struct("@ll")
_ALL_GROUPS = 49  # IP_MULTICAST_ALL of <linux/in.h>: hear also the groups that others on this computer joined
DSCP_SHIFT = 2  # the code point is the upper six bits of the octet, RFC 2474

Datagram = tuple[bytes, Address]


@dataclass(eq=False, slots=True)
class Port:
    """One bound datagram socket; `to_many` when what comes in was sent to a group or a broadcast address."""

    port: int
    socket: socket.socket
    to_many: bool = False
    dscp: int = 0

    def read(self) -> list[Datagram]:
        """What waits, up to `BURST` datagrams."""
        burst: list[Datagram] = []
        receive = self.socket.recvfrom
        try:
            for _ in range(BURST):
                burst.append(receive(_LARGEST))
        except OSError:
            pass  # nothing more, or an ICMP answer to something we sent
        return burst

    def read_stamped(self) -> list[tuple[Datagram, int | None]]:
        """As `read`, each with its arrival in ns since 1970, None where the system does not stamp."""
        burst: list[tuple[Datagram, int | None]] = []
        try:
            for _ in range(BURST):
                data, extra, _, peer = self.socket.recvmsg(_LARGEST, 64)
                burst.append(((data, peer), _stamp_ns(extra)))
        except (OSError, AttributeError):
            pass  # as above; not every system has `recvmsg`
        return burst

    def send(self, data: bytes, peer: Address, dscp: int) -> bool:
        """Send now or not at all; False when the system did not take it."""
        try:
            if dscp != self.dscp:
                self.socket.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << DSCP_SHIFT)
                self.dscp = dscp
            self.socket.sendto(data, peer)
        except (OSError, OverflowError):
            return False
        return True


def _stamp_ns(extra: list[tuple[int, int, bytes]]) -> int | None:
    for level, kind, data in extra:
        if level == socket.SOL_SOCKET and kind == _STAMP and len(data) >= _TIMESPEC.size:
            seconds, nanoseconds = _TIMESPEC.unpack_from(data)
            return int(seconds) * 1_000_000_000 + int(nanoseconds)
    return None


def open_own(address: str, port: int) -> Port:
    """The socket everything is sent from: bound to the own address, alone on its port.

    Raises:
        OSError: the port is in use, or the address is not this computer's.
    """
    return Port(port, _opened(address, port, own=address))


def open_broadcast(broadcast: str, port: int) -> Port:
    """A socket that hears what is sent to *broadcast*; any number of programs may have one.

    Raises:
        OSError: this system binds no socket to a broadcast address.
    """
    return Port(port, _opened(broadcast, port, shared=True), to_many=True)


def open_group(group: str, port: int, own: str) -> Port:
    """A socket that hears *group*, joined on the interface of the address *own*.

    Raises:
        OSError: the system takes no more memberships, or *own* has no interface.
    """
    opened = _opened(group if sys.platform != "win32" else own, port, shared=True)
    try:
        membership = socket.inet_aton(group) + socket.inet_aton(own)
        opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
        if sys.platform == "linux":
            opened.setsockopt(socket.IPPROTO_IP, _ALL_GROUPS, 0)
    except OSError:
        opened.close()
        raise
    return Port(port, opened, to_many=True)


def _opened(bind_to: str, port: int, *, shared: bool = False, own: str | None = None) -> socket.socket:
    opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        opened.setblocking(False)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        if sys.platform == "linux":
            opened.setsockopt(socket.SOL_SOCKET, _STAMP, 1)
        if shared:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if sys.platform != "linux" and hasattr(socket, "SO_REUSEPORT"):
                # On Linux it would keep out programs of other users, and SO_REUSEADDR shares enough.
                opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        opened.bind((bind_to, port))
        if own is not None:
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(own))
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)
            opened.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
    except OSError:
        opened.close()
        raise
    return opened
