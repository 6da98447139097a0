"""An EDS file for one adapter, made from its configuration alone: no clock, no machine.

Sections and fields in the order of open EDS files; what each field means stands beside it in the file,
for the person who opens it in an editor.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from bench.eds.flags import DirectionFlags, RealTimeFormat, Transport, Trigger
from bench.eds.text import Row, entry_lines, hex_text, place_text, quoted, quoted_exactly, types_text
from bench.eip.config import AdapterConfig, OutputFormat
from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, KINDS, LISTEN_ONLY, ConnectionKind
from bench.eip.epath import Kind, Logical, encode_path
from bench.eip.forward_open import ConnectionType
from bench.errors import LocalError

BOOL, USINT, UDINT, BYTE = 0xC1, 0xC6, 0xC8, 0xD1  # CIP elementary data type codes
PACKETS_PER_SECOND = 10_000  # 100 connections at 10 ms; the computer it runs on may do less or more
_ASSEMBLY_CLASS, _DATA_ATTRIBUTE = 4, 3
_HELP_LENGTH = 64  # what a parameter's help may have, from memory
_DATE = re.compile(r"([0-9]{4})-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])", re.ASCII)

# Names of device types as the open Wireshark dissector lists them.
_TYPE_NAMES = {
    0x00: "Generic Device",
    0x07: "General Purpose Discrete I/O",
    0x0C: "Communications Adapter",
    0x1B: "Pneumatic Valve",
    0x2B: "Generic Device",
}


class NamedPoint(Protocol):
    """One named bit of an image; the station's point places are such."""

    @property
    def tag(self) -> str: ...
    @property
    def byte(self) -> int: ...
    @property
    def bit(self) -> int: ...
    @property
    def device(self) -> str: ...
    @property
    def note(self) -> str: ...


@dataclass(frozen=True, slots=True)
class FileStamp:
    """What [File] says of the file itself. `date` is YYYY-MM-DD and never read from a clock: the same
    station gives the same file.

    Raises:
        LocalError: not such a date.
    """

    date: str = "2025-01-01"
    revision: str = "1.0"

    def __post_init__(self) -> None:
        if not _DATE.fullmatch(self.date):
            raise LocalError(f"date {self.date}: expected year-month-day, as in 2025-01-31")

    @property
    def eds_date(self) -> str:
        """The date as EDS files write it: month-day-year."""
        year, month, day = self.date.split("-")
        return f"{month}-{day}-{year}"


def write_eds(
    config: AdapterConfig,
    inputs: Sequence[NamedPoint] = (),
    outputs: Sequence[NamedPoint] = (),
    stamp: FileStamp = FileStamp(),
) -> str:
    """The whole file, ASCII with line feeds.

    Raises:
        LocalError: two points on one bit, or a point outside its image.
    """
    return _Writer(config, stamp).file(inputs, outputs)


class _Writer:
    def __init__(self, config: AdapterConfig, stamp: FileStamp) -> None:
        self._config = config
        self._stamp = stamp
        self._lines: list[str] = []
        self._params: list[str] = []
        self._count = 0
        self._bytes: dict[str, str] = {}
        self._assemblies: list[str] = []

    def file(self, inputs: Sequence[NamedPoint], outputs: Sequence[NamedPoint]) -> str:
        config = self._config
        self._comment(
            "Written by a simulation of an I/O adapter. It describes no device that can be bought;",
            "vendor id 0 belongs to nobody. Write it again when the station's modules change.",
        )
        self._file_and_device()
        self._rpi_param()
        self._assembly("Input", config.input_assembly, config.input_size, inputs)
        self._assembly("Output", config.output_assembly, config.output_size, outputs, settable=True)
        self._configuration_assembly()
        self._section("Params")
        self._lines += self._params
        self._section("Assembly")
        self._class(2, "Assembly Object", _ASSEMBLY_CLASS, None)
        self._lines += self._assemblies
        self._section("Connection Manager")
        self._class(1, "Connection Manager Object", 6)
        for number, kind in enumerate(KINDS, 1):
            self._connection(number, kind)
        self._capacity()
        self._objects()
        return "\n".join(self._lines) + "\n"

    # lines

    def _comment(self, *lines: str) -> None:
        self._lines += [f"$ {line}" for line in lines]

    def _section(self, name: str) -> None:
        self._lines += ["", f"[{name}]"]

    def _plain(self, keyword: str, value: object) -> None:
        self._lines.append(f"        {keyword} = {value};")

    # sections

    def _file_and_device(self) -> None:
        identity = self._config.identity
        self._section("File")
        self._plain("DescText", quoted(f"{identity.product_name} (simulated I/O adapter)"))
        for keyword in ("Create", "Mod"):
            self._plain(f"{keyword}Date", self._stamp.eds_date)
            self._plain(f"{keyword}Time", "00:00:00")
        self._plain("Revision", self._stamp.revision)
        self._section("Device")
        self._lines.append("        $ These equal the answer to List Identity.")
        vendor = identity.vendor_id
        kind = identity.device_type
        self._plain("VendCode", vendor)
        self._plain("VendName", quoted(f"Vendor {vendor}" if vendor else "No vendor (simulation)"))
        self._plain("ProdType", kind)
        self._plain("ProdTypeStr", quoted(_TYPE_NAMES.get(kind, f"Device type {kind}")))
        self._plain("ProdCode", identity.product_code)
        self._plain("MajRev", identity.major)
        self._plain("MinRev", identity.minor)
        self._plain("ProdName", quoted_exactly(identity.product_name))
        self._plain("Catalog", quoted("simulated"))
        self._section("Device Classification")
        self._plain("Class1", "EtherNetIP")

    def _param(self, code: int, size: int, name: str, help_text: str, values: str, units: str = "") -> str:
        self._count += 1
        keyword = f"Param{self._count}"
        rows: list[Row] = [
            ("0", "reserved"),
            (",", "link path size, link path"),
            ("0x0000", "descriptor"),
            (f"0x{code:02X}", "data type"),
            (str(size), "data size in bytes"),
            (quoted(name), "name"),
            (quoted(units), "units"),
            (quoted(help_text, _HELP_LENGTH), "help"),
            (values, "minimum, maximum, default"),
            (",,,", "multiplier, divisor, base, offset"),
            (",,,", "links to them"),
            ("", "decimal places"),
        ]
        self._params += entry_lines(keyword, rows)
        return keyword

    def _rpi_param(self) -> None:
        low_us = -(-self._config.smallest_api_ns // 1000)
        high_us = max(self._config.limits.rpi_max_ns // 1000, low_us)
        default_us = min(max(-(-self._config.rpi_default_ns // 1000), low_us), high_us)
        help_text = "Requested packet interval, O->T and T->O"
        self._param(UDINT, 4, "RPI", help_text, f"{low_us},{high_us},{default_us}", "us")

    def _assembly(
        self, name: str, number: int, size: int, points: Sequence[NamedPoint], settable: bool = False
    ) -> None:
        members = self._members(name, size, points)
        self._assembly_entry(f"{name} data", number, size, settable, members)

    def _members(self, name: str, size: int, points: Sequence[NamedPoint]) -> list[Row]:
        """One member a named bit, then what has no name: whole bytes as bytes, bits as a gap."""
        rows: list[Row] = []
        at = 0
        for point in sorted(points, key=lambda point: (point.byte, point.bit)):
            place = 8 * point.byte + point.bit
            if not at <= place < 8 * size:
                where = f"{point.tag} at byte {point.byte} bit {point.bit}"
                raise LocalError(
                    f"{where}: another point stands there, or the {name.lower()} image ends before"
                )
            rows += self._nameless(name, at, place)
            help_text = "; ".join(filter(None, (point.device, point.note)))
            param = self._param(BOOL, 1, point.tag, help_text, "0,1,0")
            rows.append((f"1,{param}", f"{place_text(place)} {point.tag}"))
            at = place + 1
        return rows + self._nameless(name, at, 8 * size)

    def _nameless(self, name: str, start: int, end: int) -> list[Row]:
        rows: list[Row] = []
        while start < end:
            whole = start % 8 == 0 and end - start >= 8
            bits = 8 if whole else min(8 - start % 8, end - start)
            rows.append(
                (f"8,{self._byte(name)}" if whole else f"{bits},", f"{place_text(start)} and on: no tag")
            )
            start += bits
        return rows

    def _byte(self, name: str) -> str:
        """The parameter that every nameless byte of an image shares."""
        if name not in self._bytes:
            self._bytes[name] = self._param(
                BYTE, 1, f"{name} data", f"One byte of the {name.lower()} image", "0,255,0"
            )
        return self._bytes[name]

    def _configuration_assembly(self) -> None:
        """The bytes the adapter compares with; an empty configuration has no entry, as nothing is sent."""
        config = self._config
        if not config.configuration:
            return
        members = []
        for at, byte in enumerate(config.configuration):
            param = self._param(USINT, 1, f"Configuration byte {at}", "", f"0,255,{byte}")
            members.append((f"8,{param}", f"byte {at}"))
        self._assembly_entry(
            "Configuration data", config.configuration_assembly, len(config.configuration), True, members
        )

    def _assembly_entry(self, name: str, number: int, size: int, settable: bool, members: list[Row]) -> None:
        segments = (
            Logical(Kind.CLASS, _ASSEMBLY_CLASS),
            Logical(Kind.INSTANCE, number),
            Logical(Kind.ATTRIBUTE, _DATA_ATTRIBUTE),
        )
        rows: list[Row] = [
            (quoted(name), "name"),
            (quoted(hex_text(encode_path(segments))), "path to the data"),
            (str(size), "size in bytes"),
            (f"0x{int(settable):04X}", "descriptor"),
            (",", "reserved"),
            *((text, f"bits, member: {where}") for text, where in members),
        ]
        self._assemblies += entry_lines(f"Assem{number}", rows)

    def _connection(self, number: int, kind: ConnectionKind) -> None:
        config = self._config
        transport = Transport((1,), tuple(Trigger), (kind.name,))
        o_t, t_o = self._directions(kind)
        parameters = o_t.encode(False) | t_o.encode(True)
        ot_rows = ",0," if kind.heartbeat else f",{config.output_size},Assem{config.output_assembly}"
        format_text = "heartbeat" if kind.heartbeat else _FORMAT_TEXT[RealTimeFormat(o_t.format)]
        sent = len(config.configuration)
        configuration = f"{sent},Assem{config.configuration_assembly}" if sent else "0,"
        rows: list[Row] = [
            (f"0x{transport.encode():08X}", f"{kind.name}; class 1; any trigger"),
            (
                f"0x{parameters:08X}",
                f"O->T {format_text}; T->O {types_text(t_o)}",
            ),
            (f"Param1{ot_rows}", "O->T RPI, size of the data, format"),
            (
                f"Param1,{config.input_size},Assem{config.input_assembly}",
                "T->O RPI, size of the data, format",
            ),
            (",", "configuration of a proxy: none"),
            (
                configuration,
                "configuration size, format",
            ),
            (quoted(kind.name.title()), "name"),
            (quoted(_HELP[kind], _HELP_LENGTH), "help"),
            (quoted(hex_text(connection_path(config, kind))), "path: configuration, O->T, T->O"),
        ]
        self._lines += entry_lines(f"Connection{number}", rows)

    def _directions(self, kind: ConnectionKind) -> tuple[DirectionFlags, DirectionFlags]:
        if kind.heartbeat:
            o_t = DirectionFlags(RealTimeFormat.HEARTBEAT)
        else:
            o_t = DirectionFlags(_FORMATS[self._config.output_format])
        # who only listens joins a group that is there already: point to point would be nobody's data
        types = (ConnectionType.MULTICAST, ConnectionType.POINT_TO_POINT)[: 1 if kind.needs_other else 2]
        return o_t, DirectionFlags(RealTimeFormat.MODELESS, types)

    def _capacity(self) -> None:
        config, limits = self._config, self._config.limits
        largest = max(config.output_size + 6, config.input_size + 2)
        self._section("Capacity")
        self._lines.append(
            "        $ What one simulated adapter takes; packets a second depend on the computer."
        )
        self._plain("MaxMsgConnections", limits.message_connections)
        self._plain("MaxIOConnections", limits.io_connections)
        self._plain("MaxIOProducers", limits.io_connections)
        self._plain("MaxIOConsumers", limits.io_connections)
        self._plain("MaxIOMcastProducers", 1)
        self._plain("MaxConsumersPerMcast", limits.io_connections)
        self._plain("TSpec1", f"TxRx,{largest},{PACKETS_PER_SECOND}")

    def _objects(self) -> None:
        for section, revision, name, class_id in _OBJECTS:
            self._section(section)
            self._class(revision, name, class_id)
            if section.startswith("Ethernet Link") and self._config.network.interface:
                self._plain("InterfaceLabel1", quoted(self._config.network.interface))

    def _class(self, revision: int, name: str, class_id: int, instances: int | None = 1) -> None:
        self._plain("Revision", revision)
        self._plain("Object_Name", quoted(name))
        self._plain("Object_Class_Code", f"0x{class_id:02X}")
        if instances is not None:
            self._plain("MaxInst", instances)
            self._plain("Number_Of_Static_Instances", instances)
            self._plain("Max_Number_Of_Dynamic_Instances", 0)


# section, revision of the class, name, class id
_OBJECTS = (
    ("TCP/IP Interface Class", 4, "TCP/IP Interface Object", 0xF5),
    ("Ethernet Link Class", 4, "Ethernet Link Object", 0xF6),
    ("Identity Class", 1, "Identity Object", 0x01),
    ("QoS Class", 1, "QoS Object", 0x48),
    ("Port", 2, "Port Object", 0xF4),
)
_FORMATS = {
    OutputFormat.HEADER: RealTimeFormat.HEADER,
    OutputFormat.ZERO_LENGTH: RealTimeFormat.ZERO_LENGTH,
}
_FORMAT_TEXT = {
    RealTimeFormat.HEADER: "with run/idle header",
    RealTimeFormat.ZERO_LENGTH: "idle is a frame without data",
}
_HELP = {
    EXCLUSIVE_OWNER: "Writes the outputs and reads the inputs; one at a time",
    INPUT_ONLY: "Reads the inputs; any number beside the owner",
    LISTEN_ONLY: "Hears the inputs while another connection has them sent",
}


def connection_path(config: AdapterConfig, kind: ConnectionKind) -> bytes:
    """Configuration, O->T point, T->O point of a kind of connection."""
    o_t = {INPUT_ONLY: config.input_only_point, LISTEN_ONLY: config.listen_only_point}
    return encode_path(
        (
            Logical(Kind.CLASS, _ASSEMBLY_CLASS),
            Logical(Kind.INSTANCE, config.configuration_assembly),
            Logical(Kind.POINT, o_t.get(kind, config.output_assembly)),
            Logical(Kind.POINT, config.input_assembly),
        )
    )
