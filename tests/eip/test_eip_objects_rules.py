"""The objects, one row a rule: a request and the reply as the published layouts have it.

Layouts: the open Wireshark dissector (packet-cip.c, packet-enip.c), which also decodes them in
test_eip_objects_dissected. Statuses: its cip.genstat. Where no source is named: common practice.
"""

from __future__ import annotations

import pytest
from eip_objects_device import Desk
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import RemoteError


@pytest.fixture
def desk() -> Desk:
    return Desk()


def words(*numbers: int) -> str:
    return b"".join(number.to_bytes(2, "little") for number in numbers).hex()


def same(reply: bytes, expected: str) -> tuple[str, str]:
    return reply.hex(" "), bytes.fromhex(expected).hex(" ")


READ = [
    # Identity: vendor, type, product, revision, status word, serial, name, state
    ("0E 03 2001 2400 3001", "0100"),
    ("0E 03 2001 2400 3002", "0100"),
    ("0E 03 2001 2400 3003", "0100"),
    ("0E 03 2001 2401 3001", "0000"),
    ("0E 03 2001 2401 3002", "0C00"),
    ("0E 03 2001 2401 3003", "0700"),
    ("0E 03 2001 2401 3004", "02 03"),
    ("0E 03 2001 2401 3005", "3000"),
    ("0E 03 2001 2401 3006", "01001B0D"),
    ("0E 03 2001 2401 3007", "09 42656E636820492F4F"),
    ("0E 03 2001 2401 3008", "03"),
    ("0E 06 21000100 25000100 31000600", "01001B0D"),  # the 16-bit forms a captured client uses
    ("01 02 2001 2401", "0000 0C00 0700 0203 3000 01001B0D 09 42656E636820492F4F"),
    # Message Router: classes, connections there may be (128 + 32) and there are
    ("0E 03 2002 2401 3001", "0800 0100 0200 0400 0600 4800 F400 F500 F600"),
    ("0E 03 2002 2401 3002", "A000"),
    ("0E 03 2002 2401 3003", "0000"),
    # Assembly: data and size; heartbeat points are there and empty
    ("0E 03 2004 2400 3001", "0200"),
    ("0E 03 2004 2400 3002", "9900"),
    ("0E 03 2004 2400 3003", "0500"),
    ("0E 03 2004 2464 3003", "0A0B0C0D"),
    ("0E 03 2004 2464 3004", "0400"),
    ("0E 03 2004 2C64 3003", "0A0B0C0D"),
    ("0E 03 2004 2496 3003", "0000"),
    ("0E 03 2004 2497 3003", "010203"),
    ("0E 03 2004 2497 3004", "0300"),
    ("0E 03 2004 2498 3003", ""),
    ("0E 03 2004 2499 3004", "0000"),
    # Connection Manager counters
    ("0E 03 2006 2401 3001", "0000"),
    ("0E 03 2006 2401 3008", "0000"),
    # TCP/IP Interface: addresses little-endian as UDINT; 10.1.2.37/24 is host 37, group 239.192.5.128,
    # the group a device at .36 of a public capture would have one below
    ("0E 03 20F5 2400 3001", "0400"),
    ("0E 03 20F5 2401 3001", "01000000"),
    ("0E 03 20F5 2401 3002", "00000000"),
    ("0E 03 20F5 2401 3003", "00000000"),
    ("0E 03 20F5 2401 3004", "0200 20F62401"),
    ("0E 03 20F5 2401 3005", "2502010A 00FFFFFF 0102010A 00000000 00000000 0000"),
    ("0E 03 20F5 2401 3006", "0700 646962626C6572 00"),
    ("0E 03 20F5 2401 3008", "01"),
    ("0E 03 20F5 2401 3009", "00 00 0100 8005C0EF"),
    ("0E 03 20F5 2401 300A", "00"),
    ("0E 03 20F5 2401 300D", "7800"),
    # Ethernet Link
    ("0E 03 20F6 2400 3001", "0400"),
    ("0E 03 20F6 2401 3001", "64000000"),
    ("0E 03 20F6 2401 3002", "0F000000"),
    ("0E 03 20F6 2401 3003", "02000D1B0001"),
    ("0E 03 20F6 2401 3004", "00" * 44),
    ("0E 03 20F6 2401 3006", "0100 0000"),
    ("0E 03 20F6 2401 3007", "00"),
    ("0E 03 20F6 2401 3008", "01"),
    ("0E 03 20F6 2401 3009", "01"),
    ("0E 03 20F6 2401 300A", "05 4554482031"),
    ("0E 03 20F6 2401 300B", "02000000 01 6400 01"),
    # QoS defaults as the open adapter libraries have them: 55, 47, 43, 31, 27
    ("0E 03 2048 2400 3001", "0100"),
    ("0E 03 2048 2401 3001", "00"),
    ("0E 03 2048 2401 3004", "37"),
    ("0E 03 2048 2401 3005", "2F"),
    ("0E 03 2048 2401 3006", "2B"),
    ("0E 03 2048 2401 3007", "1F"),
    ("0E 03 2048 2401 3008", "1B"),
    # Port: the one request comes in by, all of them, and the one
    ("0E 03 20F4 2400 3001", "0200"),
    ("0E 03 20F4 2400 3008", "0100"),
    ("0E 03 20F4 2400 3009", "00000000 0400 0200"),
    ("01 02 20F4 2400", "0200 0100 0100 0100 00000000 0400 0200"),
    ("0E 03 20F4 2401 3001", "0400"),
    ("0E 03 20F4 2401 3002", "0200"),
    ("0E 03 20F4 2401 3003", "0200 20F52401"),
    ("0E 03 20F4 2401 3004", "05 4554482031"),
    ("0E 03 20F4 2401 3007", "12 09 31302E312E322E3337 00"),
    ("01 02 20F4 2401", "0400 0200 0200 20F52401 05 4554482031 12 09 31302E312E322E3337 00"),
    # Attribute lists: number, status, value each
    ("03 02 2001 2401 0200 0300 0400", "0200 0300 0000 0700 0400 0000 0203"),
    ("03 02 2001 2400 0100 0100", "0100 0100 0000 0100"),
    ("03 02 20F5 2401 0000", "0000"),
]


@pytest.mark.parametrize(("request_", "data"), READ, ids=[request for request, _ in READ])
def test_what_can_be_read(desk: Desk, request_: str, data: str) -> None:
    service = int(request_[:2], 16) | 0x80
    assert same(desk.ask(request_), f"{service:02X} 00 00 00 {data}")


REFUSED = [
    (
        "0E 03 2037 24C8 3004",
        0x05,
        "asked for class 0x37; this adapter has 0x01, 0x02, 0x04, 0x06, 0x48, 0xF4",
    ),
    ("0E 04 21000901 2401 3001", 0x05, "class 0x109"),
    ("0E 03 2001 2402 3001", 0x16, "instance 2 of Identity; it has 1"),
    ("0E 03 2004 2405 3003", 0x16, "instance 5 of Assembly; it has 100, 150, 151, 152, 153"),
    ("0E 03 2001 2401 3063", 0x14, "attribute 99 of Identity instance 1; it has 1, 2, 3, 4, 5, 6, 7, 8"),
    ("0E 03 20F5 2401 3007", 0x14, "attribute 7 of TCP/IP Interface instance 1; it has 1, 2, 3, 4, 5, 6, 8"),
    ("0E 03 20F6 2401 3005", 0x14, "attribute 5"),
    ("0E 02 2001 2401", 0x14, "asked for no attribute"),
    ("0E 03 2001 2400 3009", 0x14, "instance 0 (the class itself); it has 1, 2, 3"),
    ("01 02 2001 2400", 0x08, "service 0x01 of Identity instance 0 (the class itself); it offers 0x03, 0x0E"),
    ("01 02 2002 2401", 0x08, "Message Router instance 1; it offers 0x03, 0x0A, 0x0E"),
    ("01 02 2006 2401", 0x08, "Connection Manager instance 1; it offers 0x03, 0x0E, 0x4E, 0x54"),
    ("54 02 2006 2400", 0x08, "service 0x54 of Connection Manager instance 0"),
    ("01 02 2048 2401", 0x08, "QoS"),
    ("10 03 2001 2401 3001 0100", 0x08, "service 0x10 of Identity instance 1; it offers 0x01, 0x03, 0x0E"),
    ("05 02 2001 2401", 0x08, "service 0x05 of Identity instance 1; this adapter is not reset over the"),
    ("8E 03 2001 2401 3001", 0x08, "service 0x8E"),
    ("0E 02 0900 2401", 0x04, "segment"),
    ("0E 05 2001 2401 3001", 0x04, "10 bytes"),
    ("0E 01 2401", 0x04, "a class segment"),
    ("0E 03 2401 2001 3001", 0x04, "class, instance, attribute in this order, each once, got class after"),
    ("0E 04 2001 2401 2401 3001", 0x04, "instance after instance"),
    ("0E 04 2004 2464 3003 2801", 0x04, "attribute or key segments, got a member segment (1)"),
    ("0E 08 3404 0500 0000 0000 0000 2001 2401 3001", 0x25, "vendor 5; this adapter's vendor id is 0"),
    ("0E 08 3404 0000 2B00 0000 0000 2001 2401 3001", 0x25, "device type 43"),
    ("0E 08 3404 0000 0000 0000 0204 2001 2401 3001", 0x25, "revision 2.4; this adapter's is 2.3"),
    ("10 03 2004 2464 3003 00000000", 0x0E, "input assembly 100; its data is produced"),
    ("10 03 2004 2496 3003 0000", 0x0E, "written over a connection; the station file may allow messages"),
    ("10 03 2004 2498 3003", 0x0E, "heartbeat point"),
    ("10 03 2004 2464 3004 0000", 0x0E, "attribute 4 of Assembly instance 100, which is only read; settable"),
    ("10 03 2004 2464 3005 00", 0x14, "attribute 5 of Assembly instance 100; it has 3, 4"),
    ("10 02 2004 2464 00", 0x14, "no attribute of Assembly"),
    ("10 03 2004 2497 3003 0102", 0x13, "sent 2 bytes for configuration assembly 151; it takes 3"),
    ("10 03 2004 2497 3003 01020300", 0x15, "sent 4 bytes for configuration assembly 151; it takes 3"),
    ("10 03 2004 2497 3003 010903", 0x09, "0x09 at byte 1; assembly 151 of this station expects 0x02 there"),
    (
        "10 03 20F5 2401 3005 00",
        0x0E,
        "attribute 5 of TCP/IP Interface instance 1, which is only read; settab",
    ),
    ("10 03 20F5 2401 3008 02", 0x0E, "settable there: 13"),
    ("10 03 20F5 2401 300D 78", 0x13, "sent 1 bytes for the encapsulation inactivity timeout; it takes 2"),
    ("10 03 20F5 2401 300D 780000", 0x15, "it takes 2"),
    ("10 03 20F5 2401 300D 110E", 0x09, "3601 s; expected 0 (off) to 3600"),
    ("10 03 2048 2401 3001 01", 0x0E, "settable there: 4, 5, 6, 7, 8"),
    ("10 03 2048 2401 3004 40", 0x09, "the DSCP of urgent traffic of 64; expected 0 to 63"),
    ("10 03 2048 2401 3008", 0x13, "sent 0 bytes for the DSCP of explicit traffic; it takes 1"),
    ("10 03 2048 2401 3005 0000", 0x15, "it takes 1"),
    ("03 02 2001 2401", 0x13, "a count of attributes, 2 bytes, got 0 bytes"),
    ("03 02 2001 2401 0200 0100", 0x13, "6 bytes for 2 attributes, got 4"),
    ("03 02 2001 2401 0100 0100 0200", 0x15, "4 bytes for 1 attributes, got 6"),
    ("0A 02 2002 2401", 0x13, "a count of requests"),
    ("0A 02 2002 2401 0000", 0x20, "1 request or more, got 0"),
    ("0A 02 2002 2401 0200 0600", 0x13, "6 bytes for 2 offsets"),
    ("0A 02 2002 2401 0100 0600 0000 0E00", 0x20, "offset 1 of 1 in the Multiple Service Packet: expected 4"),
    ("0A 02 2002 2401 0200 0600 0700 0E00 0E00", 0x20, "offset 2 of 2 in the Multiple Service Packet"),
    ("0A 02 2002 2401 0200 0600 0900 0E00 0E00", 0x20, "expected 8 to 8, got 9"),
    ("0A 02 2006 2401", 0x08, "service 0x0A of Connection Manager"),
]


@pytest.mark.parametrize(("request_", "status", "told"), REFUSED, ids=[request for request, *_ in REFUSED])
def test_what_is_refused_and_in_which_words(desk: Desk, request_: str, status: int, told: str) -> None:
    service = int(request_[:2], 16) | 0x80
    reply = desk.ask(request_)
    assert (reply.hex(), desk.sentence if told not in desk.sentence else told) == (
        bytes((service, 0, status, 0)).hex(),
        told,
    )


def test_what_no_service_can_be_read_from_has_no_reply(desk: Desk) -> None:
    with pytest.raises(RemoteError, match="2 bytes, got 1") as caught:
        desk.ask("0E")
    assert caught.value.status is None


def test_a_missing_attribute_in_a_list_does_not_stop_the_others(desk: Desk) -> None:
    reply = desk.ask("03 02 2001 2401 0300 0100 6300 0300")
    assert same(reply, "83 00 0A 00 0300 0100 0000 0000 6300 1400 0300 0000 0700")
    assert desk.sentence.startswith("asked for attributes 99 of Identity instance 1; it has 1, 2")


def test_all_of_the_interface_with_zeros_for_what_it_lacks(desk: Desk) -> None:
    expected = (
        "01000000 00000000 00000000 0200 20F62401"
        "2502010A 00FFFFFF 0102010A 00000000 00000000 0000"
        "0700 646962626C6572 00" + "00" * 6 + "01" + "00 00 0100 8005C0EF" + "00" + "00" * 35 + "00" + "7800"
    )
    assert same(desk.ask("01 02 20F5 2401"), "81000000" + expected)


def test_all_of_the_link_with_zeros_for_the_media_counters(desk: Desk) -> None:
    expected = (
        "64000000 0F000000 02000D1B0001" + "00" * 44 + "00" * 48 + "0100 0000 00 01 01"
        "05 4554482031 02000000 01 6400 01"
    )
    assert same(desk.ask("01 02 20F6 2401"), "81000000" + expected)


def test_status_word_state_and_images_are_read_as_they_stand(desk: Desk) -> None:
    desk.device.status_word, desk.device.state = 0x0461, 4
    desk.device.inputs, desk.device.open_connections = b"\x01\x02\x03\x04", 2
    asked = ("2001 2401 3005", "2001 2401 3008", "2004 2464 3003", "2002 2401 3003")
    assert [desk.ask(f"0E 03 {path}")[4:].hex() for path in asked] == ["6104", "04", "01020304", "0200"]


def test_manager_counters_stand_in_their_order_and_wrap(desk: Desk) -> None:
    counters = desk.device.manager_counters
    for value, name in enumerate(type(counters).__slots__, 1):
        setattr(counters, name, value)
    counters.open_requests = 0x1_0002
    read = [desk.ask(f"0E 03 2006 2401 30{number:02X}")[4:].hex() for number in range(1, 9)]
    assert read == ["0200", "0200", "0300", "0400", "0500", "0600", "0700", "0800"]


def test_link_counters_stand_in_their_order_and_wrap(desk: Desk) -> None:
    counters = desk.device.link_counters
    for value, name in enumerate(type(counters).__slots__, 1):
        setattr(counters, name, value)
    counters.in_octets = 0x1_0000_0005
    data = desk.ask("0E 03 20F6 2401 3004")[4:]
    assert [int.from_bytes(data[at : at + 4], "little") for at in range(0, 44, 4)] == [5, *range(2, 12)]


def test_the_inactivity_timeout_is_taken_at_once(desk: Desk) -> None:
    reply = desk.hex("10 03 20F5 2401 300D 100E")
    assert (reply, desk.device.settings.inactivity_s) == ("90 00 00 00", 3600)


def test_a_code_point_is_read_back_and_used_after_the_next_start(desk: Desk) -> None:
    settings = desk.device.settings
    desk.ask("10 03 2048 2401 3005 2E")
    sentence = desk.sentence
    seen = [desk.ask("0E 03 2048 2401 3005")[4], settings.dscp[5]]
    settings.start()
    told = "set the DSCP of scheduled traffic to 46; 47 is in use until the adapter starts again"
    assert (sentence, seen, settings.dscp[5], settings.pending_dscp) == (told, [46, 47], 46, {})


def test_outputs_nobody_owns_are_set_where_the_station_allows_it() -> None:
    desk = Desk(settable_outputs=True)
    reply = desk.hex("10 03 2004 2496 3003 BEEF")
    assert (reply, desk.device.outputs.hex()) == ("90 00 00 00", "beef")


@pytest.mark.parametrize(("data", "status", "told"), [("BE", 0x13, "takes 2"), ("BEEFBE", 0x15, "takes 2")])
def test_settable_outputs_take_their_size_only(data: str, status: int, told: str) -> None:
    desk = Desk(settable_outputs=True)
    reply = desk.ask(f"10 03 2004 2496 3003 {data}")
    assert (reply[2], desk.device.outputs, told in desk.sentence) == (status, b"\0\0", True)


def test_owned_outputs_are_the_owners_alone() -> None:
    desk = Desk(settable_outputs=True)
    desk.device.owned = True
    reply = desk.ask("10 03 2004 2496 3003 BEEF")
    assert (reply[2], desk.device.outputs, "an open connection owns" in desk.sentence) == (
        0x0C,
        b"\0\0",
        True,
    )


def test_the_expected_configuration_is_taken_while_no_connection_is_open(desk: Desk) -> None:
    seen = [desk.ask("10 03 2004 2497 3003 010203")[2]]
    desk.device.io_open = True
    seen.append(desk.ask("10 03 2004 2497 3003 010203")[2])
    assert (seen, desk.sentence.endswith("close every I/O connection first")) == ([0, 0x0C], True)


# -- Multiple Service Packet ------------------------------------------------------------------------------

NAME = bytes.fromhex("0E 03 2001 2401 3007")
SERIAL = bytes.fromhex("0E 03 2001 2401 3006")
STRANGE = bytes.fromhex("0E 03 2037 2401 3001")


def packet(*messages: bytes) -> bytes:
    at = 2 + 2 * len(messages)
    offsets = [at + sum(map(len, messages[:index])) for index in range(len(messages))]
    return bytes.fromhex("0A 02 2002 2401" + words(len(messages), *offsets)) + b"".join(messages)


def test_several_requests_in_one_packet(desk: Desk) -> None:
    reply = desk.ask(packet(SERIAL, bytes.fromhex("0E 03 2001 2401 3003")))
    assert same(reply, "8A000000 0200 0600 0E00 8E000000 01001B0D 8E000000 0700")


def test_one_that_fails_does_not_stop_the_others(desk: Desk) -> None:
    reply = desk.ask(packet(STRANGE, SERIAL))
    assert same(reply, "8A001E00 0200 0600 0A00 8E000500 8E000000 01001B0D")
    assert desk.sentence.startswith("asked for class 0x37;")
    assert desk.sentence.endswith("(request 1 of 2 in one packet)")


@pytest.mark.parametrize(
    ("inner", "told"),
    [
        (packet(SERIAL), "put service 0x0A of Message Router instance 1 into a Multiple Service Packet"),
        (bytes.fromhex("54 02 2006 2401"), "put service 0x54 of Connection Manager instance 1"),
        (bytes.fromhex("4E 02 2006 2401"), "send it as a message of its own"),
    ],
)
def test_packets_and_connections_are_not_taken_out_of_a_packet(desk: Desk, inner: bytes, told: str) -> None:
    reply = desk.ask(packet(inner))
    assert (reply[2], reply[10], told in desk.sentence) == (0x1E, 0x08, True)


def test_outside_of_a_packet_they_are(desk: Desk) -> None:
    assert desk.hex("54 02 2006 2401") == "D4 00 00 00 99"


def test_a_reply_too_large_for_its_connection(desk: Desk) -> None:
    reply = desk.hex("0E 03 2001 2401 3007", reply_bytes=13)
    told = "asked for 14 bytes in one reply; the reply has room for 13 bytes; ask for less at once"
    assert (reply, desk.sentence) == ("8E 00 11 00", told)


def test_a_list_too_large_for_its_connection(desk: Desk) -> None:
    assert desk.hex("03 02 2001 2401 0300 0700 0700 0700", reply_bytes=40) == "83 00 11 00"


@pytest.mark.parametrize(
    ("room", "statuses"),
    [(38, [0, 0]), (37, [0, 0x11]), (28, [0, 0x11]), (27, [0x11, 0x11]), (18, [0x11, 0x11])],
)
def test_a_packet_fills_the_room_it_has(desk: Desk, room: int, statuses: list[int]) -> None:
    """Head 4, count and offsets 6, replies 14 and 14 make 38; a reply that is refused takes 4."""
    reply = desk.ask(packet(NAME, NAME), reply_bytes=room)
    offsets = [int.from_bytes(reply[at : at + 2], "little") for at in (6, 8)]
    assert ([reply[4 + offset + 2] for offset in offsets], len(reply) <= room) == (statuses, True)


def test_a_packet_without_room_for_its_refusals(desk: Desk) -> None:
    assert desk.hex(packet(NAME, NAME), reply_bytes=17) == "8A 00 11 00"


def test_many_refusals_make_one_short_sentence(desk: Desk) -> None:
    desk.ask(packet(*[STRANGE] * 200))
    told = desk.sentence
    desk.ask("03 02 2001 2401" + words(300, *[0x63] * 300))
    assert (len(told) < 1200, told.endswith("and 192 more"), desk.sentence.count("99")) == (True, True, 8)


@given(st.binary(max_size=60))
def test_any_packet_is_answered_within_its_room(data: bytes) -> None:
    reply = Desk().ask(bytes.fromhex("0A 02 2002 2401") + data, reply_bytes=64)
    assert (reply[0], reply[1], len(reply) <= 64) == (0x8A, 0, True)


@given(st.binary(min_size=2, max_size=40))
def test_any_message_is_answered_or_refused_in_words(message: bytes) -> None:
    desk = Desk()
    reply = desk.ask(message)
    assert (reply[0], bool(desk.sentence) or not reply[2]) == (message[0] | 0x80, True)


@given(st.sampled_from([100, 150, 151, 152, 153]), st.sampled_from([3, 4]), st.binary(max_size=4))
def test_no_message_changes_inputs_or_owned_outputs(instance: int, attribute: int, data: bytes) -> None:
    desk = Desk(settable_outputs=True)
    desk.device.owned = desk.device.io_open = True
    desk.ask(bytes((0x10, 3, 0x20, 4, 0x24, instance, 0x30, attribute)) + data)
    assert (desk.device.inputs, desk.device.outputs) == (b"\x0a\x0b\x0c\x0d", b"\0\0")
