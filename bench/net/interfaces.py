"""This computer's IPv4 interfaces: which of them an address belongs to, and whom a broadcast is for."""

from __future__ import annotations

import socket
import struct
import sys
from dataclasses import dataclass
from ipaddress import AddressValueError, IPv4Address, IPv4Network

from bench.errors import LocalError

LIMITED_BROADCAST = "255.255.255.255"  # RFC 919
_LOOPBACK = IPv4Network("127.0.0.0/8")
_GET_ADDRESS = 0x8915  # SIOCGIFADDR of <linux/sockios.h>
_GET_NETMASK = 0x891B  # SIOCGIFNETMASK


@dataclass(frozen=True, slots=True)
class Interface:
    """A network interface as one address sees it; no name when the system did not tell."""

    name: str
    netmask: str

    def broadcast_of(self, address: str) -> str:
        """The subnet's broadcast address (RFC 919)."""
        return str(self.network_of(address).broadcast_address)

    def network_of(self, address: str) -> IPv4Network:
        """The subnet that *address* is in."""
        return IPv4Network(f"{address}/{self.netmask}", strict=False)


def interface_of(address: str) -> Interface:
    """The interface that *address* is reached on, by its own address or by its subnet.

    Where the system does not tell, 255.0.0.0 for loopback addresses and 255.255.255.0 for others.

    Raises:
        LocalError: not an IPv4 address in dotted notation.
    """
    wanted = _parsed(address)
    known = _interfaces()
    for name, own, netmask in known:
        if own == address:
            return Interface(name, netmask)
    for name, own, netmask in known:
        if wanted in IPv4Network(f"{own}/{netmask}", strict=False):
            return Interface(name, netmask)
    return Interface("", "255.0.0.0" if wanted in _LOOPBACK else "255.255.255.0")


def is_near(peer: str, own: str, interface: Interface) -> bool:
    """Whether *peer* can be answered from *own*: on its subnet, or a program of this computer."""
    address = IPv4Address(peer)
    if address in interface.network_of(own) or address in _LOOPBACK:
        return True
    return any(peer == known for _, known, _ in _interfaces())


def is_group(address: str) -> bool:
    """Whether *address* is a multicast group (224.0.0.0/4, RFC 5771)."""
    return 224 <= int(address.partition(".")[0]) < 240


def _parsed(address: str) -> IPv4Address:
    try:
        return IPv4Address(address)
    except AddressValueError as error:
        raise LocalError(f"{address!r} is not an IPv4 address; expected one as 192.0.2.10") from error


def _interfaces() -> list[tuple[str, str, str]]:
    """Name, first address and netmask of every interface that has an IPv4 address."""
    found: list[tuple[str, str, str]] = []
    if sys.platform == "linux":
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            for _, name in socket.if_nameindex():
                try:
                    own = _asked(asked.fileno(), _GET_ADDRESS, name)
                    found.append((name, own, _asked(asked.fileno(), _GET_NETMASK, name)))
                except OSError:
                    continue  # it has no IPv4 address
    return found


def _asked(fd: int, request: int, name: str) -> str:
    from fcntl import ioctl  # not on every system

    # struct ifreq: 16 bytes of name, then a sockaddr_in whose address stands at 4
    answer = ioctl(fd, request, struct.pack("256s", name.encode()[:15]))
    return socket.inet_ntoa(answer[20:24])
