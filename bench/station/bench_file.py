"""A bench file: several stations on one computer, each with an address and perhaps a program of its own."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import AddressValueError, IPv4Address
from typing import Annotated

from pydantic import Field

from bench.errors import Mistake, WrongFiles
from bench.station.document import Document, check_model, in_file_order
from bench.station.model import Part, Text

MOST_STATIONS = 32  # each has a timer, sockets and a place on the screen


class StationEntry(Part):
    """One station of a bench: its file, the IPv4 address it is served at, a program for its controller."""

    station: Annotated[Text, Field(min_length=1)]
    address: Text | None = None
    logic: Annotated[Text, Field(min_length=1)] | None = None


class BenchFile(Part):
    """Stations served together; paths are relative to this file."""

    bench: Annotated[Text, Field(min_length=1, max_length=100)]
    stations: Annotated[tuple[StationEntry, ...], Field(min_length=1, max_length=MOST_STATIONS)]


def is_bench_file(document: Document) -> bool:
    """Whether a file holds stations rather than being one: its first key tells."""
    data = document.data
    return isinstance(data, dict) and next(iter(data), "") in ("bench", "stations")


def read_bench_file(document: Document) -> BenchFile:
    """The checked file.

    Raises:
        WrongFiles: every mistake: keys and values, addresses that are none, missing or used twice.
    """
    bench, found = check_model(BenchFile, document)
    mistakes = [*found]
    if bench is not None:
        mistakes += _addresses(bench, document)
    if mistakes or bench is None:
        raise WrongFiles(in_file_order(mistakes))
    return bench


def _addresses(bench: BenchFile, document: Document) -> Iterator[Mistake]:
    seen: dict[str, int] = {}
    for index, entry in enumerate(bench.stations):
        if entry.address is None:
            if len(bench.stations) > 1:
                sentence = "the key 'address' is missing; with several stations each needs one of its own"
                yield document.mistake(("stations", index), sentence)
            continue
        fault = address_fault(entry.address)
        path = ("stations", index, "address")
        if fault:
            yield document.mistake(path, fault)
        first = seen.setdefault(entry.address, index)
        if first != index:
            line = document.position(("stations", first, "address"))[0]
            sentence = f"{entry.address} is the address of the station on line {line} already"
            yield document.mistake(path, f"{sentence}; each binds its own")


def address_fault(text: str) -> str:
    """Why a station cannot be served at `text`; empty where it can."""
    try:
        address = IPv4Address(text)
    except AddressValueError:
        return f"{text!r} is no IPv4 address; expected four numbers, such as 127.0.0.3"
    if address.is_unspecified:
        return f"{text} means every address; name one address, because the adapter tells it to scanners"
    if address.is_multicast or text == "255.255.255.255":
        return f"{text} is an address of many; name one of this computer's own"
    return ""
