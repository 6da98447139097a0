"""Scenario files: YAML to checked values, every mistake with its place in the file.

A step is a mapping with one verb and its modifiers:

    press: button            release: button            hold: button, for_ms
    wait_ms: time            set: {quantity: value}, over_ms
    override: {valve.14: true}                          force: {tag: true}     unforce: tag | all
    fault: {kind: target}    clear: {kind: target}
    expect: condition, within_ms, for_ms

Every step also takes `at_ms` (not before that bench time) and `note`. Beside the steps, `network` makes
the link between adapter and controller worse than it is, in virtual time.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from bench.errors import LocalError, Mistake, WrongFiles
from bench.logic import Condition, compile_condition
from bench.net.link import LinkQuality
from bench.scenario.model import DEFAULT_LIMIT_NS, Rule, Scenario, Step
from bench.scenario.places import Places
from bench.station import Document, is_bench_file
from bench.station.words import hint
from bench.units import ns_from_ms

Path = tuple[str | int, ...]
_TOP = ("scenario", "station", "logic", "limit_ms", "network", "picture", "rules", "steps", "note")
_MODIFIERS: Mapping[str, tuple[str, ...]] = {
    "press": (),
    "release": (),
    "hold": ("for_ms",),
    "wait_ms": (),
    "set": ("over_ms",),
    "override": (),
    "force": (),
    "unforce": (),
    "fault": (),
    "clear": (),
    "expect": ("within_ms", "for_ms"),
}
_ANYWHERE = ("at_ms", "note")
VERBS = tuple(_MODIFIERS)
MOST_MS = 604_800_000  # one week
_NETWORK = ("latency_ms", "jitter_ms", "loss_percent", "duplication_percent", "reordering_percent", "seed")


@dataclass(frozen=True, slots=True)
class Heading:
    """What must be known of a scenario before its names can be checked: the files it goes with."""

    title: str
    station: str
    logic: str | None


def read_heading(document: Document) -> Heading:
    """Title, station path and logic path of a scenario file.

    Raises:
        WrongFiles: one of them is missing or not a text.
    """
    data = document.data
    if not isinstance(data, dict):
        raise WrongFiles([document.mistake((), "expected a mapping with scenario, station and steps")])
    if "scenario" not in data and ("modules" in data or "devices" in data):
        raise WrongFiles([document.mistake((), "this is a station file; `bench check` takes those")])
    if is_bench_file(document):
        raise WrongFiles([document.mistake((), "this is a bench file; `bench serve` takes those")])
    mistakes = [
        document.mistake((key,), f"expected `{key}:` with a text")
        for key in ("scenario", "station")
        if not isinstance(data.get(key), str) or not data[key].strip()
    ]
    logic = data.get("logic")
    if logic is not None and not isinstance(logic, str):
        mistakes.append(document.mistake(("logic",), "expected the path of a Structured Text file"))
    if mistakes:
        raise WrongFiles(mistakes)
    return Heading(data["scenario"], data["station"], logic)


def read_scenario(document: Document, places: Places) -> Scenario:
    """The whole scenario, its names checked against *places*.

    Raises:
        WrongFiles: every mistake in the file.
    """
    reader = _Reader(document, places)
    scenario = reader.scenario()
    if reader.mistakes:
        raise WrongFiles(sorted(reader.mistakes))
    return scenario


@dataclass(slots=True)
class _Reader:
    document: Document
    places: Places
    mistakes: list[Mistake] = field(default_factory=list)

    def wrong(self, path: Path, sentence: str) -> None:
        self.mistakes.append(self.document.mistake(path, sentence))

    def unknown(self, path: Path, word: str, valid: tuple[str, ...], what: str) -> None:
        self.wrong(path, f"there is no {what} {word!r}{hint(word, valid)}")

    def scenario(self) -> Scenario:
        data = self.document.data
        for key in data:
            if key not in _TOP:
                self.unknown((key,), str(key), _TOP, "key")
        limit_ns = self.duration(("limit_ms",), data.get("limit_ms"))
        return Scenario(
            title=data["scenario"],
            file=self.document.file,
            steps=self.steps(data.get("steps")),
            rules=self.rules(data.get("rules", [])),
            limit_ns=DEFAULT_LIMIT_NS if limit_ns is None else limit_ns,
            picture=self.picture(data.get("picture", [])),
            network=self.network(data["network"]) if "network" in data else None,
        )

    def network(self, data: Any) -> LinkQuality | None:
        if not isinstance(data, dict) or not data:
            self.wrong(("network",), f"expected a mapping with some of {', '.join(_NETWORK)}")
            return None
        before = len(self.mistakes)
        found: dict[str, Any] = {}
        for key, value in data.items():
            if key not in _NETWORK:
                self.unknown(("network", key), str(key), _NETWORK, "key of a network")
            elif key.endswith("_ms"):
                found[key.replace("_ms", "_ns")] = self.duration(("network", key), value)
            elif key == "seed":
                found[key] = self.number(("network", key), value, 0, 0xFFFF_FFFF, whole=True)
            else:
                found[key.removesuffix("_percent")] = self.number(("network", key), value, 0, 100) / 100
        return LinkQuality(**found) if len(self.mistakes) == before else None

    def number(self, path: Path, value: Any, low: int, high: int, whole: bool = False) -> float:
        kinds = int if whole else int | float
        if isinstance(value, bool) or not isinstance(value, kinds) or not low <= value <= high:
            what = "whole number" if whole else "number"
            self.wrong(path, f"expected a {what}, {low} to {high}, got {value}")
            return 0
        return value

    def picture(self, data: Any) -> tuple[str, ...]:
        if not isinstance(data, list):
            self.wrong(("picture",), "expected a list of signals")
            return ()
        found = [self.known(("picture", i), name, self.places.names, "signal") for i, name in enumerate(data)]
        return tuple(name for name in found if name)

    # --- rules ---

    def rules(self, data: Any) -> tuple[Rule, ...]:
        if not isinstance(data, list):
            self.wrong(("rules",), "expected a list of rules, each with `never:` or `always:`")
            return ()
        rules = (self.rule(("rules", index), item) for index, item in enumerate(data))
        return tuple(rule for rule in rules if rule is not None)

    def rule(self, path: Path, data: Any) -> Rule | None:
        kinds = [key for key in ("never", "always") if isinstance(data, dict) and key in data]
        if len(kinds) != 1:
            self.wrong(path, "expected one of `never:` or `always:` with a condition")
            return None
        for key in data:
            if key not in ("never", "always", "because"):
                self.unknown((*path, key), str(key), ("never", "always", "because"), "key of a rule")
        kind = kinds[0]
        condition = self.condition((*path, kind), data[kind])
        because = str(data.get("because", ""))
        if condition is None:
            return None
        line = self.document.position((*path, kind))[0]
        return Rule(f"{kind} {condition.text}", condition, kind == "never", because, line)

    # --- steps ---

    def steps(self, data: Any) -> tuple[Step, ...]:
        if not isinstance(data, list) or not data:
            self.wrong(("steps",), "expected a list with at least one step")
            return ()
        steps = (self.step(("steps", index), item, index + 1) for index, item in enumerate(data))
        return tuple(step for step in steps if step is not None)

    def step(self, path: Path, data: Any, number: int) -> Step | None:
        if not isinstance(data, dict):
            self.wrong(path, f"a step is a mapping with one of the words {', '.join(VERBS)}")
            return None
        verbs = [key for key in data if key in _MODIFIERS]
        if len(verbs) != 1:
            self.no_verb(path, data, verbs)
            return None
        verb = verbs[0]
        self.modifiers(path, data, verb)
        before = len(self.mistakes)
        parts = getattr(self, f"_{verb}")((*path, verb), data[verb])
        durations = {
            key.replace("_ms", "_ns"): self.duration((*path, key), data[key])
            for key in ("at_ms", "within_ms", "for_ms", "over_ms")
            if key in data
        }
        if "over_ms" in data and isinstance(parts.get("value"), bool):
            sentence = f"{parts['target']} is true or false and cannot change gradually; leave `over_ms` out"
            self.wrong((*path, "over_ms"), sentence)
        if len(self.mistakes) > before:
            return None
        line = self.document.key_position((*path, verb))[0]
        text = _text(verb, data)
        return Step(number, line, verb.removesuffix("_ms"), text, **{**durations, **parts})

    def no_verb(self, path: Path, data: dict[str, Any], verbs: list[str]) -> None:
        if verbs:
            self.wrong(path, f"a step does one thing; this one has {' and '.join(verbs)}")
            return
        known = {*_ANYWHERE, *(word for words in _MODIFIERS.values() for word in words)}
        strange = next((str(key) for key in data if key not in known), "")
        if strange:
            self.unknown((*path, strange), strange, VERBS, "step word")
        else:
            self.wrong(path, f"expected one of the words {', '.join(VERBS)}")

    def modifiers(self, path: Path, data: dict[str, Any], verb: str) -> None:
        allowed = (*_MODIFIERS[verb], *_ANYWHERE)
        for key in data:
            if key != verb and key not in allowed:
                self.unknown((*path, key), str(key), allowed, f"modifier of `{verb}`")
        if verb == "hold" and "for_ms" not in data:
            self.wrong(path, "`hold` needs `for_ms`; `press` keeps a button down until `release`")

    # --- one reader a verb: returns the fields of Step it fills ---

    def _press(self, path: Path, data: Any) -> dict[str, Any]:
        return {"target": self.known(path, data, self.places.buttons, "button")}

    _release = _press
    _hold = _press

    def _wait_ms(self, path: Path, data: Any) -> dict[str, Any]:
        return {"for_ns": self.duration(path, data)}

    def _set(self, path: Path, data: Any) -> dict[str, Any]:
        target, value = self.pair(path, data, tuple(self.places.settable), "settable quantity")
        kind = self.places.settable.get(target)
        if kind is bool and not isinstance(value, bool):
            self.wrong((*path, target), f"expected true or false, got {value}")
        elif kind is float and (isinstance(value, bool) or not isinstance(value, int | float)):
            self.wrong((*path, target), f"expected a number, got {value}")
        elif kind is float and not self.places.limits[target][0] <= value <= self.places.limits[target][1]:
            low, high = self.places.limits[target]
            self.wrong((*path, target), f"expected {low:g} to {high:g}, got {value}")
        return {"target": target, "value": value}

    def _override(self, path: Path, data: Any) -> dict[str, Any]:
        return self.switch(path, data, self.places.overrides, "side of a valve")

    def _force(self, path: Path, data: Any) -> dict[str, Any]:
        return self.switch(path, data, self.places.tags, "point")

    def _unforce(self, path: Path, data: Any) -> dict[str, Any]:
        return {"target": self.known(path, data, (*self.places.tags, "all"), "point")}

    def _fault(self, path: Path, data: Any) -> dict[str, Any]:
        kind, target = self.pair(path, data, tuple(self.places.faults), "kind of fault")
        valid = self.places.faults.get(kind, ())
        if valid:
            target = self.known((*path, kind), target, valid, f"target of {kind}")
        return {"kind": kind, "target": target}

    _clear = _fault

    def _expect(self, path: Path, data: Any) -> dict[str, Any]:
        return {"condition": self.condition(path, data)}

    # --- pieces ---

    def known(self, path: Path, word: Any, valid: tuple[str, ...], what: str) -> str:
        if not isinstance(word, str):
            self.wrong(path, f"expected the name of a {what}")
        elif word not in valid:
            self.unknown(path, word, valid, what)
        else:
            return word
        return ""

    def pair(self, path: Path, data: Any, valid: tuple[str, ...], what: str) -> tuple[str, Any]:
        if not isinstance(data, dict) or len(data) != 1:
            self.wrong(path, f"expected one {what} and its value, {{{valid[0] if valid else what}: ...}}")
            return "", None
        ((word, value),) = data.items()
        return self.known((*path, word), word, valid, what), value

    def switch(self, path: Path, data: Any, valid: tuple[str, ...], what: str) -> dict[str, Any]:
        target, value = self.pair(path, data, valid, what)
        if target and not isinstance(value, bool):
            self.wrong((*path, target), f"expected true or false, got {value}")
        return {"target": target, "value": value}

    def duration(self, path: Path, value: Any) -> int | None:
        if value is None and path == ("limit_ms",):
            return None
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= MOST_MS:
            self.wrong(path, f"expected a time in ms, 0 to {MOST_MS}, got {value}")
            return None
        try:
            return ns_from_ms(value)
        except LocalError as error:
            self.wrong(path, str(error))
            return None

    def condition(self, path: Path, text: Any) -> Condition | None:
        line, column = self.document.position(path)
        if not isinstance(text, str):
            self.wrong(path, "expected a condition, such as `TrayClamped AND NOT Alarm`")
            return None
        try:
            return compile_condition(
                text, self.places.kinds, file=self.document.file, line=line, column=column
            )
        except WrongFiles as wrong:
            self.mistakes += wrong.mistakes
            return None


def _text(verb: str, data: dict[str, Any]) -> str:
    """The step as one line for tables."""
    argument = data[verb]
    if isinstance(argument, dict):
        argument = ", ".join(f"{key} {_word(value)}" for key, value in argument.items())
    words = [verb.removesuffix("_ms"), str(argument) + (" ms" if verb == "wait_ms" else "")]
    names = {"within_ms": "within", "for_ms": "for", "over_ms": "over"}
    words += [f"{name} {data[key]} ms" for key, name in names.items() if key in data]
    return " ".join(words)


def _word(value: Any) -> str:
    return {True: "TRUE", False: "FALSE"}[value] if isinstance(value, bool) else str(value)
