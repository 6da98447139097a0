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


ADVICE = "this adapter has port 2 (EtherNet/IP) and nothing behind it: send the message without a route"
PLAIN = {"route_path": [], "send_path": ""}
PATHS = ["@0x01/1/1", "@0x01/1/7", "@0x01/1/99", "@0x04/150/3"]
NAME_BYTES = [len(PRODUCT_NAME), *PRODUCT_NAME.encode()]


@pytest.fixture
def connection(adapter: Served) -> Iterator[Any]:
    from cpppo.server.enip import client

    with client.connector(host=ADDRESS, timeout=5) as opened:
        yield opened


def values(connection: Any, paths: list[str], multiple: int = 0, **route: Any) -> list[Any]:
    """Of each path its value, or the general status of the refusal."""
    from cpppo.server.enip.get_attribute import attribute_operations

    asked = attribute_operations(paths, **route)
    return [
        value if status == 0 else status
        for _, _, _, _, status, value in connection.operate(asked, multiple=multiple, timeout=5)
    ]


def test_its_own_route_path_is_refused_in_words(connection: Any, adapter: Served) -> None:
    connection.get_attribute_single("@0x01/1/1", timeout=5)  # goes to slot 0 of a backplane
    from cpppo.server.enip import client

    answer, _ = client.await_response(connection, timeout=5)
    refusal = answer.enip.CIP.send_data.CPF.item[1].unconnected_send.request
    assert (refusal.status, refusal.status_ext.data, adapter.says(ADVICE)) == (1, [0x311], True)


@pytest.mark.parametrize(
    "route",
    [
        pytest.param(PLAIN, id="plain"),
        pytest.param({"route_path": [], "send_path": "@6/1"}, id="wrapped for ourselves"),
    ],
)
def test_without_a_route_path_it_works(connection: Any, route: dict[str, Any]) -> None:
    assert values(connection, PATHS, **route) == [[0, 0], NAME_BYTES, 0x14, [0, 0]]


def test_several_services_in_one_message(connection: Any) -> None:
    paths = PATHS[:2] * 4
    assert values(connection, paths, multiple=400, **PLAIN) == [[0, 0], NAME_BYTES] * 4


def test_one_bad_service_in_a_message_is_told(connection: Any) -> None:
    from cpppo.server.enip.client import MSVCStatusError

    with pytest.raises(MSVCStatusError, match="status: 0x1e"):  # embedded service error
        values(connection, PATHS, multiple=400, **PLAIN)


def test_a_list_of_attributes(connection: Any) -> None:
    from cpppo.server.enip import client

    connection.service_code(code=3, path="@0x01/1", data=[2, 0, 1, 0, 6, 0], timeout=5, **PLAIN)
    answer, _ = client.await_response(connection, timeout=5)
    reply = answer.enip.CIP.send_data.CPF.item[1].unconnected_send.request
    serial = [SERIAL & 0xFFFF, SERIAL >> 16]
    assert (reply.status, list(reply.get_attribute_list.data)) == (0, [2, 1, 0, 0, 6, 0, *serial])
