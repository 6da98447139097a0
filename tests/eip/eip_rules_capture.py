"""What went over the wire in the rows of the table, as a capture file, and what tshark reads in it."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path
from struct import pack

from eip_rules import Packet, Rig

_RAW_IP = 101  # link type: packets begin with the IP header
_SEPARATOR = "|"


@dataclass(frozen=True, slots=True)
class Dissected:
    """One frame of row number `row` as tshark reads it; a field it does not have is empty."""

    row: int
    fields: dict[str, str]


def dissect(rigs: list[Rig], pcap: Path, display_filter: str, *fields: str) -> list[Dissected]:
    """Write all packets of all rows into one file and decode it.

    Every row has a network of its own, 10.x.y.0, so that no connection of one row is taken for one of
    another; the bytes above the IP header are as they were.
    """
    rows: list[int] = []
    blobs: list[bytes] = []
    for row, rig in enumerate(rigs):
        sequences: dict[tuple[object, object], int] = {}
        for packet in rig.packets:
            blobs.append(_ip(packet, row, sequences))
            rows.append(row)
    head = pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65_535, _RAW_IP)
    records = (pack("<IIII", number, 0, len(blob), len(blob)) + blob for number, blob in enumerate(blobs, 1))
    pcap.write_bytes(head + b"".join(records))
    names = ("frame.number", *fields)
    command = ["tshark", "-n", "-r", str(pcap), "-Y", display_filter, "-T", "fields"]
    command += ["-E", f"separator={_SEPARATOR}", *(word for name in names for word in ("-e", name))]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    lines = [line.split(_SEPARATOR) for line in done.stdout.splitlines()]
    return [
        Dissected(rows[int(number) - 1], dict(zip(fields, values, strict=True))) for number, *values in lines
    ]


def _ip(packet: Packet, row: int, sequences: dict[tuple[object, object], int]) -> bytes:
    source, target = (_host(host, row) for host in (packet.source[0], packet.target[0]))
    ports = (packet.source[1], packet.target[1])
    if packet.proto == "tcp":
        way, back = (packet.source, packet.target), (packet.target, packet.source)
        sent, got = sequences.get(way, 1), sequences.get(back, 1)
        sequences[way] = sent + len(packet.data)
        inner = pack(">HHIIBBHHH", *ports, sent, got, 0x50, 0x18, 65_535, 0, 0) + packet.data
    else:
        inner = pack(">HHHH", *ports, 8 + len(packet.data), 0) + packet.data
    protocol = 6 if packet.proto == "tcp" else 17
    return pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(inner), 1, 0, 64, protocol, 0, source, target) + inner


def _host(host: str, row: int) -> bytes:
    parts = bytes(int(part) for part in host.split("."))
    return parts if parts[0] > 223 else bytes((10, 1 + row // 200, 1 + row % 200, parts[3]))
