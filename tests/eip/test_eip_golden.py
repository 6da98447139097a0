"""Bytes put together by hand from the field layouts that the open Wireshark dissector decodes."""

from __future__ import annotations

from eip_link import OPEN, Client, Link

from bench.eip.cpf import Item, decode_items, encode_items, encode_sockaddr, encode_unconnected
from bench.eip.cyclic import RUN, decode_cyclic, encode_cyclic
from bench.eip.encapsulation import Command, Frame, decode_datagram
from bench.eip.epath import ElectronicKey, Kind, Logical, encode_path
from bench.eip.forward_open import ForwardClose, ForwardOpen, NetworkParameters, OpenReply, rpi_words
from bench.eip.message import Response, encode_request, encode_response


def by_hand(*parts: str) -> bytes:
    return bytes.fromhex("".join(parts))


OPEN_BYTES = by_hand(
    "0A 05",  # priority and tick, ticks
    "00000000 01000100",  # O->T id, T->O id
    "0100 0000 63000000",  # connection serial, vendor, originator serial
    "00 000000",  # x4, reserved
    "10270000 2648",  # O->T 10 000 us, point to point, scheduled, fixed, 38 bytes
    "10270000 2248",  # T->O 10 000 us, 34 bytes
    "01 04",  # class 1 cyclic, path of 4 words
    "2004 2497 2C96 2C64",
)


def test_register_session_request() -> None:
    frame = Frame(Command.REGISTER_SESSION, context=b"\x01\x02\x03\x04\x05\x06\x07\x08", data=b"\x01\0\0\0")
    expected = by_hand("6500 0400 00000000 00000000 0102030405060708 00000000", "0100 0000")
    assert frame.encode() == expected


def test_datagram_of_list_identity() -> None:
    data = by_hand("6300 0000 00000000 00000000 0000000000000000 00000000")
    assert decode_datagram(data) == Frame(Command.LIST_IDENTITY)


def test_packet_items() -> None:
    data = by_hand("0200", "0000 0000", "B200 0300 010203")
    assert encode_items((Item(0), Item(0xB2, b"\x01\x02\x03"))) == data
    assert decode_items(data) == (Item(0), Item(0xB2, b"\x01\x02\x03"))


def test_unconnected_data() -> None:
    expected = by_hand("00000000 0000", "0200", "0000 0000", "B200 0200 0E00")
    assert encode_unconnected(b"\x0e\x00") == expected


def test_socket_address_is_big_endian() -> None:
    assert encode_sockaddr("192.168.1.10", 2222) == by_hand("0002 08AE C0A8010A 0000000000000000")


def test_attribute_path_and_request() -> None:
    path = encode_path((Logical(Kind.CLASS, 1), Logical(Kind.INSTANCE, 0x1234), Logical(Kind.ATTRIBUTE, 7)))
    assert encode_request(0x0E, path) == by_hand("0E 04", "2001", "25003412", "3007")


def test_electronic_key() -> None:
    key = ElectronicKey(vendor_id=1, device_type=12, product_code=3, major=2, minor=5, compatible=True)
    assert encode_path((key,)) == by_hand("3404 0100 0C00 0300 82 05")


def test_forward_open() -> None:
    assert OPEN.encode() == OPEN_BYTES
    assert ForwardOpen.decode(OPEN_BYTES) == OPEN


def test_network_parameters_of_a_capture() -> None:
    # 0x481A and 0x281A, both seen in a public capture: 26 bytes, scheduled, fixed
    point_to_point = NetworkParameters.decode(0x481A, large=False)
    multicast = NetworkParameters.decode(0x281A, large=False)
    assert (point_to_point, multicast) == (NetworkParameters(26, 2, 2), NetworkParameters(26, 1, 2))


def test_large_network_parameters() -> None:
    assert NetworkParameters(1000, 2, 2).encode(large=True) == 0x480003E8


def test_forward_open_reply() -> None:
    reply = OpenReply(0x00010002, 0x00010001, (1, 0, 99), 10_000, 20_000)
    expected = by_hand("02000100 01000100", "0100 0000 63000000", "10270000 204E0000", "00 00")
    assert reply.encode() == expected


def test_forward_close() -> None:
    expected = by_hand("0A 05", "0100 0000 63000000", "02 00", "2004 2497")
    assert ForwardClose(1, 0, 99, by_hand("2004 2497")).encode() == expected


def test_size_error_response() -> None:
    response = Response(0x01, (0x127, 38), b"\xaa")
    assert encode_response(0x54, response) == by_hand("D4 00 01 02", "2701 2600", "AA")


def test_acceptable_packet_intervals() -> None:
    assert rpi_words(2, 2000, 0, 10_000) == (0x0002, 2000, 0, 10_000, 0)


def test_cyclic_frame_with_run_word() -> None:
    data = by_hand(
        "0200", "0280 0800 02000100 05000000", "B100 0800", "0700", "01000000", "AABB"
    )  # count 7, run, two bytes
    assert encode_cyclic(0x00010002, 5, 7, RUN + b"\xaa\xbb") == data
    assert decode_cyclic(data) == (0x00010002, 5, 7, RUN + b"\xaa\xbb")


def test_identity_of_the_adapter_over_udp() -> None:
    client = Client(Link().adapter)
    (answer,) = client.datagram(Frame(Command.LIST_IDENTITY).encode())
    expected = by_hand(
        "0100 0C00 2B00",  # one item, identity, 43 bytes
        "0100",  # version
        "0002 AF12 7F000001 0000000000000000",  # socket address
        "0000 0C00 0700 02 03 3000 01001B0D",  # vendor, type, product, revision, status, serial
        "09 42656E636820492F4F 03",  # name, state
    )
    assert answer[24:] == expected


def test_services_of_the_adapter() -> None:
    (frame,) = Client(Link().adapter).send(Frame(Command.LIST_SERVICES).encode())
    expected = by_hand("0100", "0001 1400", "0100 2001", "436F6D6D756E69636174696F6E73 0000")
    assert frame.data == expected
