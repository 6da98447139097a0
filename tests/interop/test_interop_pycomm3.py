"""Explicit messages asked by the PyPI package pycomm3, and `bench probe`, which uses it."""

from __future__ import annotations

import pytest
from interop_serve import (
    AT_REST,
    CONFIGURATION,
    INPUT,
    OUTPUT,
    PRODUCT_NAME,
    SERIAL,
    Served,
    bench,
    get_single,
    until,
)
from pycomm3 import CIPDriver

ADDRESS = "127.0.7.1"
NOBODY = "127.0.7.19"
IDENTITY, ASSEMBLY, TCP_IP, ETHERNET_LINK = 0x01, 0x04, 0xF5, 0xF6
NAME = bytes((len(PRODUCT_NAME),)) + PRODUCT_NAME.encode()
SERIAL_BYTES = SERIAL.to_bytes(4, "little")
OWN_ADDRESS = bytes((1, 7, 0, 127))  # UDINT, little-endian
INTERFACE = OWN_ADDRESS + bytes((0, 0, 0, 255)) + bytes(14)
UNOWNED = b"\x30\x00"  # status word: no I/O connection


def test_list_identity_over_tcp(adapter: Served) -> None:
    listed = CIPDriver.list_identity(ADDRESS)
    assert listed == {
        "encap_protocol_version": 1,
        "ip_address": ADDRESS,
        "vendor": "UNKNOWN",
        "product_type": "Communications Adapter",
        "product_code": 1,
        "revision": {"major": 1, "minor": 1},
        "status": UNOWNED,
        "serial": f"{SERIAL:08x}",
        "product_name": PRODUCT_NAME,
        "state": 3,
    }


@pytest.mark.parametrize(
    ("class_id", "instance", "attribute", "value"),
    [
        pytest.param(IDENTITY, 1, 1, b"\x00\x00", id="vendor"),
        pytest.param(IDENTITY, 1, 2, b"\x0c\x00", id="device type"),
        pytest.param(IDENTITY, 1, 3, b"\x01\x00", id="product code"),
        pytest.param(IDENTITY, 1, 4, b"\x01\x01", id="revision"),
        pytest.param(IDENTITY, 1, 5, UNOWNED, id="status word"),
        pytest.param(IDENTITY, 1, 6, SERIAL_BYTES, id="serial"),
        pytest.param(IDENTITY, 1, 7, NAME, id="product name"),
        pytest.param(TCP_IP, 1, 5, INTERFACE, id="interface configuration"),
        pytest.param(ETHERNET_LINK, 1, 1, b"\x64\x00\x00\x00", id="link speed in Mbit/s"),
        pytest.param(ETHERNET_LINK, 1, 3, b"\x02\x00" + SERIAL.to_bytes(4, "big"), id="physical address"),
        pytest.param(ASSEMBLY, INPUT, 4, b"\x02\x00", id="input size"),
        pytest.param(ASSEMBLY, OUTPUT, 4, b"\x02\x00", id="output size"),
        pytest.param(ASSEMBLY, OUTPUT, 3, b"\x00\x00", id="outputs without an owner"),
        pytest.param(ASSEMBLY, CONFIGURATION, 3, b"", id="configuration"),
    ],
)
def test_get_attribute_single(
    adapter: Served, class_id: int, instance: int, attribute: int, value: bytes
) -> None:
    assert get_single(ADDRESS, class_id, instance, attribute) == value


def test_the_input_assembly_holds_the_rest_state(adapter: Served) -> None:
    assert until(lambda: get_single(ADDRESS, ASSEMBLY, INPUT, 3), AT_REST) == AT_REST


@pytest.mark.parametrize(
    ("class_id", "value"),
    [
        (IDENTITY, bytes(2) + b"\x0c\x00\x01\x00\x01\x01" + UNOWNED + SERIAL_BYTES + NAME),
        (TCP_IP, b"\x01" + bytes(11) + b"\x02\x00\x20\xf6\x24\x01" + INTERFACE + bytes(2)),
        (ETHERNET_LINK, b"\x64\x00\x00\x00\x0f\x00\x00\x00\x02\x00" + SERIAL.to_bytes(4, "big")),
    ],
)
def test_get_attributes_all(adapter: Served, class_id: int, value: bytes) -> None:
    with CIPDriver(ADDRESS) as driver:
        reply = driver.generic_message(0x01, class_id, 1, connected=False)
    assert bytes(reply.value).startswith(value)  # counters and the group follow


@pytest.mark.parametrize(
    ("class_id", "instance", "attribute", "words"),
    [
        pytest.param(0x66, 1, 1, "Destination unknown", id="class"),
        pytest.param(ASSEMBLY, 77, 3, "Object does not exist", id="instance"),
        pytest.param(IDENTITY, 1, 99, "Attribute not supported", id="attribute"),
    ],
)
def test_what_is_not_there_is_refused(
    adapter: Served, class_id: int, instance: int, attribute: int, words: str
) -> None:
    with CIPDriver(ADDRESS) as driver:
        reply = driver.generic_message(0x0E, class_id, instance, attribute, connected=False)
    assert words.lower() in str(reply.error).lower()


def test_probe_prints_who_it_is(adapter: Served) -> None:
    done = bench("probe", ADDRESS)
    wanted = [PRODUCT_NAME, "0x0D1B0001", "0d1b0001", "1.1", "0x0030", ADDRESS]
    assert (done.returncode, done.stderr, [w for w in wanted if w not in done.stdout]) == (0, "", [])


def test_probe_says_that_nobody_answers() -> None:
    done = bench("probe", NOBODY)
    assert (done.returncode, done.stdout, NOBODY in done.stderr, done.stderr.count("\n")) == (2, "", True, 1)
