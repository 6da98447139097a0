"""Model errors as one plain sentence each.

A model reports with the words of its library and with labels of union branches in its paths. Here each
error becomes a `Complaint`: the key path as it stands in the file, and a sentence that says what was
expected and the nearest valid word.
"""

from __future__ import annotations

import re
import types
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel, Tag, ValidationError
from pydantic_core import ErrorDetails

from bench.station.words import hint, listing

Path = tuple[str | int, ...]

_SHOWN_CHARACTERS = 60

_EXPECTED = {
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing_size": "a whole number of a usable size",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "string_type": "a word or text",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "dict_type": "a mapping of keys and values",
    "mapping_type": "a mapping of keys and values",
    "model_type": "a mapping of keys and values",
    "model_attributes_type": "a mapping of keys and values",
    "list_type": "a list",
    "tuple_type": "a list",
    "none_required": "nothing",
}
_RANGES = frozenset({"greater_than", "greater_than_equal", "less_than", "less_than_equal"})


@dataclass(frozen=True, slots=True)
class Complaint:
    """What is wrong at `path`; `at_key` where the key and not its value is to blame.

    `key_only` says that leaving the key out would heal it.
    """

    path: Path
    sentence: str
    at_key: bool = False
    key_only: bool = False


@dataclass(frozen=True, slots=True)
class _Spot:
    path: Path
    owner: type[BaseModel] | None  # the model the last key belongs to
    annotation: Any  # what the model expects at the path
    is_key: bool


def complaints(error: ValidationError, model: type[BaseModel], data: Any) -> tuple[Complaint, ...]:
    """Every error as a complaint, at most one for each path."""
    found: dict[Path, Complaint] = {}
    expected: dict[Path, list[str]] = {}  # by path, what the branches of a union would have taken
    for detail in error.errors(include_url=False):
        spot = _walk(model, data, detail["loc"])
        complaint = _complaint(detail, spot)
        found.setdefault(complaint.path, complaint)
        if detail["type"] in _EXPECTED:
            words = expected.setdefault(complaint.path, [])
            words += [_EXPECTED[detail["type"]]] if _EXPECTED[detail["type"]] not in words else []
            if len(words) > 1:
                sentence = f"expected {' or '.join(words)}, got {described(detail['input'])}"
                found[complaint.path] = Complaint(complaint.path, sentence)
    return tuple(c for c in found.values() if not (c.path in expected and _has_deeper(c.path, found)))


def _has_deeper(path: Path, found: Mapping[Path, Complaint]) -> bool:
    """True where another branch of a union got further than `path`; its complaint tells more."""
    return any(len(other) > len(path) and other[: len(path)] == path for other in found)


def _walk(model: type[BaseModel], data: Any, loc: tuple[str | int, ...]) -> _Spot:
    """From the library's location, which names union branches too, to the path in the file."""
    path: Path = ()
    owner: type[BaseModel] | None = None
    annotation: Any = model
    for part in loc:
        annotation = _bare(annotation)
        if part == "[key]":
            return _Spot(path, owner, annotation, True)
        if _is_model(annotation):
            owner, path = annotation, (*path, part)
            annotation = _field_annotation(annotation, str(part))
        elif get_origin(annotation) in (Union, types.UnionType):
            annotation = _branch(annotation, part)
            continue
        elif _contains(data, part):
            owner, path = None, (*path, part)
            annotation = _item_annotation(annotation)
        data = data[part] if _contains(data, part) else None
    return _Spot(path, owner, _bare(annotation), False)


def _bare(annotation: Any) -> Any:
    """Without metadata and without `| None`, neither of which shows in a location."""
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    if get_origin(annotation) in (Union, types.UnionType):
        members = [member for member in get_args(annotation) if member is not type(None)]
        if len(members) == 1:
            return _bare(members[0])
    return annotation


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _contains(data: Any, part: str | int) -> bool:
    if isinstance(data, dict):
        return part in data
    return isinstance(data, list) and isinstance(part, int) and 0 <= part < len(data)


def _field_annotation(model: type[BaseModel], key: str) -> Any:
    name = _keys(model).get(key)
    return model.model_fields[name].annotation if name else Any


def _item_annotation(annotation: Any) -> Any:
    arguments = get_args(annotation)
    origin = get_origin(annotation)
    if not arguments or not isinstance(origin, type):
        return Any
    if issubclass(origin, Mapping):
        return arguments[-1]
    return arguments[0] if issubclass(origin, Sequence) else Any


def _branch(union: Any, label: str | int) -> Any:
    for member in get_args(union):
        if label in _labels(member):
            return member
    return Any


def _labels(member: Any) -> Iterator[str | int]:
    """What a location may call this branch of a union."""
    if get_origin(member) is Annotated:
        yield from (str(note.tag) for note in get_args(member)[1:] if isinstance(note, Tag))
    bare = _bare(member)
    if _is_model(bare):
        yield bare.__name__
        for entry in bare.model_fields.values():
            words = get_args(entry.annotation) if get_origin(entry.annotation) is Literal else ()
            yield from words if len(words) == 1 else ()  # a discriminator has one word for each branch
    elif isinstance(bare, type):
        yield bare.__name__


def _keys(model: type[BaseModel]) -> dict[str, str]:
    """Keys as a file writes them, with the field each fills."""
    return {entry.alias or name: name for name, entry in model.model_fields.items()}


def _complaint(detail: ErrorDetails, spot: _Spot) -> Complaint:
    kind, path = detail["type"], spot.path
    if kind == "missing":
        return Complaint(path, f"the key {path[-1]!r} is missing{_choice(spot.annotation)}", at_key=True)
    if kind == "extra_forbidden":
        return Complaint(path, _unknown_key(str(path[-1]), spot.owner), at_key=True, key_only=True)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return _tag_complaint(detail, spot)
    return Complaint(path, _sentence(detail, spot), at_key=spot.is_key)


def _choice(annotation: Any) -> str:
    words = get_args(annotation) if get_origin(annotation) is Literal else ()
    return f"; expected {listing(words)}" if words else ""


def _unknown_key(key: str, owner: type[BaseModel] | None) -> str:
    keys = tuple(_keys(owner)) if owner else ()
    tail = hint(key, keys)
    if not tail and keys:
        tail = f"; known keys are {', '.join(keys)}"
    return f"unknown key {_shown(key)}{tail}"


def _tag_complaint(detail: ErrorDetails, spot: _Spot) -> Complaint:
    context = detail.get("ctx", {})
    key = str(context.get("discriminator", "kind")).strip("'\"()")
    members = get_args(spot.annotation)
    tags = [tag for member in members for tag in _tags(member, key)]
    known = f"expected {listing(tags)}" if tags else ""
    if detail["type"] == "union_tag_not_found":
        return Complaint((*spot.path, key), f"the key {key!r} is missing; {known}", at_key=True)
    word = str(context.get("tag", ""))
    tail = hint(word, tags) or f"; {known}"
    return Complaint((*spot.path, key), f"unknown {key} {_shown(word)}{tail}")


def _tags(member: Any, key: str) -> Iterator[str]:
    """The words under `key` that choose this branch of a union."""
    if get_origin(member) is Annotated:
        yield from (str(note.tag) for note in get_args(member)[1:] if isinstance(note, Tag))
    bare = _bare(member)
    if _is_model(bare) and key in _keys(bare):
        annotation = _field_annotation(bare, key)
        yield from (str(word) for word in get_args(annotation) if get_origin(annotation) is Literal)


def _sentence(detail: ErrorDetails, spot: _Spot) -> str:
    kind, value, context = detail["type"], detail["input"], detail.get("ctx", {})
    if kind in _EXPECTED:
        quotes = "; put it in quotes" if kind == "string_type" and isinstance(value, int | float) else ""
        return f"expected {_EXPECTED[kind]}, got {described(value)}{quotes}"
    if kind in _RANGES:
        return f"{_shown(value)} is out of range; expected {_range(spot, context)}"
    if kind == "literal_error":
        return _literal_sentence(value, spot, str(context.get("expected", "")))
    if kind in ("string_too_long", "string_too_short", "too_long", "too_short"):
        return _length_sentence(kind, context)
    if kind in ("value_error", "assertion_error"):
        return str(context.get("error", detail["msg"]))
    return f"{detail['msg'][:1].lower()}{detail['msg'][1:]}, got {described(value)}"


def _literal_sentence(value: Any, spot: _Spot, expected: str) -> str:
    words = [word for word in re.findall(r"'([^']*)'", expected)]
    if isinstance(value, str) and words:
        return f"{_shown(value)} cannot stand here{hint(value, words) or f'; expected {listing(words)}'}"
    return f"expected {expected}, got {described(value)}"


def _length_sentence(kind: str, context: Mapping[str, Any]) -> str:
    unit = "characters" if kind.startswith("string") else "entries"
    if kind.endswith("long"):
        return f"too long; at most {context.get('max_length')} {unit}"
    least = context.get("min_length")
    return f"too short; at least {least} {unit if least != 1 else unit.replace('ies', 'y').removesuffix('s')}"


def _range(spot: _Spot, context: Mapping[str, Any]) -> str:
    """The whole range where the model declares one, else the bound that was broken."""
    bounds = dict(context)
    name = _keys(spot.owner).get(str(spot.path[-1])) if spot.owner and spot.path else None
    if spot.owner and name:
        for note in spot.owner.model_fields[name].metadata:
            for bound, kind in (
                ("gt", annotated_types.Gt),
                ("ge", annotated_types.Ge),
                ("lt", annotated_types.Lt),
                ("le", annotated_types.Le),
            ):
                if isinstance(note, kind):
                    bounds[bound] = getattr(note, bound)
    words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
    if "ge" in bounds and "le" in bounds:
        return f"{bounds['ge']:g} to {bounds['le']:g}"
    return " and ".join(f"{word} {bounds[bound]:g}" for bound, word in words.items() if bound in bounds)


def described(value: Any) -> str:
    """A value of a file, in words: `the word 'x'`, `the number 5`, `a list`, `nothing`."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the word {_shown(value)}" if value.isidentifier() else f"the text {_shown(value)}"
    if isinstance(value, int | float):
        return f"the number {_shown(value)}"
    return "a list" if isinstance(value, list) else "a mapping"


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= _SHOWN_CHARACTERS else f"{text[: _SHOWN_CHARACTERS - 3]}..."
