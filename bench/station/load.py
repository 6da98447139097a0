"""From a station file's text to a checked station, or to every mistake in it at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from bench.errors import Mistake, WrongFiles
from bench.station.checks import Broken, check_station, unused
from bench.station.document import Document, in_file_order, mistake_of, parse_document
from bench.station.image import Layout, lay_out
from bench.station.model import Station
from bench.station.sentences import Complaint, complaints

_STAND_INS: dict[str, Any] = {
    "station": "unnamed",
    "adapter": {"identity": {"product_name": "unnamed", "serial": 0}},
    "modules": [],
    "points": {},
    "devices": {},
}


@dataclass(frozen=True, slots=True)
class LoadedStation:
    """A station without mistakes: its model, image layout, warnings in file order, and its document."""

    model: Station
    layout: Layout
    warnings: tuple[Mistake, ...]
    document: Document


def load_station(text: str, file: str) -> LoadedStation:
    """Load a station file.

    Args:
        text: the file's text.
        file: its name, as it shall stand in mistakes.

    Raises:
        WrongFiles: every mistake in file order: YAML, keys and values, and cross references. A text that
            does not parse as YAML hides the mistakes behind that place.
    """
    return station_of(*parse_document(text, file))


def station_of(document: Document | None, found: tuple[Mistake, ...]) -> LoadedStation:
    """The station in a document that is already parsed, *found* the mistakes of parsing it.

    Raises:
        WrongFiles: as `load_station`.
    """
    if document is None:
        raise WrongFiles(found)
    if isinstance(document.data, dict) and {"scenario", "steps"} <= document.data.keys():
        raise WrongFiles([document.mistake((), "this is a scenario file; `bench run` takes those")])
    station, mistakes, broken = _model_of(document)
    if station is not None:
        mistakes = [*mistakes, *check_station(station, document, broken)]
    if found or mistakes or station is None:
        raise WrongFiles(in_file_order([*found, *mistakes]))
    return LoadedStation(station, lay_out(station), in_file_order(unused(station, document)), document)


def station_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of station files, for editors that complete and check YAML."""
    schema = Station.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "Station file"}


def _model_of(document: Document) -> tuple[Station | None, list[Mistake], Broken]:
    """The model; with mistakes, a model of what is left without the entries they are in."""
    try:
        return Station.model_validate(document.data), [], Broken()
    except ValidationError as error:
        found = complaints(error, Station, document.data)
    mistakes = [mistake_of(document, complaint) for complaint in found]
    if not isinstance(document.data, dict):
        return None, mistakes, Broken()
    rest, broken = _without(document.data, found)
    try:
        return Station.model_validate(rest), mistakes, broken
    except ValidationError:
        # what is left is still refused: better to report part of the mistakes than to guess at more
        return None, mistakes, broken


def _without(data: dict[str, Any], found: Iterable[Complaint]) -> tuple[dict[str, Any], Broken]:
    """The data without the entries that have complaints, and the names of those entries."""
    rest = _copied(data)
    modules: set[str] = set()
    devices: set[str] = set()
    sections: set[str] = set()
    removed: set[int] = set()
    for complaint in found:
        section, *inner = complaint.path if complaint.path else ("",)
        content = rest.get(str(section))
        if complaint.key_only and len(inner) == 2 and _drop_key(content, inner[0], inner[1]):
            continue
        if section == "modules" and inner and isinstance(content, list):
            index = int(inner[0])
            removed.add(index)
            modules.add(_module_name(content[index]))
        elif section in ("points", "devices") and inner and isinstance(content, dict):
            content.pop(inner[0], None)
            if section == "devices":
                devices.add(str(inner[0]))
        elif section == "adapter" and inner and isinstance(content, dict):
            content.pop(str(inner[0]), None)
            if inner[0] == "identity":
                content["identity"] = _STAND_INS["adapter"]["identity"]
        else:
            sections.add(str(section))
            rest.pop(str(section), None)
            if section in _STAND_INS:
                rest[str(section)] = _copied(_STAND_INS)[str(section)]
    if isinstance(rest.get("modules"), list):
        rest["modules"] = [entry for index, entry in enumerate(rest["modules"]) if index not in removed]
    return rest, Broken(frozenset(modules), frozenset(devices), frozenset(sections))


def _copied(data: dict[str, Any]) -> dict[str, Any]:
    """A copy down to the entries of each section, which is as deep as `_without` removes."""
    return {key: _copied_section(value) for key, value in data.items()}


def _copied_section(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: dict(entry) if isinstance(entry, dict) else entry for key, entry in value.items()}
    if isinstance(value, list):
        return [dict(entry) if isinstance(entry, dict) else entry for entry in value]
    return value


def _drop_key(content: Any, entry: str | int, key: str | int) -> bool:
    """Remove one unknown key of one entry; False where there is no such entry to keep."""
    try:
        inner = content[entry]
    except (KeyError, IndexError, TypeError):
        return False
    return isinstance(inner, dict) and inner.pop(key, None) is not None


def _module_name(entry: Any) -> str:
    name = entry.get("name") if isinstance(entry, dict) else None
    return name if isinstance(name, str) else ""
