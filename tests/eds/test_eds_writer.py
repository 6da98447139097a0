"""The file an adapter gets: agreement with what the adapter says of itself, and an independent lint."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from eds_cases import NamedBit, config, mistakes, text_of
from eip_link import Client

from bench.cli import main
from bench.eds import Eds, FileStamp, describe, read_eds, write_eds
from bench.eip.adapter import Adapter
from bench.eip.config import Identity, Limits, Network, OutputFormat
from bench.eip.cpf import decode_items
from bench.eip.encapsulation import Command, Frame, FrameReader
from bench.eip.message import Service, encode_request
from bench.errors import LocalError
from bench.net.probe import identity_fields

STATION = str(Path(__file__).parents[2] / "scenarios" / "dibbler" / "station.yaml")
BITS = (NamedBit("Start", 0, 1, "start_button"), NamedBit("Stop", 1, 7, "stop_button", "normally closed"))
ODD_NAME = Identity(serial=1, product_name='A "quoted" \\ name', vendor_id=65535, major=127, minor=255)


@pytest.fixture
def eds() -> Eds:
    return read_eds(text_of())


@pytest.fixture
def findings() -> Iterator[list[str]]:
    """What the lint writes to the log above debug level; its import has set up the root logger."""
    found: list[str] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.WARNING:
                found.append(record.getMessage())

    keep = Keep()
    logging.getLogger("eds_pie").addHandler(keep)
    yield found
    logging.getLogger("eds_pie").removeHandler(keep)


def lint(text: str) -> tuple[str, int]:
    """Protocol and number of sections as eds-pie sees them; it writes findings to its log."""
    from eds_pie.eds_pie import CIP_EDS

    logging.getLogger("eds_pie").setLevel(logging.INFO)  # it logs every token below that
    parsed = CIP_EDS(text)
    parsed.validate()
    return str(parsed.protocol), len(parsed.sections)


@pytest.mark.parametrize(
    "text",
    [
        text_of(),
        write_eds(config(), BITS, BITS),
        text_of(output_format=OutputFormat.ZERO_LENGTH, configuration=b"\1\2", input_size=0),
        text_of(input_assembly=300, network=Network(interface="eth0"), limits=Limits(io_connections=1)),
        text_of(identity=ODD_NAME),
    ],
    ids=["plain", "bits", "zero length", "wide numbers", "odd name"],
)
def test_lint_finds_nothing(text: str, findings: list[str]) -> None:
    assert (lint(text), findings) == (("EtherNetIP", 12), [])


def test_lint_is_awake(findings: list[str]) -> None:
    lint(text_of().replace("Param1,32,Assem100", "Param1,32,Assem101"))
    assert any("Assem101" in finding for finding in findings)


def test_sections_stand_in_order(eds: Eds) -> None:
    assert list(eds.sections) == [
        "File",
        "Device",
        "Device Classification",
        "Params",
        "Assembly",
        "Connection Manager",
        "Capacity",
        "TCP/IP Interface Class",
        "Ethernet Link Class",
        "Identity Class",
        "QoS Class",
        "Port",
    ]


def device_fields(eds: Eds) -> list[str]:
    words = ("VendCode", "ProdType", "ProdCode", "MajRev", "MinRev", "ProdName")
    return [eds.value("Device", word) for word in words]


@pytest.mark.parametrize("identity", [config().identity, ODD_NAME], ids=["plain", "odd"])
def test_device_equals_list_identity(identity: Identity) -> None:
    adapter = Adapter(config(identity=identity))
    reader = FrameReader()
    (answer,) = Client(adapter).datagram(Frame(Command.LIST_IDENTITY).encode())
    reader.feed(answer)
    frame = reader.next_frame()
    assert frame is not None
    (item,) = decode_items(frame.data)
    vendor, kind, code = (int.from_bytes(item.data[at : at + 2], "little") for at in (18, 20, 22))
    name = item.data[33 : 33 + item.data[32]].decode("ascii")
    listed = [str(vendor), str(kind), str(code), str(item.data[24]), str(item.data[25]), name]
    assert device_fields(read_eds(text_of(identity=identity))) == listed


def test_device_equals_probe(eds: Eds) -> None:
    client = Client(Adapter(config())).register()
    reply = client.message(encode_request(Service.GET_ATTRIBUTES_ALL, bytes.fromhex("20012401")))
    probed = dict(identity_fields(reply.data))
    words = [
        probed[word] for word in ("vendor ID", "device type", "product code", "revision", "product name")
    ]
    vendor, kind, code, major, minor, name = device_fields(eds)
    assert [vendor, kind, code, f"{major}.{minor}", name] == words


CLASSES = (
    "Assembly",
    "Connection Manager",
    "TCP/IP Interface Class",
    "Ethernet Link Class",
    "Identity Class",
)


@pytest.mark.parametrize("section", [*CLASSES, "QoS Class", "Port"])
def test_class_revision_is_the_adapters(section: str, eds: Eds) -> None:
    class_id = int(eds.value(section, "Object_Class_Code"), 16)
    reply = Client(Adapter(config())).register().get(class_id, 0, 1)
    assert (reply.status, int.from_bytes(reply.data, "little")) == (0, int(eds.value(section, "Revision")))


def test_assembly_path_reads_the_data(eds: Eds) -> None:
    path = bytes.fromhex(eds.value("Assembly", "Assem100", 1))
    reply = Client(Adapter(config())).register().message(encode_request(Service.GET_ATTRIBUTE_SINGLE, path))
    assert (reply.status, len(reply.data)) == (0, int(eds.value("Assembly", "Assem100", 2)))


def test_named_bits_stand_at_their_places() -> None:
    eds = read_eds(write_eds(config(input_size=3), BITS))
    fields = [field.text for field in eds.entries("Assembly")["Assem100"].fields[6:]]
    names = [eds.value("Params", word, 6) or word for word in fields]
    #        bit 0, Start, rest of byte 0, 7 bits, Stop, a whole byte
    assert names == ["1", "", "1", "Start", "6", "", "7", "", "1", "Stop", "8", "Input data"]


def test_help_says_where_the_wire_goes() -> None:
    eds = read_eds(write_eds(config(), BITS))
    helps = [entry.at(8).text for entry in eds.entries("Params").values() if entry.at(4).text == "0xC1"]
    assert helps == ["start_button", "stop_button; normally closed"]


def test_two_points_on_one_bit_are_refused() -> None:
    with pytest.raises(LocalError, match="Other at byte 0 bit 1: another point stands there"):
        write_eds(config(), (*BITS, NamedBit("Other", 0, 1)))


def test_any_note_keeps_the_file_whole() -> None:
    odd = NamedBit("Odd", 0, 0, 'a "b" \\', "grün; $ , [File]\n" + "long " * 40)
    eds = read_eds(write_eds(config(), (odd,)))
    assert (
        eds.value("Params", "Param2", 8) == "a 'b' /; gr?n; $ , [File]?long long long long long long long ..."
    )


def test_date_is_what_was_asked(eds: Eds) -> None:
    asked = read_eds(write_eds(config(), stamp=FileStamp("2026-02-28")))
    dates = [each.value("File", "ModDate") for each in (eds, asked)]
    assert dates == ["01-01-2025", "02-28-2026"]


def test_wrong_date_is_refused() -> None:
    with pytest.raises(LocalError, match=r"date 28\.2\.2026: expected year-month-day, as in 2025-01-31"):
        FileStamp("28.2.2026")


def test_capacity_is_the_limits() -> None:
    eds = read_eds(text_of(limits=Limits(io_connections=7, message_connections=3)))
    words = ("MaxIOConnections", "MaxMsgConnections", "TSpec1")
    assert [eds.value("Capacity", word) for word in words] == ["7", "3", "TxRx"]


def test_note_names_sizes_and_path(eds: Eds) -> None:
    lines = describe(eds).splitlines()
    assert lines[:3] == [
        "Bench I/O: vendor 0, device type 12, product code 7, revision 2.3",
        "  Exclusive Owner: O->T 32 bytes, 4 run/idle header (38 in the request), point to point; "
        "T->O 32 bytes (34 in the request), multicast/point to point",
        "    path 20 04 24 97 2C 96 2C 64; RPI 2 to 10000 ms, default 10 ms",
    ]


def test_command_writes_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "dibbler.eds"
    status = main(["eds", STATION, "-o", str(path)])
    out = capsys.readouterr().out
    said = out.startswith(f"wrote {path}\nDibbler I/O: vendor 0") and "not a real device's file" in out
    assert (status, said, mistakes(path.read_text())) == (0, True, [])


def test_command_prints_the_file_alone(capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["eds", STATION, "--date", "2026-01-31"])
    out = capsys.readouterr().out
    assert (status, mistakes(out), "CreateDate = 01-31-2026;" in out) == (0, [], True)


def test_command_spares_the_station_file() -> None:
    before = Path(STATION).read_text(encoding="utf-8")
    assert (main(["eds", STATION, "-o", STATION]), Path(STATION).read_text(encoding="utf-8")) == (2, before)


def test_command_wants_one_station(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    several = tmp_path / "two.bench.yaml"
    rows = [f"  - {{station: {STATION}, address: 127.0.0.{host}}}" for host in (1, 3)]
    several.write_text("\n".join(["bench: Two", "stations:", *rows]) + "\n", encoding="utf-8")
    status = main(["eds", str(several)])
    assert (status, "holds 2 stations; an EDS describes one" in capsys.readouterr().err) == (2, True)
