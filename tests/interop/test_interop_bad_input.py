"""Bytes that no adapter should be sent, over real sockets; afterwards it must serve as before."""

from __future__ import annotations

import contextlib
import random
import socket
from struct import pack

import pytest
from interop_scanner import scanner_at
from interop_serve import AT_REST_BITS, EXPLICIT_PORT, IO_PORT, PRODUCT_NAME, Served, get_single, until
from pycomm3 import CIPDriver

ADDRESS = "127.0.7.6"
SEEDED = random.Random(44818)
LIST_IDENTITY, REGISTER, SEND_RR_DATA, SEND_UNIT_DATA = 0x63, 0x65, 0x6F, 0x70


def header(command: int, length: int, session: int = 0) -> bytes:
    return pack("<HHII8sI", command, length, session, 0, bytes(8), 0)


REGISTERED = header(REGISTER, 4) + b"\x01\x00\x00\x00"
STREAMS = {
    "noise": SEEDED.randbytes(2000),
    "zeros": bytes(100_000),
    "half a header": REGISTERED[:11],
    "header without its data": header(SEND_RR_DATA, 200),
    "longest length": header(SEND_RR_DATA, 0xFFFF) + SEEDED.randbytes(0xFFFF),
    "unknown command": header(0xBEEF, 4) + bytes(4),
    "register without data": header(REGISTER, 0),
    "register version 9": header(REGISTER, 4) + b"\x09\x00\x00\x00",
    "no session": header(SEND_RR_DATA, 16, 0xDEAD) + bytes(16),
    "noise in a session": REGISTERED + header(SEND_RR_DATA, 64, 0x0001_0001) + SEEDED.randbytes(64),
    "65535 items": REGISTERED + header(SEND_RR_DATA, 8, 0x0001_0001) + bytes(6) + b"\xff\xff",
    "connected data without a connection": REGISTERED + header(SEND_UNIT_DATA, 20, 1) + SEEDED.randbytes(20),
    "the same session twice": REGISTERED * 50,
}


def send_stream(data: bytes) -> None:
    # The adapter may hang up in the middle; that is a good answer to such bytes.
    with socket.create_connection((ADDRESS, EXPLICIT_PORT), 5) as link, contextlib.suppress(ConnectionError):
        link.sendall(data)


def send_datagrams(port: int, count: int, most: int = 600) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for _ in range(count):
            sock.sendto(SEEDED.randbytes(SEEDED.randrange(most)), (ADDRESS, port))


def name() -> object:
    return (CIPDriver.list_identity(ADDRESS) or {}).get("product_name")


@pytest.mark.parametrize("data", STREAMS.values(), ids=STREAMS.keys())
def test_a_bad_stream_leaves_the_adapter_serving(adapter: Served, data: bytes) -> None:
    send_stream(data)
    assert name() == PRODUCT_NAME


def test_a_register_torn_into_bytes_is_answered(adapter: Served) -> None:
    with socket.create_connection((ADDRESS, EXPLICIT_PORT), 5) as link:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for byte in REGISTERED:
            link.sendall(bytes((byte,)))
        answer = link.recv(100)
    assert (answer[:2], answer[8:12]) == (REGISTERED[:2], bytes(4))


@pytest.mark.parametrize("port", [EXPLICIT_PORT, IO_PORT])
def test_bad_datagrams_leave_the_adapter_serving(adapter: Served, port: int) -> None:
    send_datagrams(port, 300)
    send_datagrams(port, 3, most=60_000)
    assert name() == PRODUCT_NAME


def test_a_crowd_of_silent_links_leaves_the_adapter_serving(adapter: Served) -> None:
    with contextlib.ExitStack() as links:
        for _ in range(60):
            links.enter_context(socket.create_connection((ADDRESS, EXPLICIT_PORT), 5))
        assert name() == PRODUCT_NAME


def test_a_peer_that_asks_and_never_reads_is_cut_off(adapter: Served) -> None:
    asked = header(LIST_IDENTITY, 0) * 400_000  # answers of 35 MB: no operating system holds that for a link
    with socket.create_connection((ADDRESS, EXPLICIT_PORT), 5) as link:
        with pytest.raises(ConnectionError):
            link.sendall(asked)
    assert name() == PRODUCT_NAME


def test_bad_datagrams_leave_an_open_connection_alone(adapter: Served) -> None:
    with scanner_at(ADDRESS) as scanner:
        scanner.open()
        scanner.connection.produce()
        until(lambda: scanner.on, AT_REST_BITS)
        send_datagrams(IO_PORT, 300)
        scanner.inputs[:] = [False] * len(scanner.inputs)  # to be written again by the next frame
        seen = until(lambda: scanner.on, AT_REST_BITS)
        status = get_single(ADDRESS, 1, 1, 5)
        scanner.close()
    assert (seen, status) == (AT_REST_BITS, b"\x61\x00")  # owned, in run
