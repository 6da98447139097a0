"""The columns of the tables: the adapter under test, bare Python as floor, PyPI peers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench import peers
from tests.bench.explicit import REPLY_BYTES
from tests.bench.originator import (
    IO_PORT,
    Datagrams,
    Points,
    RefusedError,
    Session,
    Stream,
    close_stream,
    open_stream,
)
from tests.bench.servers import ADDRESS, OWN, ROOT, floor, has_uvloop, running

LOOPBACK = ROOT / "scenarios" / "loopback" / "station.yaml"
FLOOR_ID = 0x0B00_F100

Opened = tuple[Datagrams, Stream, Points]


class EndedError(Exception):
    """The adapter did not know the connection any more when it was to be closed."""


@dataclass(frozen=True, slots=True)
class Subject:
    """A column: how to open a cyclic stream at an RPI, how to get a server for explicit messages."""

    name: str
    stream: Callable[[int], Any] | None = None  # context manager that yields `Opened`
    explicit: Callable[[], Any] | None = None  # context manager that yields nothing
    bare: bool = False


def own_station(station: Path | None) -> tuple[Path, Points]:
    """The station to serve, and how its connection is opened."""
    from bench.build import scanner_config
    from bench.suite import read_station

    path = station or LOOPBACK
    config = scanner_config(read_station(path), ADDRESS, OWN, IO_PORT)
    return path, Points(
        config.input_assembly,
        config.output_assembly,
        config.configuration_assembly or 0,
        input_size=config.input_size,
        output_size=config.output_size,
        configured=config.configuration_assembly is not None,
    )


@contextmanager
def adapter_stream(command: list[str], points: Points, rpi_us: int, silent: bool = False) -> Iterator[Opened]:
    """A connection to an adapter. *silent*: it prints nothing when it is ready."""
    with (
        running(command, None if silent else "Running"),
        closing(Datagrams(OWN)) as link,
        closing(Session(ADDRESS, OWN)) as session,
    ):
        stream = open_stream(session, ADDRESS, points, rpi_us, 1)
        yield link, stream, points
        try:
            close_stream(session, stream)
        except RefusedError as refusal:
            raise EndedError(f"the connection ended by itself; Forward Close: {refusal}") from refusal


@contextmanager
def floor_stream(kind: str, rpi_us: int) -> Iterator[Opened]:
    with running(floor("producer", kind, rpi_us, FLOOR_ID)), closing(Datagrams(OWN)) as link:
        yield link, Stream((ADDRESS, IO_PORT), 1, FLOOR_ID), Points()


@contextmanager
def served(command: list[str], silent: bool = False) -> Iterator[None]:
    with running(command, None if silent else "Running"):
        yield


def adapter(name: str, command: list[str], points: Points, silent: bool = False) -> Subject:
    return Subject(
        name, lambda rpi_us: adapter_stream(command, points, rpi_us, silent), lambda: served(command, silent)
    )


def floors() -> list[Subject]:
    found = [
        Subject("thread", lambda rpi_us: floor_stream("thread", rpi_us)),
        Subject(
            "asyncio",
            lambda rpi_us: floor_stream("asyncio", rpi_us),
            lambda: served(floor("echo", "asyncio", REPLY_BYTES)),
            bare=True,
        ),
    ]
    if has_uvloop():
        found.append(Subject("uvloop", None, lambda: served(floor("echo", "uvloop", REPLY_BYTES)), bare=True))
    return found


def others(folder: Path, notes: list[str]) -> list[Subject]:
    found = []
    ready = peers.environments(folder)
    cm, cpppo = ready[peers.CM], ready[peers.CPPPO]
    notes += [environment.reason for environment in (cm, cpppo) if environment.reason]
    if cm.python is not None:
        found.append(adapter("cm", peers.cm_command(cm.python, "asyncio"), Points()))
        if peers.has_uvloop(cm.python):
            found.append(adapter("cm uvloop", peers.cm_command(cm.python, "uvloop"), Points()))
    if cpppo.python is not None:
        found.append(adapter("cpppo", peers.cpppo_command(cpppo.python), Points(), silent=True))
    return found
