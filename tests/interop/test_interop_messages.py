"""Connected messages (class 3) and wrapped ones, asked by the PyPI package pycomm3."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from interop_serve import INPUT, PRODUCT_NAME, Served
from pycomm3 import CIPDriver, ResponseError

ADDRESS = "127.0.7.21"
GET_ALL, GET_LIST, GET_SINGLE, SET_SINGLE, MULTIPLE = 0x01, 0x03, 0x0E, 0x10, 0x0A
ROUTER, IDENTITY, ASSEMBLY = 0x02, 0x01, 0x04
NAME = bytes((len(PRODUCT_NAME),)) + PRODUCT_NAME.encode()
LOOPBACK_ONLY = f"this adapter is {ADDRESS} and forwards nothing"
NO_PORT = "this adapter has port 2 (EtherNet/IP) and nothing behind it: send the message without a route"


@contextmanager
def driver(large: bool = True, size: int = 4000, route: str = "") -> Iterator[CIPDriver]:
    """A session; its first connected message opens the class 3 connection."""
    with CIPDriver(ADDRESS + route) as opened:
        opened._cfg["extended forward open"] = large
        opened._cfg["connection_size"] = size
        yield opened


@pytest.fixture
def session(adapter: Served) -> Iterator[CIPDriver]:
    with driver() as opened:
        yield opened


def name(session: CIPDriver, **options: Any) -> tuple[object, str | None]:
    reply = session.generic_message(GET_SINGLE, IDENTITY, 1, 7, **options)
    return reply.value, reply.error


@pytest.mark.parametrize(("large", "size"), [(False, 500), (True, 500), (True, 4000)])
def test_a_connected_message_is_answered(adapter: Served, large: bool, size: int) -> None:
    with driver(large, size) as session:
        answers = [name(session) for _ in range(3)]
        assert (session._target_is_connected, answers) == (True, [(NAME, None)] * 3)


def test_a_connected_message_that_is_refused_leaves_the_connection_open(session: CIPDriver) -> None:
    refused = session.generic_message(GET_SINGLE, IDENTITY, 1, 99).error
    assert (refused, name(session)) == ("Attribute not supported", (NAME, None))


def test_connections_come_and_go(adapter: Served) -> None:
    for _ in range(3):
        with driver() as first, driver() as second:
            answers = name(first), name(second)
            assert answers == ((NAME, None), (NAME, None))


def test_the_same_triad_again_is_refused(session: CIPDriver, adapter: Served) -> None:
    name(session)
    with driver() as twin:
        twin._cfg.update({key: session._cfg[key] for key in ("csn", "vid", "vsn")})
        with pytest.raises(ResponseError, match="did not connect"):
            name(twin)
    assert adapter.says("0x0100")


def test_a_list_of_attributes(session: CIPDriver) -> None:
    reply = session.generic_message(GET_LIST, IDENTITY, 1, request_data=bytes.fromhex("0300 0200 6300 0700"))
    answers = (b"\x02\x00\x00\x00\x0c\x00", b"\x63\x00\x14\x00", b"\x07\x00\x00\x00" + NAME)
    assert (reply.error, reply.value) == ("Attribute list error", b"\x03\x00" + b"".join(answers))


def test_several_services_in_one_message(session: CIPDriver) -> None:
    one, other = bytes.fromhex("0e03 2001 2401 3007"), bytes.fromhex("0e03 2001 2401 3002")
    request = bytes.fromhex("0200 0600 0e00") + one + other
    reply = session.generic_message(MULTIPLE, ROUTER, 1, request_data=request)
    first, second = b"\x8e\x00\x00\x00" + NAME, b"\x8e\x00\x00\x00\x0c\x00"
    at = (6).to_bytes(2, "little") + (6 + len(first)).to_bytes(2, "little")
    assert (reply.error, reply.value) == (None, b"\x02\x00" + at + first + second)


def test_inputs_are_not_set(session: CIPDriver) -> None:
    reply = session.generic_message(SET_SINGLE, ASSEMBLY, INPUT, 3, request_data=b"\xff\xff")
    assert reply.error == "Attribute not settable"


@pytest.mark.parametrize("route", [True, f"2/{ADDRESS}"])
def test_a_message_wrapped_for_ourselves_is_opened(session: CIPDriver, route: bool | str) -> None:
    assert name(session, connected=False, unconnected_send=True, route_path=route) == (NAME, None)


@pytest.mark.parametrize(
    ("route", "words", "told"),
    [
        (False, "Unconnected send parameter error", "Unconnected_Send"),  # it leaves the route out
        ("bp/0", "Port not available", NO_PORT),
        ("bp/17", "Port not available", NO_PORT),
        ("2/127.0.0.1", "Link address not available", LOOPBACK_ONLY),
    ],
)
def test_a_message_for_elsewhere_is_refused_in_words(
    session: CIPDriver, adapter: Served, route: str | bool, words: str, told: str
) -> None:
    _, error = name(session, connected=False, unconnected_send=True, route_path=route)
    assert (words in str(error), adapter.says(told)) == (True, True)


def test_a_connection_through_a_backplane_is_refused_in_words(adapter: Served) -> None:
    with driver(route="/bp/0") as session, pytest.raises(ResponseError, match="did not connect"):
        name(session)
    assert adapter.says("sent a path with 1 port segment(s); this adapter has nothing behind it")
