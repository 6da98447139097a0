"""What can be read of the objects, and what a wrong question is answered with."""

from __future__ import annotations

import pytest
from eip_link import CONFIG, Client, Link

from bench.eip.adapter import Adapter
from bench.eip.message import encode_request


@pytest.fixture
def client() -> Client:
    return Client(Adapter(CONFIG)).register()


def test_identity_as_a_whole(client: Client) -> None:
    data = client.message(bytes.fromhex("01 02 2001 2401")).data
    assert data == bytes.fromhex("0000 0C00 0700 0203 3000 01001B0D 09") + b"Bench I/O"


def test_identity_over_a_16_bit_path(client: Client) -> None:
    data = client.message(bytes.fromhex("01 04 21000100 25000100")).data
    assert data.endswith(b"Bench I/O")


@pytest.mark.parametrize(
    ("class_id", "instance", "attribute", "data"),
    [
        (1, 0, 1, "0100"),
        (1, 1, 6, "01001B0D"),
        (4, 100, 4, "2000"),
        (4, 150, 3, "00" * 32),
        (4, 151, 4, "0000"),
        (0xF5, 0, 1, "0400"),
        (0xF5, 1, 4, "0200 20F62401"),
        (0xF5, 1, 5, "0100007F 00FFFFFF" + "00" * 14),
        (0xF6, 1, 1, "64000000"),
        (0xF6, 1, 3, "02000D1B0001"),
    ],
)
def test_single_attributes(client: Client, class_id: int, instance: int, attribute: int, data: str) -> None:
    assert client.get(class_id, instance, attribute).data == bytes.fromhex(data)


@pytest.mark.parametrize(("class_id", "size"), [(0xF5, 96), (0xF6, 122)])
def test_all_attributes_have_their_size(client: Client, class_id: int, size: int) -> None:
    # 4+4+4 + 6 + 22 + 2 + 6 + 1 + 8 + 1 + 35 + 1 + 2, and 4+4+6 + 44 + 48 + 4 + 1+1+1 + 1 + 8
    assert len(client.message(bytes((1, 2, 0x20, class_id, 0x24, 1))).data) == size


@pytest.mark.parametrize(
    ("message", "status", "told"),
    [
        ("0E 03 2037 24C8 3004", 0x05, "class 0x37"),
        ("0E 03 2001 2402 3001", 0x16, "instance 2 of Identity; it has 1"),
        ("0E 03 2001 2401 3063", 0x14, "attribute 99 of Identity instance 1; it has 1, 2, 3, 4, 5, 6, 7, 8"),
        ("0E 02 2001 2401", 0x14, "no attribute"),
        (
            "10 03 2004 2496 3003",
            0x0E,
            "asked to set output assembly 150; outputs are written over a connection",
        ),
        ("01 02 2004 2464", 0x08, "service 0x01"),
        ("01 02 2002 2401", 0x08, "Message Router"),
        ("01 02 2001 2400", 0x08, "Identity instance 0"),
        ("0E 02 0000 2401", 0x04, "path segment at byte 0"),
        ("0E 02 0100 2401", 0x04, "got a port segment"),
        ("0E 05 2001 2401 3001", 0x04, "10 bytes"),
        ("0E 01 2401", 0x04, "a class segment"),
        ("0E 08 3404 0500 0000 0000 0000 2001 2401 3001", 0x25, "vendor 5; this adapter's vendor id is 0"),
        ("54 02 2006 2401 00", 0x13, "at least 36 bytes, got 1 bytes"),
        ("4E 02 2006 2401 00", 0x13, "at least 12 bytes"),
    ],
)
def test_wrong_questions(client: Client, message: str, status: int, told: str) -> None:
    response = client.message(bytes.fromhex(message))
    sentence = client.adapter.refusals[-1].sentence
    assert (response.status, told in sentence, sentence.split()[:2]) == (
        status,
        True,
        ["originator", "127.0.0.9"],
    )


def test_an_answer_names_the_service_even_when_refused(client: Client) -> None:
    message = encode_request(0x0E, bytes.fromhex("2037 2401"))
    assert client.message(message).status == 0x05


def test_the_status_word_follows_the_owner() -> None:
    link = Link()
    seen = [link.adapter.status_word]
    link.connect(run=False).run_for(0)
    seen.append(link.adapter.status_word)
    link.scanner.set_run(True)
    link.run_for(10_000_000)
    seen.append(link.adapter.status_word)
    assert seen == [0x30, 0x71, 0x61]


def test_inputs_and_outputs_are_read_as_they_stand() -> None:
    link = Link()
    link.scanner.set_outputs(b"\x05" * 32, 0)
    link.adapter.set_inputs(b"\x06" * 32, 0)
    link.connect().run_for(0)
    client = Client(link.adapter).register()
    assert (client.get(4, 150, 3).data, client.get(4, 100, 3).data) == (b"\x05" * 32, b"\x06" * 32)
