"""The objects' replies as an independent dissector reads them (Debian package tshark)."""

from __future__ import annotations

import struct
import subprocess
from pathlib import Path

import pytest
from eip_objects_device import Desk

ASKED = {
    "identity": "01 02 2001 2401",
    "state": "0E 03 2001 2401 3008",
    "objects": "0E 03 2002 2401 3001",
    "timeouts": "0E 03 2006 2401 3008",
    "interface": "01 02 20F5 2401",
    "link": "01 02 20F6 2401",
    "urgent": "0E 03 2048 2401 3004",
    "ports": "01 02 20F4 2400",
    "port": "01 02 20F4 2401",
    "list": "03 02 2001 2401 0300 0100 6300 0700",
    "packet": "0A 02 2002 2401 0200 0600 0E00 0E03200124013007 0E03203724013001",
    "refused": "10 03 2048 2401 3004 40",
}
EXPECTED = {
    "identity": {
        "cip.id.product_name": "Bench I/O",
        "cip.id.serial_number": "0x0d1b0001",
        "cip.id.ext": "0x0003",
    },
    "state": {"cip.id.state": "0x03"},
    "objects": {
        "cip.mr.num_classes": "8",
        "cip.mr.class": "0x0001,0x0002,0x0004,0x0006,0x0048,0x00f4,0x00f5,0x00f6",
    },
    "timeouts": {"cip.cm.conn_timouts": "9"},
    "interface": {
        "cip.tcpip.ip_addr": "10.1.2.37",
        "cip.tcpip.subnet_mask": "255.255.255.0",
        "cip.tcpip.gateway": "10.1.2.1",
        "cip.tcpip.hostname": "dibbler",
        "cip.tcpip.mcast.addr_start": "239.192.5.128",
        "cip.tcpip.mcast.num_mcast": "1",
        "cip.tcpip.encap_inactivity": "120",
    },
    "link": {
        "cip.elink.interface_speed": "100",
        "cip.elink.iflags.neg_status": "3",
        "cip.elink.icount.in_octets": "1",
        "cip.elink.icount.out_errors": "11",
        "cip.elink.interface_label": "ETH 1",
        "cip.elink.icapability.array_count": "1",
        "cip.elink.icapability.speed": "100",
    },
    "urgent": {"cip.qos.urgent": "55"},
    "ports": {"cip.port.entry_port": "1", "cip.port.type": "0,4", "cip.port.number": "0,2"},
    "port": {"cip.port.type": "4", "cip.port.number": "2", "cip.port.name": "ETH 1"},
    "list": {"cip.id.vendor_id": "0x0000", "cip.id.product_name": "Bench I/O"},
    "packet": {"cip.genstat": "0x1e,0x00,0x05", "cip.id.product_name": "Bench I/O"},
    "refused": {"cip.genstat": "0x09"},
}
MALFORMED = "_ws.malformed"


def encapsulated(message: bytes) -> bytes:
    data = bytes(6) + struct.pack("<HHHHH", 2, 0, 0, 0xB2, len(message)) + message
    return struct.pack("<HHII8sI", 0x6F, len(data), 1, 0, b"", 0) + data


def datagram(payload: bytes, from_client: bool, sent: int, got: int) -> bytes:
    ports = (50_000, 44_818) if from_client else (44_818, 50_000)
    hosts = (b"\x0a\x01\x02\x09", b"\x0a\x01\x02\x25")
    tcp = struct.pack(">HHIIBBHHH", *ports, sent, got, 0x50, 0x18, 8192, 0, 0) + payload
    source, target = hosts if from_client else hosts[::-1]
    return struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(tcp), 1, 0, 64, 6, 0, source, target) + tcp


def write_pcap(path: Path, exchanges: list[tuple[bytes, bytes]]) -> None:
    """Requests and replies of one TCP connection, as a capture of bare IP packets (link type 101)."""
    packets = []
    sent, got = 1, 1
    for request, reply in exchanges:
        packets.append(datagram(encapsulated(request), True, sent, got))
        sent += len(encapsulated(request))
        packets.append(datagram(encapsulated(reply), False, got, sent))
        got += len(encapsulated(reply))
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65_535, 101)
    path.write_bytes(head + b"".join(struct.pack("<IIII", 0, 0, len(p), len(p)) + p for p in packets))


@pytest.fixture(scope="module")
def dissected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    """Per exchange what tshark reads in the reply, field by field."""
    desk = Desk()
    desk.device.manager_counters.timeouts = 9
    desk.device.link_counters = type(desk.device.link_counters)(*range(1, 12))
    pcap = tmp_path_factory.mktemp("objects") / "objects.pcap"
    write_pcap(pcap, [(bytes.fromhex(asked), desk.ask(asked)) for asked in ASKED.values()])
    fields = sorted({name for expected in EXPECTED.values() for name in expected} | {MALFORMED})
    command = [
        "tshark",
        "-n",
        "-r",
        str(pcap),
        "-Y",
        "tcp.srcport == 44818",
        "-T",
        "fields",
        "-E",
        "separator=;",
    ]
    for name in fields:
        command += ["-e", name]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    rows = [dict(zip(fields, line.split(";"), strict=True)) for line in done.stdout.splitlines()]
    return dict(zip(ASKED, rows, strict=True))


@pytest.mark.parametrize("name", ASKED)
def test_the_dissector_reads_what_was_meant(dissected: dict[str, dict[str, str]], name: str) -> None:
    expected = {**EXPECTED[name], MALFORMED: ""}
    assert {field: dissected[name][field] for field in expected} == expected
