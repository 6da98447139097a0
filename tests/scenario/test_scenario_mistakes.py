"""Wrong scenario files: all mistakes at once, each with its place and the nearest valid word."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scenario_files import DIBBLER, STATION, write

from bench.clock import Timeline
from bench.errors import Mistake, WrongFiles
from bench.scenario import places_of, read_heading, read_scenario
from bench.scenario.load import VERBS
from bench.station import load_station, read_document
from bench.suite import prepare
from bench.world import World

LOADED = load_station(STATION, "station.yaml")
PLACES = places_of(LOADED, World(LOADED, Timeline()).kinds)
HEAD = "scenario: Tiny\nstation: station.yaml\n"


def mistakes(text: str) -> list[tuple[int, int, str, str]]:
    document = read_document(text, "x.scenario.yaml")
    with pytest.raises(WrongFiles) as wrong:
        read_scenario(document, PLACES)
    return [(m.line, m.column, m.path, m.sentence) for m in wrong.value.mistakes]


TEN = """\
scenario: Ten mistakes
station: station.yaml
limits_ms: 100
picture: [Strat]
rules:
  - {nevr: Start}
  - {never: Start AND, because: it ends too soon}
steps:
  - press: strat_button
  - {hold: start_button}
  - pres: start_button
  - {expect: Start, within: 100}
  - set: {air.pressure_bar: 99}
  - fault: {wire_brake: Start}
"""


def test_ten_mistakes_give_ten_places() -> None:
    assert [(line, path) for line, _, path, _ in mistakes(TEN)] == [
        (3, "limits_ms"),
        (4, "picture[0]"),
        (6, "rules[0]"),
        (7, ""),
        (9, "steps[0].press"),
        (10, "steps[1]"),
        (11, "steps[2].pres"),
        (12, "steps[3].within"),
        (13, "steps[4].set.air.pressure_bar"),
        (14, "steps[5].fault.wire_brake"),
    ]


SLIPS = {
    "limits_ms: 1": "'limit_ms'",
    "steps: [{prss: start_button}]": "'press'",
    "steps: [{press: strat_button}]": "'start_button'",
    "steps: [{expect: Lmp}]": "Lamp",
    "steps: [{expect: Start, within: 1}]": "'within_ms'",
    "steps: [{force: {Lmp: true}}]": "'Lamp'",
    "steps: [{unforce: al}]": "'all'",
    "steps: [{override: {rod_valv.14: true}}]": "'rod_valve.14'",
    "steps: [{set: {air.presure_bar: 1}}]": "'air.pressure_bar'",
    "steps: [{fault: {stuck_one: beam}}]": "'stuck_on'",
    "steps: [{fault: {stuck_on: beams}}]": "'beam'",
    "steps: [{clear: {link_down: adaptor}}]": "'adapter'",
    "picture: [rod.position_m]": "'rod.position_mm'",
    "rules: [{never: Start, becase: x}]": "'because'",
}


@pytest.mark.parametrize(("text", "word"), list(SLIPS.items()))
def test_unknown_word_brings_the_nearest(text: str, word: str) -> None:
    steps = "" if text.startswith("steps") else "steps: [{wait_ms: 1}]\n"
    ((_, _, _, sentence),) = mistakes(f"{HEAD}{steps}{text}\n")
    assert sentence.endswith((f"; did you mean {word}?", f"; nearest is {word}"))


REFUSED = {
    "steps: []": "expected a list with at least one step",
    "steps: [5]": "a step is a mapping with one of the words press,",
    "steps: [{press: start_button, wait_ms: 1}]": "a step does one thing; this one has press and wait_ms",
    "steps: [{note: nothing}]": "expected one of the words press,",
    "steps: [{press: [a]}]": "expected the name of a button",
    "steps: [{wait_ms: -1}]": "expected a time in ms, 0 to 604800000, got -1",
    "steps: [{wait_ms: 1e300}]": "expected a time in ms, 0 to 604800000, got 1e+300",
    "steps: [{wait_ms: .nan}]": "expected a time in ms, 0 to 604800000, got nan",
    "steps: [{wait_ms: 0.0000001}]": "1e-07 ms is not a whole number of nanoseconds",
    "steps: [{wait_ms: true}]": "expected a time in ms, 0 to 604800000, got True",
    "steps: [{press: start_button, for_ms: 5}]": "there is no modifier of `press` 'for_ms'",
    "steps: [{force: {Lamp: 1}}]": "expected true or false, got 1",
    "steps: [{set: {beam.blocked: 1}}]": "expected true or false, got 1",
    "steps: [{set: {air.pressure_bar: true}}]": "expected a number, got True",
    "steps: [{set: {air.pressure_bar: .inf}}]": "expected 0 to 16, got inf",
    "steps: [{set: beam.blocked}]": "expected one settable quantity and its value",
    "steps: [{expect: 5}]": "expected a condition, such as",
    "steps: [{expect: rod.position_mm}]": "BOOL",
    "rules: 5": "expected a list of rules",
    "rules: [{never: Start, always: Eye}]": "expected one of `never:` or `always:`",
    "picture: Start": "expected a list of signals",
}


@pytest.mark.parametrize(("text", "sentence"), list(REFUSED.items()))
def test_refusal_says_what_was_expected(text: str, sentence: str) -> None:
    steps = "" if text.startswith("steps") else "steps: [{wait_ms: 1}]\n"
    assert sentence in mistakes(f"{HEAD}{steps}{text}\n")[0][3]


HEADINGS = {
    "[1, 2]\n": ["expected a mapping with scenario, station and steps"],
    "steps: []\n": ["expected `scenario:` with a text", "expected `station:` with a text"],
    "scenario: 5\nstation: x\n": ["expected `scenario:` with a text"],
    "scenario: A\nstation: x\nlogic: 5\n": ["expected the path of a Structured Text file"],
}


@pytest.mark.parametrize(("text", "sentences"), list(HEADINGS.items()))
def test_wrong_heading(text: str, sentences: list[str]) -> None:
    with pytest.raises(WrongFiles) as wrong:
        read_heading(read_document(text, "x.scenario.yaml"))
    assert [mistake.sentence for mistake in wrong.value.mistakes] == sentences


@pytest.mark.parametrize(
    ("key", "value", "sentence"),
    [
        ("station", "staton.yaml", "there is no file 'staton.yaml' here; did you mean 'station.yaml'?"),
        ("station", '"a\\0b"', "there is no file 'a\\x00b' here; expected"),
        ("station", ".", "there is no file '.' here; expected"),
        ("logic", "tinny.st", "there is no file 'tinny.st' here; did you mean 'tiny.st'?"),
    ],
)
def test_wrong_path_in_the_heading(tmp_path: Path, key: str, value: str, sentence: str) -> None:
    path = write(tmp_path, "wait_ms: 1", started=";")
    lines = [
        f"{key}: {value}" if line.startswith(f"{key}:") else line for line in path.read_text().splitlines()
    ]
    path.write_text("\n".join(lines))
    with pytest.raises(WrongFiles) as wrong:
        prepare(path)
    (mistake,) = wrong.value.mistakes
    assert (mistake.path, mistake.sentence[: len(sentence)]) == (key, sentence)


def test_mistakes_of_station_and_logic_come_together(tmp_path: Path) -> None:
    path = write(tmp_path, "wait_ms: 1", started="Lamp := Strat;")
    text = (tmp_path / "station.yaml").read_text()
    (tmp_path / "station.yaml").write_text(text.replace("stroke_mm", "strok_mm"))
    with pytest.raises(WrongFiles) as wrong:
        prepare(path)
    assert {Path(mistake.file).name for mistake in wrong.value.mistakes} == {"station.yaml", "tiny.st"}


def test_every_word_of_a_step_has_a_reader() -> None:
    from bench.scenario import load

    assert [verb for verb in VERBS if not hasattr(load._Reader, f"_{verb}")] == []


# --- hostile files: nothing but WrongFiles may come out ---

WORDS = [*VERBS, "at_ms", "within_ms", "for_ms", "over_ms", "note", "never", "always", "because", "x"]
NAMES = ["Start", "Lamp", "beam.blocked", "air.pressure_bar", "wire_break", "rod_valve.14", "all", "adapter"]
Leaf = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.floats(),
    st.sampled_from([*NAMES, "Start AND", "1/0 = 1", "Start AND NOT Lamp", "", "((", "T#1s", "'"]),
    st.text(max_size=8),
)
Key = st.one_of(st.sampled_from([*WORDS, *NAMES]), st.text(min_size=1, max_size=5))
Node = st.recursive(
    Leaf,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(Key, inner, max_size=3),
    max_leaves=6,
)
Step = st.dictionaries(st.sampled_from(WORDS), Node, max_size=3) | Node
Top = st.fixed_dictionaries(
    {"steps": st.lists(Step, max_size=4) | Node},
    optional={"rules": st.lists(Step, max_size=3) | Node, "limit_ms": Leaf, "picture": Node, "x": Leaf},
)


def as_yaml(value: Any) -> str:
    """Flow style, which holds any nesting on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_yaml(str(k))}: {as_yaml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_yaml, value)) + "]"
    if isinstance(value, str):
        return '"' + "".join(c if c.isalnum() and c.isascii() else f"\\U{ord(c):08x}" for c in value) + '"'
    if isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
        return {"inf": ".inf", "-inf": "-.inf"}.get(str(value), ".nan")
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    return str(value)


def read(text: str) -> tuple[Mistake, ...]:
    """The mistakes of a scenario file; any other error comes through."""
    try:
        document = read_document(text, "x.scenario.yaml")
        read_heading(document)
        read_scenario(document, PLACES)
    except WrongFiles as wrong:
        return wrong.mistakes
    return ()


@settings(max_examples=300, deadline=None)
@given(Top)
def test_any_data_is_read_or_refused(data: dict[str, Any]) -> None:
    text = HEAD + "".join(f"{key}: {as_yaml(value)}\n" for key, value in data.items())
    assert all(mistake.line >= 1 and mistake.sentence for mistake in read(text))


LINES = (DIBBLER / "one_tray.scenario.yaml").read_text(encoding="utf-8").splitlines()


@settings(max_examples=150, deadline=None)
@given(st.lists(st.one_of(st.sampled_from(LINES), st.text(max_size=20)), max_size=15))
def test_any_text_is_read_or_refused(lines: list[str]) -> None:
    assert all(mistake.line >= 1 and mistake.sentence for mistake in read("\n".join(lines)))
