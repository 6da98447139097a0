"""The conformance table: `python -m pytest tests/eip/test_eip_conformance.py -v` reads as the list.

The rows stand in the modules named below; what a row is made of in eip_rules. Beside each row's own check
the dissector of another project reads everything that went over the wire (Debian package tshark).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from eip_rules import Rig, Rule, run_rule
from eip_rules_capture import dissect
from eip_rules_data import DATA
from eip_rules_encapsulation import ENCAPSULATION, PACKET_ITEMS
from eip_rules_granted import GRANTED
from eip_rules_kinds import CLOSE, INPUT_ONLY, LISTEN_ONLY, OWNERSHIP
from eip_rules_limits import LIMITS, TIMEOUTS
from eip_rules_multicast import MULTICAST
from eip_rules_objects import CLASS_3, MULTIPLE_SERVICE, OBJECTS, UNCONNECTED_SEND
from eip_rules_refused import MATRIX, REFUSED

TABLE: dict[str, tuple[Rule, ...]] = {
    "encapsulation": ENCAPSULATION,
    "packet items": PACKET_ITEMS,
    "message router and objects": OBJECTS,
    "forward open granted": GRANTED,
    "forward open refused": REFUSED,
    "null, duplicate and reconfiguring opens": MATRIX,
    "close": CLOSE,
    "data of classes 0 and 1": DATA,
    "timeouts": TIMEOUTS,
    "ownership": OWNERSHIP,
    "input-only": INPUT_ONLY,
    "listen-only": LISTEN_ONLY,
    "multicast": MULTICAST,
    "class 3": CLASS_3,
    "Unconnected_Send": UNCONNECTED_SEND,
    "Multiple Service Packet": MULTIPLE_SERVICE,
    "limits": LIMITS,
}
ROWS = [row for group in TABLE.values() for row in group]
REPLIES = ("D4 ", "DB ", "CE ", "D2 ")  # Forward Open, the large one, Forward Close, Unconnected_Send


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_rule(row: Rule) -> None:
    run_rule(row)


def test_every_row_has_a_name_of_its_own() -> None:
    names = [row.id for row in ROWS]
    assert sorted(names) == sorted(set(names))


def test_a_row_that_fails_names_itself() -> None:
    wrong = next(row for row in ROWS if row.id == "REF-01")
    with pytest.raises(AssertionError, match=r"REF-01, step 1 of 2: .*\n  sent .*\n  expected .*\n  got "):
        run_rule(Rule(wrong.id, wrong.what, wrong.source, wrong.steps, {"output_size": 30}))


@pytest.fixture(scope="module")
def rigs() -> list[Rig]:
    return [run_rule(row) for row in ROWS]


def test_the_dissector_objects_to_the_rows_that_are_meant_to_be_broken_alone(
    rigs: list[Rig], tmp_path: Path
) -> None:
    found = dissect(rigs, tmp_path / "table.pcap", "_ws.malformed || _ws.expert.severity >= error")
    objected = {ROWS[frame.row].id for frame in found}
    assert objected == {row.id for row in ROWS if row.malformed}


def test_the_dissector_reads_every_refusal_as_the_table_has_it(rigs: list[Rig], tmp_path: Path) -> None:
    """Replies of the Connection Manager alone: to opens, closes and wrapped messages."""
    field = "cip.cm.ext_status"
    found = dissect(rigs, tmp_path / "table.pcap", f"tcp.srcport == 44818 && {field}", field)
    read = {(ROWS[frame.row].id, int(frame.fields[field].split(",")[0], 16)) for frame in found}
    assert read == {(row.id, word) for row in ROWS for word in refusals_of(row)}


def test_the_dissector_reads_the_acceptable_intervals(rigs: list[Rig], tmp_path: Path) -> None:
    fields = [f"cip.cm.ext112{name}" for name in ("otrpi_type", "otrpi", "torpi_type", "torpi")]
    found = dissect(rigs, tmp_path / "table.pcap", "cip.cm.ext112otrpi", *fields)
    read = {ROWS[frame.row].id: " ".join(frame.fields.values()) for frame in found}
    assert read == {  # 0 as asked, 2 the smallest, 3 the largest, 4 the one required
        "REF-09": "2 2000 0 10000",
        "REF-10": "0 10000 2 2000",
        "REF-11": "2 2000 2 2000",
        "REF-12": "3 10000000 0 10000",
        "MCA-08": "0 10000 4 10000",
        "CL3-13": "2 1000 0 10000",
    }


def refusals_of(row: Rule) -> Iterator[int]:
    """The extended status words that the expected replies of a row hold."""
    for step in row.steps:
        reply = bytes.fromhex(step.expected.partition(" |")[0]) if step.expected[:3] in REPLIES else b""
        if reply[2:3] == b"\x01" and reply[3]:
            yield int.from_bytes(reply[4:6], "little")
