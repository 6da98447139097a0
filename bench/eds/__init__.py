"""EDS files: written from an adapter configuration, read back, made into the Forward Open they promise."""

from bench.eds.connections import Direction, EdsConnection, connections
from bench.eds.document import Eds, Entry, Field, Section
from bench.eds.flags import RealTimeFormat, Trigger
from bench.eds.note import describe
from bench.eds.opening import forward_open
from bench.eds.reader import read_eds
from bench.eds.references import RpiRange
from bench.eds.writer import FileStamp, NamedPoint, write_eds

__all__ = [
    "Direction",
    "Eds",
    "EdsConnection",
    "Entry",
    "Field",
    "FileStamp",
    "NamedPoint",
    "RealTimeFormat",
    "RpiRange",
    "Section",
    "Trigger",
    "connections",
    "describe",
    "forward_open",
    "read_eds",
    "write_eds",
]
