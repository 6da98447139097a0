"""Status codes in words, against the numbers the open dissector lists (Debian package tshark)."""

from __future__ import annotations

import subprocess

import pytest

from bench.eip.status import Extended, Status, describe

SAFETY = range(0x802, 0x810)  # of safety connections, which are not the bench's


@pytest.fixture(scope="module")
def listed() -> list[tuple[str, int]]:
    """Field and number of every status value the dissector has a name for."""
    done = subprocess.run(["tshark", "-G", "values"], capture_output=True, text=True, timeout=60)
    rows = [line.split("\t") for line in done.stdout.splitlines() if line.startswith("V\tcip.")]
    return [(row[1], int(row[2])) for row in rows if row[1] in ("cip.genstat", "cip.cm.ext_status")]


def test_every_code_of_the_dissector_has_words(listed: list[tuple[str, int]]) -> None:
    assert len(listed) > 100
    said = {
        (field, number): describe(number) if field == "cip.genstat" else describe(1, (number,))
        for field, number in listed
        if number not in SAFETY
    }
    assert [key for key, words in said.items() if "unnamed" in words] == []


def test_every_name_of_ours_has_words() -> None:
    said = [describe(status) for status in Status] + [describe(1, (extended,)) for extended in Extended]
    assert [words for words in said if "unnamed" in words] == []


def test_further_words_are_numbers() -> None:
    assert describe(1, (0x127, 38)) == "0x01 connection failure, 0x0127 invalid O->T size, 38"


def test_a_code_nobody_listed() -> None:
    assert describe(0xD0, (0xFFFE,)) == "0xD0 unnamed status, 0xFFFE unnamed extended status"
