"""Cyclic I/O with the scanner of the PyPI package ethernetip, over real sockets."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from interop_scanner import Scanner, scanner_at
from interop_serve import AT_REST_BITS, OUTPUT, Served, get_single, until

ADDRESS = "127.0.7.3"
LAMP_READY, LAMP_ALARM = 0, 2
ASSEMBLY, IDENTITY = 4, 1
OWNED, IN_RUN = 0x01, 0x60


def outputs() -> bytes:
    value: bytes = get_single(ADDRESS, ASSEMBLY, OUTPUT, 3)
    return value


def status_word() -> int:
    return int.from_bytes(get_single(ADDRESS, IDENTITY, 1, 5), "little")


@pytest.fixture
def scanner(adapter: Served) -> Iterator[Scanner]:
    with scanner_at(ADDRESS) as scanner:
        yield scanner


@pytest.fixture
def owner(scanner: Scanner) -> Iterator[Scanner]:
    assert scanner.open() == 0
    scanner.connection.produce()
    yield scanner
    scanner.close()


def test_a_forward_open_is_granted_at_the_interval_asked_for(owner: Scanner) -> None:
    assert (owner.connection.otapi, owner.connection.toapi) == (10.0, 10.0)


def test_the_inputs_arrive_as_the_station_rests(owner: Scanner) -> None:
    assert until(lambda: owner.on, AT_REST_BITS) == AT_REST_BITS


def test_an_output_reaches_the_adapter(owner: Scanner) -> None:
    owner.outputs[LAMP_READY] = True
    assert until(outputs, b"\x01\x00") == b"\x01\x00"


def test_the_identity_tells_that_it_is_owned_and_runs(owner: Scanner) -> None:
    assert until(status_word, OWNED | IN_RUN) == OWNED | IN_RUN


def test_the_outputs_clear_after_a_forward_close(owner: Scanner) -> None:
    owner.outputs[LAMP_ALARM] = True
    reached = until(outputs, b"\x04\x00")
    closed = owner.close()
    assert (reached, closed, outputs(), status_word() & OWNED) == (b"\x04\x00", 0, b"\x00\x00", 0)


def test_the_outputs_clear_when_the_owner_falls_silent(scanner: Scanner) -> None:
    scanner.open()
    scanner.connection.produce()
    scanner.outputs[LAMP_ALARM] = True
    reached = until(outputs, b"\x04\x00")
    scanner.silence()
    assert (reached, until(outputs, b"\x00\x00")) == (b"\x04\x00", b"\x00\x00")


def test_a_second_owner_is_refused(owner: Scanner) -> None:
    with scanner_at(ADDRESS) as other:
        other.connection.conn_serial_num = 7
        assert other.open() == 0x106  # ownership conflict


def test_an_assembly_that_is_not_there_is_refused(scanner: Scanner) -> None:
    assert scanner.open(input_assembly=99) == 0x12B  # invalid producing application path


def test_the_adapter_can_be_opened_again(owner: Scanner) -> None:
    owner.close()
    again = owner.connection.sendFwdOpenReq(100, 150, 151, torpi=20, otrpi=20, multiplier=3)
    assert (again, owner.connection.toapi) == (0, 20.0)
