"""YAML text to plain data with places: YAML 1.2 words, limits, and every way a text can be wrong."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from bench.errors import WrongFiles
from bench.station.document import NODE_LIMIT, TEXT_LIMIT, Document, path_text, read_document, validate

yaml_soup = st.text(st.sampled_from("ab:-[]{}\"',&*!|>#%@?\t\n 0xe.~\\NO\u2028\x00\ud800"), max_size=60)


def refusals(text: str) -> list[str]:
    """What `read_document` says about a text, as `line:column: sentence`."""
    with pytest.raises(WrongFiles) as caught:
        read_document(text, "f.yaml")
    return [f"{m.line}:{m.column}: {m.sentence}" for m in caught.value.mistakes]


@pytest.mark.parametrize("word", ["NO", "no", "on", "Off", "yes", "y", "12:30", "2024-01-01", "1_000", "0b1"])
def test_words_of_older_yaml_are_words(word: str) -> None:
    assert read_document(f"a: {word}", "f").data == {"a": word}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0x0D1B0001", 0x0D1B0001),
        ("0o17", 15),
        ("017", 17),
        ("-3", -3),
        ("6.0", 6.0),
        (".5", 0.5),
        ("1e3", 1000.0),
        ("true", True),
        ("~", None),
        ("", None),
        ("'6'", "6"),
        (".inf", float("inf")),
        ("9" * 70, "9" * 70),
    ],
)
def test_core_schema_of_yaml_1_2(text: str, value: object) -> None:
    assert read_document(f"a: {text}", "f").data["a"] == value


def test_places_of_keys_and_values() -> None:
    document = read_document("a:\n  b: [1,\n      {c: 2}]\n", "f")
    path = ("a", "b", 1, "c")
    assert (document.position(path), document.key_position(path), document.key_position(("a", "b"))) == (
        (3, 11),
        (3, 8),
        (2, 3),
    )


def test_what_is_missing_stands_at_its_nearest_ancestor() -> None:
    document = read_document("top: 1\na:\n  b: {c: 2}\n", "f")
    assert [document.position(("a", "b", *rest)) for rest in (("x",), ("x", 3, "y"))] == [(3, 3), (3, 3)]


def test_a_mistake_carries_file_place_and_path() -> None:
    document = read_document("a:\n- {b: 1}\n", "f.yaml")
    assert str(document.mistake(("a", 0, "b"), "too small")) == "f.yaml:2:7: a[0].b: too small"


def test_an_alias_brings_a_value_along() -> None:
    document = read_document("a: &t {C: 0.1}\nb: *t\nc: [*t]", "f")
    assert document.data == {"a": {"C": 0.1}, "b": {"C": 0.1}, "c": [{"C": 0.1}]}


def test_every_repeated_key_is_told() -> None:
    assert refusals("a: 1\nb: {x: 1, x: 2}\na: {b: 3}\n") == [
        "2:11: the key 'x' is written twice; it stands on line 2 already",
        "3:1: the key 'a' is written twice; it stands on line 1 already",
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a: [1, 2", "1:9: this is not YAML 1.2"),
        ("a:\n\tb: 1", "2:1: this is not YAML 1.2: a tab may not indent YAML"),
        ("a: 1\n  b: 2", "2:4: this is not YAML 1.2"),
        ("a: \x07", "1:4: this is not YAML 1.2: the character U+0007"),
        ("a: 1\n---\nb: 2", "2:1: a second document"),
        ("a: !thing 1", "1:4: the tag"),
        ("[1, 2]: 3", "1:1: a key must be a word"),
        ("a: *nowhere", "1:4: the alias *nowhere"),
        ("a: &x [*x]", "1:8: the alias *x"),
        (": 1", "1:1: a key is missing"),
        ("[" * 40, "1:33: nested deeper than 32 levels"),
        ('a: "\\U00110000"', "1:1: this is not YAML 1.2"),
        ("a" * (TEXT_LIMIT + 1), "1:1: the file has 524289 characters"),
    ],
)
def test_what_is_refused(text: str, told: str) -> None:
    assert refusals(text)[0].startswith(told)


def test_aliases_cannot_unfold_without_end() -> None:
    lines = ["a0: &a0 [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    assert refusals("\n".join(lines))[0].endswith(f"more than {NODE_LIMIT} keys and values, aliases unfolded")


@given(st.text(max_size=80) | yaml_soup)
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        outcome: object = read_document(text, "f")
    except WrongFiles as refused:
        outcome = refused.mistakes
    assert isinstance(outcome, Document) or outcome


@given(
    st.dictionaries(st.from_regex(r"[a-z]{1,6}", fullmatch=True), st.integers() | st.booleans(), max_size=8)
)
def test_each_value_is_where_its_position_says(data: dict[str, int | bool]) -> None:
    text = "".join(f"{key}: {str(value).lower()}\n" for key, value in data.items())
    document, lines = read_document(text or "{}", "f"), text.splitlines()
    places = {key: document.position((key,)) for key in data}
    told = {key: lines[line - 1][column - 1 :] for key, (line, column) in places.items()}
    assert told == {key: str(value).lower() for key, value in data.items()}


class Broken(BaseModel, extra="forbid"):
    """A branch of a union, as scenario files have them."""

    wire_break: str


class Step(BaseModel, extra="forbid"):
    """A model with unions that no discriminator decides."""

    fault: Broken | str | None = None
    waits: dict[str, int | float] = {}


class Steps(BaseModel, extra="forbid"):
    """A list of steps."""

    steps: list[Step]


@pytest.mark.parametrize(
    ("step", "told"),
    [
        (
            "fault: {wire_braek: x, wire_break: y}",
            "f:1:18: steps[0].fault.wire_braek: unknown key 'wire_braek'; did",
        ),
        (
            "fault: [1]",
            "f:1:17: steps[0].fault: expected a mapping of keys and values or a word or text, got a list",
        ),
        ("waits: {a: b}", "f:1:21: steps[0].waits.a: expected a whole number or a number, got the word 'b'"),
        ("falut: x", "f:1:10: steps[0].falut: unknown key 'falut'; did you mean 'fault'?"),
    ],
)
def test_branches_of_a_union_make_one_mistake(step: str, told: str) -> None:
    with pytest.raises(WrongFiles) as caught:
        validate(Steps, read_document(f"steps: [{{{step}}}]", "f"))
    assert [str(mistake)[: len(told)] for mistake in caught.value.mistakes] == [told]


def test_paths_for_people() -> None:
    assert path_text(("modules", 0, "points")) == "modules[0].points"
