"""Nearest words and identifiers."""

from __future__ import annotations

import pytest

from bench.station.identifiers import identifier_fault
from bench.station.words import hint, listing, nearest_word


@pytest.mark.parametrize(
    ("word", "expected"),
    [("clmap", "clamp"), ("CLAMP", "clamp"), ("zzz", None), ("", None), ("Dibbel", "dibble")],
)
def test_the_nearest_word(word: str, expected: str | None) -> None:
    assert nearest_word(word, ["clamp", "dibble"]) == expected


@pytest.mark.parametrize(
    ("word", "valid", "tail"),
    [
        ("clmap", ["clamp"], "; did you mean 'clamp'?"),
        ("zzz", ["a", "b"], "; expected 'a' or 'b'"),
        ("zzz", [], ""),
        ("zzz", list("abcdefghi"), ""),
    ],
)
def test_the_tail_of_a_sentence(word: str, valid: list[str], tail: str) -> None:
    assert hint(word, valid) == tail


def test_a_list_as_a_person_writes_it() -> None:
    assert [listing(list(words)) for words in ("", "a", "ab", "abc")] == [
        "",
        "'a'",
        "'a' or 'b'",
        "'a', 'b' or 'c'",
    ]


@pytest.mark.parametrize("name", ["a", "_a", "A1", "a_b", "Step", "On", "DI"])
def test_names_that_can_stand(name: str) -> None:
    assert identifier_fault(name) is None


@pytest.mark.parametrize("name", ["", "1a", "a-b", "a__b", "a_", "_", "é", "end_if", "Ton", "logic", "a b"])
def test_names_that_cannot(name: str) -> None:
    assert identifier_fault(name)
