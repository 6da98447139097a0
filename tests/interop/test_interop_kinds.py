"""Kinds of connection beside each other, opened by the PyPI package ethernetip."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from typing import Any

import pytest
from ethernetip.ethernetip import EthernetIOThread
from interop_scanner import Scanner, scanner_at
from interop_serve import AT_REST_BITS, INPUT, IO_PORT, OUTPUT, Served, get_single, until

ADDRESS = "127.0.7.61"
INPUT_ONLY, LISTEN_ONLY = 152, 153  # points for the heartbeats
WITHOUT_HEADER = -4  # it counts 2 + 4 bytes onto any output size; a heartbeat has the count alone
NO_OWNER, OTHER_OWNER = 0x119, 0x106


class Guest:
    """An originator without outputs, with a connection serial number of its own."""

    serials = count(100, 10)

    def __init__(self, scanner: Scanner) -> None:
        self.scanner = scanner
        self.point: int | None = None
        scanner.connection.conn_serial_num = next(self.serials)
        scanner.connection.registerSession()

    def open(self, point: int, **options: Any) -> Any:
        """0, or the extended status; it sends no heartbeats, which the first 10 s do without."""
        scanner = self.scanner
        options.setdefault("originator_udp_port", scanner.endpoint.originator_udp_port)
        sizes = {"torpi": 10, "otrpi": 10, "multiplier": 3, "outputsz": WITHOUT_HEADER}
        opened = scanner.connection.sendFwdOpenReq(INPUT, point, 151, **sizes, **options)
        self.point = point if opened == 0 else None
        return opened

    def close(self) -> Any:
        """0 when the target answered, None when there was nothing to close."""
        point, self.point = self.point, None
        return None if point is None else self.scanner.connection.sendFwdCloseReq(INPUT, point, 151)


@contextmanager
def guest_at(address: str) -> Iterator[Guest]:
    with scanner_at(address) as scanner:
        guest = Guest(scanner)
        yield guest
        guest.close()


def sees_the_inputs(scanner: Scanner) -> bool:
    """Whether the inputs arrive, from now on."""
    scanner.inputs[:] = [False] * len(scanner.inputs)
    return until(lambda: scanner.on, AT_REST_BITS) == AT_REST_BITS


def group_of(host: str) -> str:
    """As the TCP/IP Interface object of *host* tells it: attribute 9, allocation, reserved, count, start."""
    start = get_single(host, 0xF5, 1, 9)[4:8]
    return ".".join(str(octet) for octet in reversed(start))


@contextmanager
def hears_group(scanner: Scanner) -> Iterator[None]:
    """Listen to the adapter's group with the scanner's own thread; the package joins none."""
    group = group_of(ADDRESS)
    scanner.endpoint.io_state = 0
    scanner.endpoint.udpthread.join(timeout=5)
    scanner.endpoint.udpsock.close()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        ear.bind((group, IO_PORT))
        membership = socket.inet_aton(group) + socket.inet_aton(ADDRESS)
        ear.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
        scanner.endpoint.udpsock = ear
        scanner.endpoint.io_state = 1
        scanner.endpoint.udpthread = EthernetIOThread(1, scanner.endpoint)
        scanner.endpoint.udpthread.start()
        yield
        scanner.endpoint.io_state = 0
        scanner.endpoint.udpthread.join(timeout=5)


@pytest.fixture
def owner(adapter: Served) -> Iterator[Scanner]:
    with scanner_at(ADDRESS) as scanner:
        assert scanner.open() == 0
        scanner.connection.produce()
        assert sees_the_inputs(scanner)
        yield scanner
        scanner.close()


@pytest.fixture
def guest(adapter: Served) -> Iterator[Guest]:
    with guest_at(ADDRESS) as guest:
        yield guest


def test_an_input_only_connection_needs_no_owner(guest: Guest) -> None:
    assert (guest.open(INPUT_ONLY), sees_the_inputs(guest.scanner), guest.close()) == (0, True, 0)


def test_two_originators_see_the_same_inputs(owner: Scanner, guest: Guest) -> None:
    opened = guest.open(INPUT_ONLY)
    assert (opened, sees_the_inputs(guest.scanner), sees_the_inputs(owner)) == (0, True, True)


def test_a_listener_hears_beside_an_owner_and_goes_with_it(
    owner: Scanner, guest: Guest, adapter: Served
) -> None:
    opened, heard = guest.open(LISTEN_ONLY), sees_the_inputs(guest.scanner)
    owner.close()
    guest.close()
    assert (opened, heard, adapter.says("0x0107")) == (0, True, True)


def test_a_listener_with_nobody_to_listen_to_is_refused(guest: Guest, adapter: Served) -> None:
    assert (guest.open(LISTEN_ONLY), adapter.says("0x0119")) == (NO_OWNER, True)


def test_the_second_owner_is_refused_and_the_first_goes_on(owner: Scanner, adapter: Served) -> None:
    owner.outputs[0] = True
    with scanner_at(ADDRESS) as other:
        other.connection.conn_serial_num = next(Guest.serials)
        refused = other.open()
    lit = until(lambda: get_single(ADDRESS, 4, OUTPUT, 3), b"\x01\x00")
    told = adapter.says("0x0106 ownership conflict")
    assert (refused, lit, sees_the_inputs(owner), told) == (OTHER_OWNER, b"\x01\x00", True, True)


def test_one_group_serves_both(guest: Guest) -> None:
    with guest_at(ADDRESS) as other, hears_group(guest.scanner), hears_group(other.scanner):
        opened = [one.open(INPUT_ONLY, multicast=True) for one in (guest, other)]
        ids = {one.scanner.connection.toconnid for one in (guest, other)}
        heard = [sees_the_inputs(one.scanner) for one in (guest, other)]
    assert (opened, len(ids), heard) == ([0, 0], 1, [True, True])
