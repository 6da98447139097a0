"""YAML 1.2 text to plain data that remembers where each piece stood.

The text is read as a stream of parser events, not through a loader, for three reasons: every key and
value brings its position, all repeated keys are found at once, and nothing recurses, so that a hostile
file can neither exhaust the stack nor unfold a small text into gigabytes.

Scalars are resolved by the core schema of YAML 1.2 (section 10.3.2): `NO`, `on` and `yes` are words.
Keys are always text: `14: x` has the key "14".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    CollectionEndEvent,
    CollectionStartEvent,
    DocumentStartEvent,
    Event,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
)

from bench.errors import Mistake, WrongFiles
from bench.station.sentences import Complaint, complaints

_Model = TypeVar("_Model", bound=BaseModel)
Path = tuple[str | int, ...]
Place = tuple[int, int]

TEXT_LIMIT = 512 * 1024  # characters; a station of 3000 points takes about 130 000
NODE_LIMIT = 50_000  # keys and values, those repeated by aliases counted each time
DEPTH_LIMIT = 32

_REPEATED = "\0repeated"  # no key of a file: YAML allows no such character

_INTEGER = re.compile(r"[-+]?[0-9]{1,40}|0o[0-7]{1,40}|0x[0-9a-fA-F]{1,40}")
_FLOAT = re.compile(r"[-+]?(\.[0-9]{1,60}|[0-9]{1,60}(\.[0-9]{0,60})?)([eE][-+]?[0-9]{1,6})?")
_INFINITE = re.compile(r"[-+]?\.(inf|Inf|INF)")
_WORDS: Mapping[str, bool | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}


@dataclass(frozen=True, slots=True)
class Document:
    """Plain data of one file and the places of its parts.

    `positions` and `key_positions` map a key path, `("points", "Start", "at")`, to (line, column), both
    counted from 1: of the value, and of the key it stands under.
    """

    file: str
    data: Any
    positions: Mapping[Path, Place]
    key_positions: Mapping[Path, Place] = field(default_factory=dict)

    def position(self, path: Path) -> Place:
        """Line and column of the value at `path`.

        Where the path does not exist, the place of its nearest existing ancestor, at that one's key,
        because that is where the person has to add what is missing.
        """
        if path in self.positions:
            return self.positions[path]
        return self.key_position(path[:-1]) if path else (1, 1)

    def key_position(self, path: Path) -> Place:
        """Line and column of the last key of `path`; of the value where it has no key, as in lists."""
        return self.key_positions.get(path) or self.position(path)

    def mistake(self, path: Path, sentence: str, warning: bool = False, *, at_key: bool = False) -> Mistake:
        """A mistake at the value of `path`, or at its key."""
        line, column = self.key_position(path) if at_key else self.position(path)
        return Mistake(self.file, line, column, path_text(path), sentence, warning)


def path_text(path: Path) -> str:
    """A key path for people: `modules[0].points`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def in_file_order(mistakes: Iterable[Mistake]) -> tuple[Mistake, ...]:
    """Mistakes by line and column, each once."""
    return tuple(sorted(dict.fromkeys(mistakes), key=lambda m: (m.file, m.line, m.column)))


def read_document(text: str, file: str) -> Document:
    """Read one YAML 1.2 document.

    Args:
        text: the file's text, at most `TEXT_LIMIT` characters.
        file: its name, as it shall stand in mistakes.

    Raises:
        WrongFiles: not YAML, more than one document, a repeated key, a tag, or a text beyond the limits.
    """
    document, mistakes = parse_document(text, file)
    if mistakes or document is None:
        raise WrongFiles(mistakes)
    return document


def parse_document(text: str, file: str) -> tuple[Document | None, tuple[Mistake, ...]]:
    """As `read_document`, but hand the mistakes back, so that a caller can go on and find more.

    The document is None where the text could not be read to its end.
    """
    if len(text) > TEXT_LIMIT:
        sentence = f"the file has {len(text)} characters; at most {TEXT_LIMIT} are read"
        return None, (Mistake(file, 1, 1, "", sentence),)
    reader = _Reader(file)
    try:
        for event in _events(text):
            reader.take(event)
    except _Unreadable as refusal:
        reader.mistakes.append(refusal.mistake)
        return None, in_file_order(reader.mistakes)
    except YAMLError as error:
        reader.mistakes.append(_syntax_mistake(error, file, text))
        return None, in_file_order(reader.mistakes)
    document = Document(file, reader.root, reader.positions, reader.key_positions)
    return document, in_file_order(reader.mistakes)


def validate(model: type[_Model], document: Document) -> _Model:
    """Data to a model; frozen, checked, with defaults filled in.

    Raises:
        WrongFiles: every mistake found, one plain sentence each, with the nearest valid word.
    """
    checked, mistakes = check_model(model, document)
    if checked is None:
        raise WrongFiles(mistakes)
    return checked


def check_model(model: type[_Model], document: Document) -> tuple[_Model | None, tuple[Mistake, ...]]:
    """As `validate`, but hand the mistakes back."""
    try:
        return model.model_validate(document.data), ()
    except ValidationError as error:
        found = complaints(error, model, document.data)
        return None, in_file_order(mistake_of(document, complaint) for complaint in found)


def mistake_of(document: Document, complaint: Complaint) -> Mistake:
    """A complaint of the model, with its place in the file."""
    return document.mistake(complaint.path, complaint.sentence, at_key=complaint.at_key)


def _events(text: str) -> Iterator[Event]:
    """Parser events; whatever else the parser trips over counts as a syntax error."""
    try:
        yield from YAML(typ="safe", pure=True).parse(text)
    except YAMLError:
        raise
    except (ValueError, LookupError, AttributeError, TypeError, AssertionError, OverflowError) as error:
        # the parser has a few paths, such as an escape beyond Unicode, that end in a plain exception
        raise YAMLError(f"a character or escape that YAML does not allow ({error})") from error


def _syntax_mistake(error: YAMLError, file: str, text: str) -> Mistake:
    line, column, problem = 1, 1, str(error).splitlines()[0] if str(error) else "not YAML"
    if isinstance(error, MarkedYAMLError):
        mark = error.problem_mark or error.context_mark
        if mark is not None:
            line, column = mark.line + 1, mark.column + 1
        problem = ", ".join(part for part in (error.problem, error.context) if part)
    offset = getattr(error, "position", None)
    if isinstance(offset, int):  # an unprintable character: the parser counts from the start of the text
        line, column = text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)
        problem = f"the character U+{ord(text[offset]):04X} may not stand in a YAML file"
    elif "mapping values are not allowed" in problem or "could not find expected ':'" in problem:
        problem = "a `:` is missing after a key here or on the line before, or there is one too many"
    elif "'\\t'" in problem:
        problem = "a tab may not indent YAML or stand before a value; use spaces"
    return Mistake(file, line, column, "", f"this is not YAML 1.2: {problem}")


class _Unreadable(Exception):
    def __init__(self, mistake: Mistake) -> None:
        self.mistake = mistake


@dataclass(slots=True)
class _Open:
    """A mapping or list whose end has not come yet."""

    path: Path
    value: dict[str, Any] | list[Any]
    anchor: str | None
    nodes_before: int
    key: str | None = None  # of a mapping: the key that waits for its value


class _Reader:
    """Builds the data from events, with a stack of its own instead of recursion."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.root: Any = None
        self.positions: dict[Path, Place] = {}
        self.key_positions: dict[Path, Place] = {}
        self.mistakes: list[Mistake] = []
        self._stack: list[_Open] = []
        self._anchors: dict[str, tuple[Any, int]] = {}  # value and how many nodes it unfolds to
        self._nodes = 0
        self._documents = 0

    def take(self, event: Event) -> None:
        place = _place(event)
        if isinstance(event, DocumentStartEvent):
            self._start_document(place)
        elif isinstance(event, CollectionEndEvent):
            self._close()
        elif isinstance(event, NodeEvent):
            self._count(1, place)
            self._node(event, place)

    def _start_document(self, place: Place) -> None:
        self._documents += 1
        if self._documents > 1:
            self._refuse(place, "a second document starts here; a file holds one")

    def _node(self, event: NodeEvent, place: Place) -> None:
        tag = getattr(event, "tag", None)
        if tag is not None:
            self._note(place, f"the tag {tag} is not used in these files; write the value alone")
        top = self._stack[-1] if self._stack else None
        if top is not None and isinstance(top.value, dict) and top.key is None:
            self._take_key(top, event, place)
        elif isinstance(event, AliasEvent):
            self._add(self._aliased(event, place), place)
        elif isinstance(event, ScalarEvent):
            value = _scalar(event)
            self._add(value, place)
            if event.anchor:
                self._anchors[str(event.anchor)] = (value, 1)
        else:
            self._open(event, place)

    def _take_key(self, top: _Open, event: NodeEvent, place: Place) -> None:
        if not isinstance(event, ScalarEvent):
            self._refuse(place, "a key must be a word; a mapping, list or alias cannot be one")
        assert isinstance(top.value, dict)
        key = _text(event)
        path = (*top.path, key)
        if not key:
            self._note(place, "a key is missing before the colon")
        if key in top.value:
            first = self.key_positions[path][0]
            self._note(place, f"the key {key!r} is written twice; it stands on line {first} already", path)
        else:
            self.key_positions[path] = place
        top.key = key

    def _open(self, event: NodeEvent, place: Place) -> None:
        assert isinstance(event, CollectionStartEvent)
        if len(self._stack) >= DEPTH_LIMIT:
            self._refuse(place, f"nested deeper than {DEPTH_LIMIT} levels")
        value: dict[str, Any] | list[Any] = {} if isinstance(event, MappingStartEvent) else []
        path = self._add(value, place)
        anchor = str(event.anchor) if event.anchor else None
        self._stack.append(_Open(path, value, anchor, self._nodes))

    def _close(self) -> None:
        closed = self._stack.pop()
        if closed.anchor:  # only now: an alias inside its own anchor would have no end
            self._anchors[closed.anchor] = (closed.value, self._nodes - closed.nodes_before + 1)

    def _add(self, value: Any, place: Place) -> Path:
        """Put a value where it belongs; the first of two equal keys keeps its value."""
        if not self._stack:
            self.root = value
            self.positions[()] = place
            return ()
        top = self._stack[-1]
        if isinstance(top.value, list):
            path: Path = (*top.path, len(top.value))
            top.value.append(value)
            self.positions[path] = place
            return path
        assert top.key is not None
        repeated = top.key in top.value
        # what hangs below a repeated key gets a path nobody asks for, so that it moves no place of the first
        path = (*top.path, top.key, _REPEATED) if repeated else (*top.path, top.key)
        self.positions[path] = place
        if not repeated:
            top.value[top.key] = value
        top.key = None
        return path

    def _aliased(self, event: AliasEvent, place: Place) -> Any:
        name = str(event.anchor)
        if name not in self._anchors:
            self._refuse(place, f"the alias *{name} names no finished anchor &{name} above it")
        value, nodes = self._anchors[name]
        self._count(nodes - 1, place)
        return value

    def _count(self, nodes: int, place: Place) -> None:
        self._nodes += nodes
        if self._nodes > NODE_LIMIT:
            self._refuse(place, f"the file holds more than {NODE_LIMIT} keys and values, aliases unfolded")

    def _note(self, place: Place, sentence: str, path: Path = ()) -> None:
        self.mistakes.append(Mistake(self.file, *place, path_text(path), sentence))

    def _refuse(self, place: Place, sentence: str) -> NoReturn:
        raise _Unreadable(Mistake(self.file, *place, "", sentence))


def _place(event: Event) -> Place:
    mark = event.start_mark
    return (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)


def _text(event: ScalarEvent) -> str:
    return str(getattr(event, "value", ""))  # the library does not declare the attribute


def _scalar(event: ScalarEvent) -> str | int | float | bool | None:
    text = _text(event)
    return _plain_scalar(text) if event.style in (None, "") else text


def _plain_scalar(text: str) -> str | int | float | bool | None:
    """A scalar without quotes, by the core schema; digits beyond any use stay a word."""
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        base = {"0o": 8, "0x": 16}.get(text[:2], 10)
        return int(text, base)
    if _FLOAT.fullmatch(text):
        return float(text)
    if _INFINITE.fullmatch(text):
        return float(text.replace(".", ""))
    if text in (".nan", ".NaN", ".NAN"):
        return float("nan")
    return text
