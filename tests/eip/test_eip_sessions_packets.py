"""Connected packets and the ListIdentity item: both ways, cut, with a tail, bent."""

from __future__ import annotations

import contextlib

import pytest
from eip_sessions import IDENTITY_DATA
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.cpf import (
    IdentityReply,
    Item,
    decode_connected,
    decode_identity_item,
    decode_unconnected,
    encode_connected,
    encode_items,
    encode_unconnected,
)
from bench.errors import RemoteError

u32 = st.integers(0, 2**32 - 1)


def test_a_connected_packet_byte_by_byte() -> None:
    # Layout as the open Wireshark dissector decodes it (packet-enip.c).
    expected = "00000000 0000 0200 A100 0400 78563412 B100 0400 0100 0E00"
    assert encode_connected(0x12345678, b"\x01\0\x0e\0") == bytes.fromhex(expected)


@given(u32, st.binary(min_size=2, max_size=600))
def test_connected_packets_come_back(connection_id: int, payload: bytes) -> None:
    assert decode_connected(encode_connected(connection_id, payload)) == (connection_id, payload)


@given(st.binary(max_size=60), st.lists(st.builds(Item, st.integers(0, 0xFFFF), st.binary(max_size=9))))
def test_unconnected_packets_come_back(message: bytes, extra: list[Item]) -> None:
    assert decode_unconnected(encode_unconnected(message, extra)) == (message, tuple(extra))


@given(st.binary(max_size=60))
def test_the_short_way_encodes_as_the_long_way(message: bytes) -> None:
    assert encode_unconnected(message) == bytes(6) + encode_items((Item(0), Item(0xB2, message)))


@pytest.mark.parametrize("cut", range(22))
def test_a_connected_packet_cut_anywhere(cut: int) -> None:
    with pytest.raises(RemoteError):
        decode_connected(encode_connected(5, b"\x01\0")[:cut])


def test_items_after_a_connected_message_are_passed_over() -> None:
    items = (Item(0xA1, b"\x05\0\0\0"), Item(0xB1, b"\x01\0m"), Item(0x8001, bytes(16)))
    assert decode_connected(bytes(6) + encode_items(items)) == (5, b"\x01\0m")


def test_an_identity_reply() -> None:
    assert decode_identity_item(IDENTITY_DATA) == IdentityReply(
        protocol_version=1,
        address="127.0.0.1",
        port=44818,
        vendor_id=0,
        device_type=12,
        product_code=7,
        major=2,
        minor=3,
        status=0x61,
        serial=0x0D1B0001,
        product_name="Bench I/O",
        state=3,
    )


@pytest.mark.parametrize("cut", range(len(IDENTITY_DATA)))
def test_an_identity_cut_anywhere(cut: int) -> None:
    with pytest.raises(RemoteError):
        decode_identity_item(IDENTITY_DATA[:cut])


def test_an_identity_with_a_tail() -> None:
    with pytest.raises(RemoteError, match="43 bytes for a product name of 9, got 44 bytes"):
        decode_identity_item(IDENTITY_DATA + b"\0")


def test_an_identity_without_a_name() -> None:
    data = IDENTITY_DATA[:32] + b"\0\xff"
    assert (decode_identity_item(data).product_name, decode_identity_item(data).state) == ("", 0xFF)


@given(st.integers(0, len(IDENTITY_DATA) - 1), st.integers(0, 255))
def test_a_bent_identity_is_read_or_refused(at: int, value: int) -> None:
    bent = bytearray(IDENTITY_DATA)
    bent[at] = value
    with contextlib.suppress(RemoteError):
        assert decode_identity_item(bytes(bent)).port in range(0x10000)


@given(st.binary(max_size=120))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    for decode in (decode_connected, decode_identity_item):
        with contextlib.suppress(RemoteError):
            decode(data)
