"""Bench files: several stations with their addresses, and every mistake in one."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import WrongFiles
from bench.station import address_fault, is_bench_file, read_bench_file, read_document

GOOD = """\
bench: Two
stations:
  - {station: a.yaml, address: 127.0.0.1, logic: a.st}
  - {station: b.yaml, address: 127.0.0.3}
"""

TABLE = [
    (
        "127.0.0.3",
        "127.0.0.1",
        "4:32: stations[1].address: 127.0.0.1 is the address of the station on line 3 already; "
        "each binds its own",
    ),
    (
        "127.0.0.3",
        "127.0.0",
        "4:32: stations[1].address: '127.0.0' is no IPv4 address; expected four numbers, such as 127.0.0.3",
    ),
    (
        "127.0.0.3",
        "0.0.0.0",
        "4:32: stations[1].address: 0.0.0.0 means every address; name one address, because the adapter "
        "tells it to scanners",
    ),
    (
        "127.0.0.3",
        "239.1.2.3",
        "4:32: stations[1].address: 239.1.2.3 is an address of many; name one of this computer's own",
    ),
    (
        ", address: 127.0.0.3",
        "",
        "4:5: stations[1]: the key 'address' is missing; with several stations each needs one of its own",
    ),
    ("logic:", "logik:", "3:43: stations[0].logik: unknown key 'logik'; did you mean 'logic'?"),
    ("bench: Two\n", "", "1:1: bench: the key 'bench' is missing"),
]


@pytest.mark.parametrize(("old", "new", "sentence"), TABLE)
def test_mistake_is_named(old: str, new: str, sentence: str) -> None:
    with pytest.raises(WrongFiles) as caught:
        read_bench_file(read_document(GOOD.replace(old, new), "f"))
    assert [str(mistake).removeprefix("f:") for mistake in caught.value.mistakes] == [sentence]


def test_its_entries() -> None:
    document = read_document(GOOD, "f")
    bench = read_bench_file(document)
    entries = [(entry.station, entry.address, entry.logic) for entry in bench.stations]
    assert (is_bench_file(document), entries) == (
        True,
        [("a.yaml", "127.0.0.1", "a.st"), ("b.yaml", "127.0.0.3", None)],
    )


def test_a_single_station_needs_no_address() -> None:
    bench = read_bench_file(read_document("bench: One\nstations: [{station: a.yaml}]\n", "f"))
    assert bench.stations[0].address is None


@pytest.mark.parametrize(
    "text", ["station: x\nmodules: []\n", "[]", "just a word", "scenario: x\nstation: y\n"]
)
def test_other_files_are_told_apart(text: str) -> None:
    assert is_bench_file(read_document(text, "f")) is False


@given(st.text(max_size=20))
def test_an_address_is_good_or_its_fault_is_said(text: str) -> None:
    fault = address_fault(text)
    assert fault == "" or repr(text) in fault or text in fault
