"""One multicast stream for several originators, and every kind of refusal, judged by tshark."""

from __future__ import annotations

import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from interop_capture import ERROR, captured, tshark
from interop_serve import AT_REST, INPUT, Served, io_beside
from pycomm3 import CIPDriver

ADDRESS = "127.0.7.71"
OWNER, LISTENER = "127.0.7.72", "127.0.7.73"
SCHEDULED = "47"  # code point of the QoS object's default for scheduled I/O
CONNECTION_MANAGER, ASSEMBLY = 0x06, 0x04
FORWARD_OPEN, FORWARD_CLOSE, GET_SINGLE, MULTIPLE = 0x54, 0x4E, 0x0E, 0x0A
OWN = f"inputs {AT_REST.hex(' ')}"
MULTICAST, TO_ONE = 0x2800, 0x4800  # scheduled, fixed size


def forward_open(serial: int, path: str, **asked: int) -> bytes:
    """Layout: public dissector packet-cip.c, Forward Open; sizes and intervals as *asked*."""
    values = {"ot": 8, "to": 4, "rpi_us": 10_000, "type": TO_ONE, "trigger": 0x01, "multiplier": 3} | asked
    route = bytes.fromhex(path)
    return b"".join(
        (
            bytes((0x0A, 0xF0)) + bytes(8) + serial.to_bytes(2, "little") + bytes(2) + b"capt",
            bytes((values["multiplier"], 0, 0, 0)),
            values["rpi_us"].to_bytes(4, "little") + (TO_ONE | values["ot"]).to_bytes(2, "little"),
            values["rpi_us"].to_bytes(4, "little") + (values["type"] | values["to"]).to_bytes(2, "little"),
            bytes((values["trigger"], len(route) // 2)) + route,
        )
    )


PATH, ONLY_INPUT = "2004 2497 2c96 2c64", "2004 2497 2c98 2c64"
KEY = "3404 0000 0c00 {product} {major} 01 "
PLAIN: dict[str, Any] = {"connected": False, "route_path": False}
REFUSALS = {  # extended status: what is asked
    0x0106: forward_open(1, PATH),
    0x011C: forward_open(2, PATH, trigger=0x02),
    0x0112: forward_open(3, ONLY_INPUT, ot=2, rpi_us=100),
    0x0114: forward_open(4, KEY.format(product="0900", major="00") + PATH),
    0x0116: forward_open(5, KEY.format(product="0100", major="09") + PATH),
    0x0127: forward_open(6, ONLY_INPUT, ot=40),
    0x0128: forward_open(7, ONLY_INPUT, ot=2, to=40),
    0x012A: forward_open(8, "2004 2497 2c63 2c64"),
    0x012B: forward_open(9, "2004 2497 2c96 2c63"),
    0x0133: forward_open(10, PATH, multiplier=9),
    0x0315: forward_open(11, "ff04 2497 2c96 2c64"),
}


@dataclass(frozen=True)
class Story:
    pcap: Path
    owner: str
    listener: str
    late: str  # what a listener was told when the owner had gone


@pytest.fixture(scope="module")
def story(adapter: Served, tmp_path_factory: pytest.TempPathFactory) -> Story:
    """An owner of a group, a listener that joins later, refusals beside them; the owner closes first."""
    folder = tmp_path_factory.mktemp("group")
    pcap = folder / "group.pcapng"
    group = ("--multicast", "--multiplier", "64")
    listens = ("--kind", "listen-only", "--from", LISTENER)
    with (
        captured(ADDRESS, pcap),
        io_beside(folder, "owner", ADDRESS, *group, "--from", OWNER) as owner,
    ):
        assert owner.says(OWN), owner.said
        with io_beside(folder, "listener", ADDRESS, *group, *listens) as listener:
            assert listener.says(OWN), listener.said
            ask_beside()
            assert owner.end() == 0
            assert listener.says("not connected", "0x0119"), listener.said
            assert listener.end(signal.SIGTERM) == 0
        late = io_late(folder, *group, *listens)
    return Story(pcap, owner.said, listener.said, late)


def io_late(folder: Path, *options: str) -> str:
    with io_beside(folder, "late", ADDRESS, *options) as late:
        assert late.process.wait(timeout=20) == 1
    return late.said


def ask_beside() -> None:
    with CIPDriver(ADDRESS) as session:
        for asked in REFUSALS.values():
            session.generic_message(FORWARD_OPEN, CONNECTION_MANAGER, 1, request_data=asked, **PLAIN)
        close = bytes((0x0A, 0xF0)) + b"\x77\x00" + bytes(2) + b"none" + bytes((4, 0)) + bytes.fromhex(PATH)
        session.generic_message(FORWARD_CLOSE, CONNECTION_MANAGER, 1, request_data=close, **PLAIN)
        session.generic_message(GET_SINGLE, ASSEMBLY, INPUT, 3)  # over a class 3 connection
        session.generic_message(GET_SINGLE, ASSEMBLY, 77, 3)
        two = bytes.fromhex("0200 0600 0e00 0e03 2001 2401 3007 0e03 2001 2401 3063")
        session.generic_message(MULTIPLE, 0x02, 1, request_data=two)
        session.generic_message(
            GET_SINGLE, 1, 1, 7, connected=False, unconnected_send=True, route_path="bp/0"
        )


def columns(story: Story, display_filter: str, *fields: str) -> set[tuple[str, ...]]:
    return set(tshark(story.pcap, f"ip.src == {ADDRESS} && {display_filter}", *fields))


def test_no_frame_of_the_story_is_malformed(story: Story) -> None:
    assert tshark(story.pcap, ERROR) == []


def test_all_inputs_go_to_one_group_from_the_promised_port_at_its_priority(story: Story) -> None:
    seen = columns(story, "cipio", "ip.dst", "ip.ttl", "udp.srcport", "udp.dstport", "ip.dsfield.dscp")
    ((group, *rest),) = seen
    assert (group.startswith("239.192."), rest) == (True, ["1", "2222", "2222", SCHEDULED])


def test_both_hear_one_stream(story: Story) -> None:
    (stream,) = columns(story, "cipio", "enip.cpf.sai.connid")
    lost = [said for said in (story.owner, story.listener) if ", 0 lost" not in said]
    group = columns(story, "cip.service == 0xd4 && cip.genstat == 0", "cip.cm.to_connid")
    assert (stream in group, lost) == (True, [])


def test_the_group_falls_silent_with_its_owner(story: Story) -> None:
    last_close = max(
        float(row[0]) for row in tshark(story.pcap, "cip.service == 0xce", "frame.time_relative")
    )
    frames = [
        float(row[0]) for row in tshark(story.pcap, f"cipio && ip.src == {ADDRESS}", "frame.time_relative")
    ]
    assert (len(frames) > 10, [at for at in frames if at > last_close]) == (True, [])


def test_who_comes_too_late_is_told_what_is_missing(story: Story) -> None:
    assert "0x0119 listen-only without a controlling connection" in story.late


@pytest.mark.parametrize("status", REFUSALS, ids=lambda status: f"0x{status:04x}")
def test_a_refused_open_names_its_reason_on_the_wire(story: Story, status: int) -> None:
    found = columns(story, "cip.service == 0xd4 && cip.genstat == 1", "cip.cm.ext_status")
    assert (f"0x{status:04x}",) in found


def test_sizes_and_intervals_that_would_do_are_on_the_wire(story: Story) -> None:
    sizes = columns(
        story, "cip.cm.ext127_size || cip.cm.ext128_size", "cip.cm.ext127_size", "cip.cm.ext128_size"
    )
    intervals = columns(story, "cip.cm.ext112otrpi", "cip.cm.ext112otrpi", "cip.cm.ext112torpi")
    assert (sizes, len(intervals)) == ({("2", ""), ("", "4")}, 1)


def test_other_refusals_are_on_the_wire(story: Story) -> None:
    statuses = {
        status for row in columns(story, "cip.genstat", "cip.genstat") for status in row[0].split(",")
    }
    assert {"0x00", "0x01", "0x16", "0x1e"} <= statuses
