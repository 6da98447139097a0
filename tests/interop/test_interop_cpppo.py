"""The PyPI package cpppo asks: another encoder and another decoder of the same messages."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from interop_serve import AT_REST, EXPLICIT_PORT, PRODUCT_NAME, SERIAL, Served, until

ADDRESS = "127.0.7.2"


@pytest.fixture
def device(adapter: Served) -> Iterator[Any]:
    from cpppo.server.enip.get_attribute import proxy_simple

    via = proxy_simple(ADDRESS)  # a device that routes nowhere: no route path, no send path
    yield via
    via.close_gateway()


def test_list_identity_over_tcp(device: Any) -> None:
    listed = device.list_identity()
    wanted = (PRODUCT_NAME, SERIAL, 12, ADDRESS, EXPLICIT_PORT)
    fields = ("product_name", "serial_number", "device_type", "sin_addr", "sin_port")
    assert tuple(listed[field] for field in fields) == wanted


def test_list_identity_over_udp(adapter: Served) -> None:
    from cpppo.server.enip import client

    with client.client(host=ADDRESS, udp=True) as connection:
        connection.list_identity(timeout=5)
        answer, _ = client.await_response(connection, timeout=5)
    listed = answer.enip.CIP.list_identity.CPF.item[0].identity_object
    assert (listed.product_name, listed.serial_number) == (PRODUCT_NAME, SERIAL)


def test_list_services(adapter: Served) -> None:
    from cpppo.server.enip import client

    with client.client(host=ADDRESS) as connection:
        connection.list_services(timeout=5)
        answer, _ = client.await_response(connection, timeout=5)
    (item,) = answer.enip.CIP.list_services.CPF.item
    assert (item.communications_service.service_name, item.communications_service.capability) == (
        "Communications",
        0x120,  # CIP over TCP, class 0 and 1 over UDP
    )


@pytest.mark.parametrize(
    ("path", "kind", "value"),
    [
        ("@0x01/1/1", "UINT", [0]),
        ("@0x01/1/6", "UDINT", [SERIAL]),
        ("@0x01/1/7", "SSTRING", [PRODUCT_NAME]),
        ("@0xF5/1/1", "UDINT", [1]),
        ("@0xF6/1/1", "UDINT", [100]),
        ("@0x04/150/3", "USINT", [0, 0]),
    ],
)
def test_get_attribute_single(device: Any, path: str, kind: str, value: list[Any]) -> None:
    assert list(device.read([(path, kind)])) == [value]


def test_the_input_assembly_holds_the_rest_state(device: Any) -> None:
    read = lambda: list(device.read([("@0x04/100/3", "USINT")]))  # noqa: E731
    assert until(read, [list(AT_REST)]) == [list(AT_REST)]


def test_an_attribute_that_is_not_there_is_refused(device: Any) -> None:
    assert list(device.read([("@0x01/1/99", "UINT")])) == [None]
