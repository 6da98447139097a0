"""Forward Opens and Closes: granted ones, and every reason to refuse with its second word."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from eip_link import CONFIG, MANAGER, MS, PATH, Client

from bench.eip.adapter import Adapter
from bench.eip.checks import IO_CHECKS
from bench.eip.cpf import Item, encode_sockaddr
from bench.eip.epath import DataSegment, ElectronicKey, Inhibit, encode_path
from bench.eip.events import ConnectionOpened
from bench.eip.forward_open import ForwardClose, NetworkParameters, OpenReply, decode_tail
from bench.eip.message import encode_request
from bench.eip.transport import SendUdp


def key(**fields: Any) -> bytes:
    return encode_path((ElectronicKey(**fields),)) + PATH


def path(text: str) -> bytes:
    return bytes.fromhex(text)


@pytest.fixture
def client() -> Client:
    return Client(Adapter(replace(CONFIG, configuration=b"abc"), incarnation=0x77)).register()


def test_a_granted_open(client: Client) -> None:
    reply = OpenReply.decode(client.open().data)
    assert reply == OpenReply(0x0077_0001, 0x0001_0001, (1, 0, 99), 10_000, 10_000)
    assert client.items == (Item(0x8000, encode_sockaddr("0.0.0.0", 2222)),)


def test_the_packet_interval_is_rounded_up_to_the_tick(client: Client) -> None:
    reply = OpenReply.decode(client.open(ot_rpi_us=2_500, to_rpi_us=9_001).data)
    assert (reply.ot_api_us, reply.to_api_us) == (3_000, 10_000)


def test_an_interval_below_the_least_that_rounds_up_to_it_is_granted(client: Client) -> None:
    assert client.open(ot_rpi_us=1_500).status == 0


@pytest.mark.parametrize(
    "changes",
    [
        {"large": True},
        {"class_trigger": 0x81},
        {"path": path("2004 2C96 2C64")},
        {"path": path("2004 2497 2004 2C96 2004 2C64")},
        {"path": path("2004 2497 2496 2464")},
        {"path": path("2004 25009700 2D009600 2D006400")},
        {"path": PATH + encode_path((DataSegment(b"abc"),))},
        {"path": PATH + encode_path((Inhibit(10_000),))},
        {"path": key()},
        {"path": key(device_type=12, product_code=7, major=2, minor=3)},
        {"path": key(major=2, minor=1, compatible=True)},
        {"path": key(major=2)},
        {"ot": NetworkParameters(38, variable=True)},
    ],
)
def test_other_shapes_that_are_granted(client: Client, changes: dict[str, Any]) -> None:
    assert (client.open(**changes).status, list(client.adapter.refusals)) == (0, [])


@pytest.mark.parametrize(
    ("changes", "extended", "told"),
    [
        (
            {"ot": NetworkParameters(36)},
            (0x127, 38),
            "asked for 36 output bytes; output assembly 150 takes 32 + 4 header + 2 count = 38",
        ),
        ({"to": NetworkParameters(38)}, (0x128, 34), "input assembly 100 gives 32 + 2 count = 34"),
        ({"ot": NetworkParameters(38, 1)}, (0x123,), "multicast O->T connection; point to point"),
        ({"ot": NetworkParameters(38, 0)}, (0x123,), "null O->T connection"),
        ({"to": NetworkParameters(34, 0)}, (0x124,), "null T->O connection"),
        ({"to": NetworkParameters(34, 3)}, (0x124,), "reserved T->O"),
        ({"ot": NetworkParameters(38, redundant=True)}, (0x125,), "redundant owner"),
        ({"class_trigger": 0xA3}, (0x117,), "class 3 connection to class 0x04"),
        ({"class_trigger": 0x02}, (0x11C,), "transport class 2; classes 0 and 1 carry I/O data"),
        ({"class_trigger": 0x31}, (0x11D,), "trigger 3; offered are 0 cyclic, 1 change of state"),
        ({"multiplier_code": 8}, (0x133,), "code 8; expected 0 (x4) to 7 (x512)"),
        ({"path": path("E100 2004 2497 2C96 2C64")}, (0x315,), "byte 0: expected a port"),
        ({"path": path("0100 2004 2497 2C96 2C64")}, (0x311,), "1 port segment(s)"),
        ({"path": path("2004 2497 2CC8 2C64")}, (0x12A,), "O->T assembly 200 and T->O assembly 100"),
        ({"path": path("2004 2497 2C96 2CC8")}, (0x12B,), "O->T one of 150 exclusive owner, 152 input"),
        ({"path": path("2004 2497 2C96 2C64 3003")}, (0x315,), "attribute segment"),
        ({"path": key(vendor_id=5)}, (0x114,), "vendor 5; this adapter's vendor id is 0"),
        ({"path": key(product_code=8)}, (0x114,), "product code 8; this adapter's is 7"),
        ({"path": key(device_type=2)}, (0x115,), "device type 2; this adapter's is 12"),
        ({"path": key(major=1, minor=3)}, (0x116,), "revision 1.3; this adapter's is 2.3"),
        ({"path": key(major=2, minor=2)}, (0x116,), "revision 2.2"),
        ({"path": key(major=2, minor=4, compatible=True)}, (0x116,), "revision 2.4"),
        ({"path": path("2066 2497 2C96 2C64")}, (0x117,), "class 0x66; expected Assembly, class 0x04"),
        ({"path": b""}, (0x117,), "class 0x00"),
        (
            {"path": path("2004 2497 2C64 2C96")},
            (0x12F,),
            "asked for O->T assembly 100 and T->O assembly 150",
        ),
        ({"path": path("2004 2C64")}, (0x12F,), "1 assemblies"),
        ({"path": path("2004 2401 2C96 2C64")}, (0x129,), "assembly 1; expected 151"),
        ({"ot_rpi_us": 0}, (0x112, 0x0002, 2000, 0, 10_000, 0), "this adapter keeps 2000 to 10000000 us"),
        ({"to_rpi_us": 1000}, (0x112, 0x0200, 10_000, 0, 2000, 0), "1000 us T->O"),
        (
            {"path": PATH + encode_path((Inhibit(11_000),))},
            (0x11B,),
            "expected at most the T->O RPI, 10000 us",
        ),
        ({"ot_rpi_us": 10_000_001}, (0x112, 0x0003, 0x9680, 0x98, 10_000, 0), "keeps 2000 to 10000000"),
        ({"path": PATH + encode_path((DataSegment(b"abcdef"),))}, (0x126, 2), "sent 6 bytes"),
    ],
)
def test_refusals(client: Client, changes: dict[str, Any], extended: tuple[int, ...], told: str) -> None:
    response = client.open(**changes)
    refused = client.adapter.refusals[-1]
    assert (response.status, response.extended, decode_tail(response.data)) == (1, extended, (1, 0, 99))
    assert refused.sentence.startswith("originator 127.0.0.9 ")
    assert told in refused.sentence


def test_a_refusal_reads_as_one_line(client: Client) -> None:
    client.open(ot=NetworkParameters(36))
    assert str(client.adapter.refusals[-1]).endswith(
        "= 38 [0x01 connection failure, 0x0127 invalid O->T size, 38]"
    )


def test_the_same_connection_twice(client: Client) -> None:
    client.open()
    assert client.open().extended == (0x100,)


@pytest.mark.parametrize("changes", [{"serial": 2}, {"originator_serial": 100}, {"vendor_id": 3}])
def test_a_second_owner(client: Client, changes: dict[str, Any]) -> None:
    client.open()
    response = Client(client.adapter, link=10, address="127.0.0.10").register().open(**changes)
    assert response.extended == (0x106,)
    assert "originator 127.0.0.9 (vendor 0, serial 99) owns" in client.adapter.refusals[-1].sentence


def test_wrong_length_of_the_path(client: Client) -> None:
    data = client.message(encode_request(0x54, MANAGER, bytes(35) + b"\x01"))
    more = client.message(encode_request(0x54, MANAGER, bytes(38)))
    assert (data.status, more.status) == (0x13, 0x15)


def test_the_port_of_the_originator(client: Client) -> None:
    client.open((Item(0x8001, encode_sockaddr("0.0.0.0", 3333)),))
    client.adapter.handle_timer(0)
    (sent,) = client.adapter.take_outgoing()
    assert isinstance(sent, SendUdp)
    assert (sent.local_port, sent.peer) == (2222, ("127.0.0.9", 3333))


def test_a_broken_socket_address(client: Client) -> None:
    assert client.open((Item(0x8001, b"abc"),)).extended == (0x205,)


def close(client: Client, serial: int = 1) -> Any:
    return client.message(encode_request(0x4E, MANAGER, ForwardClose(serial, 0, 99, PATH).encode()))


def test_close_then_open_again(client: Client) -> None:
    client.open()
    answer = close(client)
    assert (answer.status, decode_tail(answer.data), client.open().status) == (0, (1, 0, 99), 0)


def test_close_of_nothing(client: Client) -> None:
    answer = close(client)
    assert (answer.status, answer.extended) == (1, (0x107,))
    assert "open for it: none" in client.adapter.refusals[-1].sentence


def test_close_by_another_address(client: Client) -> None:
    client.open()
    other = Client(client.adapter, link=10, address="127.0.0.10").register()
    assert (close(other).extended, len(client.adapter.connections())) == ((0x107,), 1)


def test_the_event_of_an_open(client: Client) -> None:
    client.open(now_ns=5 * MS, multiplier_code=2)
    (event,) = client.adapter.take_events()
    assert isinstance(event, ConnectionOpened)
    assert (event.t_ns, event.report.state, event.report.timeout_ns) == (5 * MS, "established", 160 * MS)


def test_the_checks_are_one_list() -> None:
    names = [check.__name__ for check in IO_CHECKS]
    assert names.index("check_key") < names.index("check_points") < names.index("check_owner")
