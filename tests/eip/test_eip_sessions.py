"""Encapsulation: sessions, and which mistake gets which status, silence or a closed link."""

from __future__ import annotations

import pytest
from eip_link import CONFIG, Client

from bench.eip.adapter import Adapter
from bench.eip.cpf import Item, encode_items, encode_sockaddr, encode_unconnected
from bench.eip.encapsulation import Command, Frame
from bench.eip.transport import CloseTcp

REGISTER = Frame(Command.REGISTER_SESSION, data=b"\x01\x00\x00\x00")


@pytest.fixture
def client() -> Client:
    return Client(Adapter(CONFIG, incarnation=0x00AB))


def test_session_handles_carry_the_incarnation(client: Client) -> None:
    assert client.register().session >> 16 == 0x00AB


def test_two_links_get_two_sessions(client: Client) -> None:
    other = Client(client.adapter, link=10)
    assert client.register().session != other.register().session


def test_the_context_comes_back(client: Client) -> None:
    (frame,) = client.send(Frame(Command.LIST_SERVICES, context=b"remember").encode())
    assert frame.context == b"remember"


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (Frame(0x0099), 0x01),
        (Frame(0x00C8), 0x01),
        (Frame(Command.REGISTER_SESSION, data=b"\x02\0\0\0"), 0x69),
        (Frame(Command.REGISTER_SESSION, data=b"\x01\0\x01\0"), 0x69),
        (Frame(Command.REGISTER_SESSION, data=b"\x01\0"), 0x65),
        (Frame(Command.LIST_IDENTITY, data=b"x"), 0x65),
        (Frame(Command.SEND_RR_DATA, data=encode_unconnected(b"\x0e\0")), 0x64),
        (Frame(Command.SEND_UNIT_DATA), 0x64),
        (Frame(Command.UNREGISTER_SESSION, session=5), 0x64),
    ],
)
def test_mistakes_before_a_session(client: Client, sent: Frame, status: int) -> None:
    (frame,) = client.send(sent.encode())
    assert (frame.command, frame.status, client.closed) == (sent.command, status, False)


def test_the_wrong_session(client: Client) -> None:
    client.register()
    sent = Frame(Command.SEND_RR_DATA, client.session + 1, data=encode_unconnected(b"\x0e\0"))
    (frame,) = client.send(sent.encode())
    assert frame.status == 0x64


def test_a_second_registration_keeps_the_first(client: Client) -> None:
    client.register()
    (frame,) = client.send(REGISTER.encode())
    assert (frame.status, frame.session) == (0x01, client.session)
    assert client.get(1, 1, 1).status == 0


@pytest.mark.parametrize(
    "data",
    [
        b"",
        bytes(6),
        bytes(6) + b"\x01\0",
        bytes.fromhex("01000000 0000") + encode_items((Item(0), Item(0xB2, b"\x0e\0"))),
        bytes(6) + encode_items((Item(0xB2, b"\x0e\0"), Item(0))),
        bytes(6) + encode_items((Item(0), Item(0xB2, b"\x0e"))),
        encode_unconnected(b"\x0e\0") + b"\0",
    ],
)
def test_a_wrong_packet_in_a_session(client: Client, data: bytes) -> None:
    client.register()
    (frame,) = client.send(Frame(Command.SEND_RR_DATA, client.session, data=data).encode())
    assert (frame.status, frame.data, client.get(1, 1, 1).status) == (0x03, b"", 0)


def test_four_items_are_taken(client: Client) -> None:
    items = tuple(Item(kind, encode_sockaddr("0.0.0.0", 2222)) for kind in (0x8000, 0x8001))
    request = bytes.fromhex("0E 03 2001 2401 3001")
    assert client.register().message(request, items).data == b"\x00\x00"


@pytest.mark.parametrize(
    "sent", [Frame(Command.NOP, data=b"any"), Frame(Command.LIST_SERVICES, options=1), Frame(0x63, status=1)]
)
def test_silence(client: Client, sent: Frame) -> None:
    assert (client.send(sent.encode()), client.closed) == ([], False)


def test_connected_data_without_a_connection_is_dropped(client: Client) -> None:
    client.register()
    sent = Frame(Command.SEND_UNIT_DATA, client.session, data=bytes(6))
    assert client.send(sent.encode()) == []


def test_unregister_closes_the_link_without_a_reply(client: Client) -> None:
    client.register()
    sent = Frame(Command.UNREGISTER_SESSION, client.session).encode()
    assert (client.send(sent + REGISTER.encode()), client.closed) == ([], True)


def test_a_frame_too_long_is_answered_and_closes_the_link(client: Client) -> None:
    client.register()
    (frame,) = client.send(bytes.fromhex("6F00 FFFF") + bytes(20))
    assert (frame.status, client.closed) == (0x65, True)
    assert "at most 4096" in str(client.adapter.take_events()[-1])


def test_coalesced_commands_are_answered_in_order(client: Client) -> None:
    sent = [Frame(Command.LIST_SERVICES), Frame(Command.LIST_INTERFACES), REGISTER, Frame(0x63)]
    answers = client.send(b"".join(frame.encode() for frame in sent))
    assert [frame.command for frame in answers] == [frame.command for frame in sent]


def test_a_split_command_is_answered_once_whole(client: Client) -> None:
    data = REGISTER.encode()
    answers = [client.send(data[at : at + 1]) for at in range(len(data))]
    assert [len(frames) for frames in answers] == [0] * 27 + [1]


@pytest.mark.parametrize("command", [Command.LIST_SERVICES, Command.LIST_IDENTITY, Command.LIST_INTERFACES])
def test_the_list_commands_over_udp(client: Client, command: int) -> None:
    (answer,) = client.datagram(Frame(command, context=b"12345678").encode())
    assert answer[:2] == command.to_bytes(2, "little")
    assert answer[12:20] == b"12345678"


@pytest.mark.parametrize(
    "data",
    [
        REGISTER.encode(),
        Frame(0x6F).encode(),
        Frame(0x99).encode(),
        b"",
        b"\x63",
        Frame(0x63).encode() + b"x",
    ],
)
def test_everything_else_over_udp_is_silence(client: Client, data: bytes) -> None:
    assert client.datagram(data) == []


def test_shutdown_closes_every_link(client: Client) -> None:
    Client(client.adapter, link=10)
    client.adapter.shutdown(0)
    assert client.adapter.take_outgoing() == [CloseTcp(9), CloseTcp(10)]
