"""The round trip: the adapter's file, read back, opens the adapter; a changed file is refused in words."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from eds_cases import INPUT_ONLY, LISTEN_ONLY, OWNER, Scanner, config, offered, text_of
from eip_link import OPEN

from bench.eds import EdsConnection, RealTimeFormat, Trigger, forward_open, write_eds
from bench.eip.adapter import Adapter
from bench.eip.config import OutputFormat
from bench.eip.epath import ElectronicKey
from bench.eip.forward_open import ForwardOpen, NetworkParameters
from bench.errors import LocalError

CHANGES: list[dict[str, Any]] = [
    {},
    {"output_format": OutputFormat.ZERO_LENGTH},
    {"input_size": 0, "output_size": 1},
    {"input_size": 509, "output_size": 505},  # the largest of the small request, 511 bytes on the wire
    {"input_size": 1400, "output_size": 1400},
    {"input_assembly": 300, "output_assembly": 4097, "configuration_assembly": 999, "input_only_point": 256},
    {"configuration": b"\x01\x80\xff"},
    {"rpi_min_ns": 2_500_000, "rpi_default_ns": 7_300_500},
]


@pytest.fixture
def adapter() -> Adapter:
    return Adapter(config())


@pytest.fixture
def connections() -> tuple[EdsConnection, ...]:
    return offered(text_of())


@pytest.fixture
def scanner(adapter: Adapter) -> Scanner:
    return Scanner.at(adapter)


def request(connection: EdsConnection, **asked: Any) -> ForwardOpen:
    return forward_open(connection, triad=(1, 0, 99), to_id=0x00010001, **asked)


def test_owner_request_is_byte_for_byte_the_hand_made_one(connections: tuple[EdsConnection, ...]) -> None:
    assert request(connections[OWNER]).encode().hex(" ") == OPEN.encode().hex(" ")


@pytest.mark.parametrize("changes", CHANGES, ids=str)
@pytest.mark.parametrize("trigger", Trigger)
def test_owner_opens(changes: dict[str, Any], trigger: Trigger) -> None:
    owner = offered(text_of(**changes))[OWNER]
    reply = Scanner.at(Adapter(config(**changes))).open(owner, trigger=trigger)
    assert (reply.status, reply.extended) == (0, ())


@pytest.mark.parametrize("changes", CHANGES, ids=str)
@pytest.mark.parametrize("multicast", [False, True], ids=["p2p", "multicast"])
def test_input_only_opens(changes: dict[str, Any], multicast: bool) -> None:
    input_only = offered(text_of(**changes))[INPUT_ONLY]
    reply = Scanner.at(Adapter(config(**changes))).open(input_only, multicast=multicast)
    assert (reply.status, reply.extended) == (0, ())


def test_owner_opens_multicast(connections: tuple[EdsConnection, ...], scanner: Scanner) -> None:
    assert scanner.open(connections[OWNER], multicast=True).status == 0


@pytest.mark.parametrize("changes", CHANGES, ids=str)
def test_listen_only_opens_beside_an_owner(changes: dict[str, Any]) -> None:
    adapter = Adapter(config(**changes))
    found = offered(text_of(**changes))
    owner = Scanner.at(adapter).open(found[OWNER], multicast=True)
    listener = Scanner.at(adapter, 10, "127.0.0.10").open(found[LISTEN_ONLY], multicast=True)
    assert (owner.status, listener.status, listener.extended) == (0, 0, ())


def test_listen_only_alone_is_refused(connections: tuple[EdsConnection, ...], scanner: Scanner) -> None:
    reply = scanner.open(connections[LISTEN_ONLY], multicast=True)
    assert (reply.status, reply.extended[:1]) == (1, (0x119,))


def test_smallest_and_largest_interval_are_taken(connections: tuple[EdsConnection, ...]) -> None:
    owner = connections[OWNER]
    ends = (owner.ot.rpi.minimum_us, owner.ot.rpi.maximum_us)
    replies = [Scanner.at(Adapter(config())).open(owner, rpi_us=us).status for us in ends]
    assert (ends, replies) == ((2000, 10_000_000), [0, 0])


def resized(text: str, number: int, size: int) -> str:
    """The file with assembly *number* grown by whole bytes to *size*, everywhere consistently."""
    head, mark, tail = text.partition(f"        Assem{number} =")
    body, end, rest = tail.partition(";")
    member = body.rpartition("8,")[2]
    body = body.replace(" 32, ", f" {size}, ") + f",\n8,{member}" * (size - 32)
    return (head + mark + body + end + rest).replace(f",32,Assem{number}", f",{size},Assem{number}")


MUTANTS: dict[str, tuple[Callable[[str], str], tuple[int, ...], str]] = {
    # what is wrong with the file: how it gets so, the status words of the refusal, words of the log line
    "output size": (lambda text: resized(text, 150, 33), (0x127, 38), "32 + 4 header + 2 count = 38"),
    "input size": (lambda text: resized(text, 100, 33), (0x128, 34), "32 + 2 count = 34"),
    "no header": (lambda text: text.replace("0x44640405", "0x44640005"), (0x127, 38), "= 38"),
    "input point": (lambda text: text.replace("2C 96 2C 64", "2C 96 2C 65"), (0x12B,), "100"),
    "output point": (lambda text: text.replace("2C 96 2C 64", "2C 95 2C 64"), (0x12A,), "150"),
    "configuration": (lambda text: text.replace("24 97 2C 96", "24 9A 2C 96"), (0x129,), "151"),
    "interval": (
        lambda text: text.replace("2000,10000000,10000", "500,10000000,500"),
        (0x112,),
        "2000 to 10000000 us",
    ),
}


@pytest.mark.parametrize("wrong", MUTANTS)
def test_wrong_file_is_noticed(wrong: str, adapter: Adapter, scanner: Scanner) -> None:
    mutate, extended, words = MUTANTS[wrong]
    text = mutate(text_of())
    reply = scanner.open(offered(text)[OWNER])
    log = " ".join(str(event) for event in adapter.take_events())
    assert (text != text_of(), reply.status, reply.extended[: len(extended)], words in log) == (
        True,
        1,
        extended,
        True,
    ), log


def test_refused_interval_names_the_smallest(scanner: Scanner) -> None:
    text = text_of().replace("2000,10000000,10000", "500,10000000,1000")
    words = scanner.open(offered(text)[OWNER]).extended
    assert int.from_bytes(words[2].to_bytes(2, "little") + words[3].to_bytes(2, "little"), "little") == 2000


def test_configuration_goes_along_as_a_data_segment() -> None:
    owner = offered(text_of(configuration=b"\x01\x80\xff"))[OWNER]
    assert request(owner).path.hex(" ") == "20 04 24 97 2c 96 2c 64 80 02 01 80 ff 00"


def test_key_stands_first(connections: tuple[EdsConnection, ...]) -> None:
    path = request(connections[OWNER], key=ElectronicKey(0, 12, 7, 2, 3)).path
    assert path.hex(" ") == "34 04 00 00 0c 00 07 00 02 03 20 04 24 97 2c 96 2c 64"


def test_large_sizes_take_the_large_request() -> None:
    sizes = [request(offered(text_of(input_size=size))[OWNER]).large for size in (509, 510)]
    assert sizes == [False, True]


def test_kinds_differ_in_format_and_types(connections: tuple[EdsConnection, ...]) -> None:
    kinds = [(one.kinds, one.ot.format, one.ot.size, len(one.to.types)) for one in connections]
    assert kinds == [
        (("exclusive owner",), RealTimeFormat.HEADER, 32, 2),
        (("input only",), RealTimeFormat.HEARTBEAT, 0, 2),
        (("listen only",), RealTimeFormat.HEARTBEAT, 0, 1),
    ]


def test_zero_length_idle_has_no_header() -> None:
    owner = offered(text_of(output_format=OutputFormat.ZERO_LENGTH))[OWNER]
    assert (owner.ot.format, request(owner).ot) == (RealTimeFormat.ZERO_LENGTH, NetworkParameters(34))


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"rpi_us": 1999}, "O->T packet interval 1999 us: the EDS offers 2000 to 10000000 us"),
        ({"transport_class": 3}, "transport class 3: the EDS offers 1"),
    ],
)
def test_what_the_file_does_not_offer(
    asked: dict[str, int], sentence: str, connections: tuple[EdsConnection, ...]
) -> None:
    with pytest.raises(LocalError, match=sentence):
        request(connections[OWNER], **asked)


def test_listen_only_is_multicast(connections: tuple[EdsConnection, ...]) -> None:
    with pytest.raises(LocalError, match="T->O point_to_point: the EDS offers multicast"):
        request(connections[LISTEN_ONLY])


def test_same_station_same_file() -> None:
    assert write_eds(config()) == write_eds(config(address="10.0.0.7"))
