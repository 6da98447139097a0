"""What to tell a person about an EDS file: which connections, how large, by which path."""

from __future__ import annotations

from bench.eds.connections import Direction, EdsConnection, connections
from bench.eds.document import Eds
from bench.eds.flags import RealTimeFormat

_FORMAT = {
    RealTimeFormat.MODELESS: "",
    RealTimeFormat.ZERO_LENGTH: ", idle without data",
    RealTimeFormat.HEARTBEAT: ", heartbeat",
    RealTimeFormat.HEADER: ", 4 run/idle header",
}


def describe(eds: Eds) -> str:
    """Lines for a terminal, without the last line feed.

    Raises:
        WrongFiles: as `connections`.
    """
    found = connections(eds)
    device = [eds.value("Device", word) for word in ("ProdName", "VendCode", "ProdType", "ProdCode")]
    revision = f"{eds.value('Device', 'MajRev')}.{eds.value('Device', 'MinRev')}"
    head = "{}: vendor {}, device type {}, product code {}, revision ".format(*device) + revision
    return "\n".join((head, *(line for one in found for line in _lines(one)), *_CAUTIONS))


def _lines(one: EdsConnection) -> tuple[str, str]:
    rpi, default = one.to.rpi, one.to.rpi.start_us
    return (
        f"  {one.name}: O->T {_size(one.ot)}; T->O {_size(one.to)}",
        f"    path {one.path_text}; RPI {rpi.minimum_us / 1000:g} to {rpi.maximum_us / 1000:g} ms, "
        f"default {default / 1000:g} ms",
    )


def _size(side: Direction) -> str:
    types = "/".join(kind.name.lower().replace("_", " ") for kind in side.types)
    return f"{side.size} bytes{_FORMAT[side.format]} ({side.wire_size()} in the request), {types}"


_CAUTIONS = (
    "This is a simulation; not a real device's file. Import it, then give the scanner the address that",
    "`bench serve` listens on: an EDS holds none. Write it again when modules or points change, and take",
    "it out of the tool's library when the real device arrives: its own EDS has other sizes and names.",
)
