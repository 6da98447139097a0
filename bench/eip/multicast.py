"""Which group an adapter sends to, and who may listen: rules on IPv4 addresses, nothing else.

The allocation rule is that of the TCP/IP Interface object as the open stacks have it: 32 groups a host,
counted from 239.192.1.0 by the low ten bits of the host id less one.
"""

from __future__ import annotations

from bench.eip.cpf import ipv4_bytes

_FIRST = int.from_bytes(ipv4_bytes("239.192.1.0"), "big")
_GROUPS_PER_HOST = 32
_HOST_MASK = 0x3FF


def group_of(address: str, netmask: str) -> str:
    """The first multicast group of the host at *address*; dotted IPv4 in and out."""
    host_id = _number(address) & ~_number(netmask)
    return dotted(_FIRST + _GROUPS_PER_HOST * ((host_id - 1) & _HOST_MASK))


def same_subnet(one: str, other: str, netmask: str) -> bool:
    """Whether frames between the two need no router."""
    mask = _number(netmask)
    return _number(one) & mask == _number(other) & mask


def dotted(number: int) -> str:
    """A 32-bit number as a dotted address."""
    return ".".join(str(byte) for byte in number.to_bytes(4, "big"))


def _number(address: str) -> int:
    return int.from_bytes(ipv4_bytes(address), "big")
