"""What an originator says and understands: the connection it asks for, the answer, the reasons of a refusal.

Values and bytes only; `scanner.Scanner` holds the states. Layouts as the open Wireshark dissector
decodes them (packet-cip.c, packet-enip.c).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum, auto

from bench.eip.config import OutputFormat, in_range
from bench.eip.cpf import Item, ItemType, decode_items, decode_sockaddr, encode_sockaddr, ipv4_bytes
from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY, ConnectionKind, Dress
from bench.eip.epath import DataSegment, ElectronicKey, Inhibit, Kind, Logical, Segment, encode_path
from bench.eip.forward_open import ConnectionType, ForwardClose, ForwardOpen, NetworkParameters
from bench.eip.message import ClassId, Response, Service, decode_response, encode_request
from bench.eip.transport import IO_PORT, Address
from bench.errors import LocalError, RemoteError

_MANAGER_PATH = encode_path((Logical(Kind.CLASS, ClassId.CONNECTION_MANAGER), Logical(Kind.INSTANCE, 1)))
_MULTIPLIERS = {4 << code: code for code in range(8)}
_SMALL_SIZE = 511  # above it the size needs a Large Forward Open
MOST_BYTES = 0xFFFF - Dress(header=True).overhead  # of data in the 16-bit size of a Large Forward Open
_RR_HEAD_BYTES = 6  # interface handle, timeout
_HEARTBEAT_POINTS = {INPUT_ONLY: 152, LISTEN_ONLY: 153}  # this bench's adapter; common practice, no source
# low, high, scheduled, urgent: defaults of the QoS object; scheduled 47 stands in public captures
_DSCP = (31, 43, 47, 55)


class State(Enum):
    IDLE = auto()
    CONNECTING = auto()
    REGISTERING = auto()
    READING = auto()  # sizes, when there are some to learn
    OPENING = auto()
    CONNECTED = auto()
    WAITING = auto()  # for the next try, over the session if there is one
    CLOSING = auto()
    CLOSED = auto()


AWAITED = {
    State.CONNECTING: "TCP connection",
    State.REGISTERING: "RegisterSession",
    State.READING: "Get_Attribute_Single of an assembly",
    State.OPENING: "Forward Open",
}


class Trigger(IntEnum):
    """When data is produced: by the interval alone, or at once when it has changed as well."""

    CYCLIC = 0
    CHANGE_OF_STATE = 1
    APPLICATION = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ScannerConfig:
    """One connection to one target.

    Sizes are payload bytes; `multiplier` is 4, 8 .. 512; times are whole microseconds in ns.
    `output_assembly` and `output_size` belong to the exclusive owner alone, `heartbeat_point` to the
    other kinds (None: 152 for input only, 153 for listen only). `multicast` is for T->O.
    `transport_class` is 0 or 1, `priority` 0 low, 1 high, 2 scheduled, 3 urgent. `inhibit_us` is the
    production inhibit time, at most the RPI; None asks for none, and a quarter of the RPI is kept for
    our own change-of-state data. No `configuration_assembly` leaves it out of the path.
    A try that failed is repeated after `retry_ns`, the next after twice that, up to `retry_most_ns`
    (never less than `retry_ns`). `learn_sizes` names the directions,
    "input" and "output", of which the target is asked the size first, and believed when it refuses one.

    Raises:
        LocalError: a value the Forward Open cannot carry, or that cannot work.
    """

    target: Address
    address: str
    input_assembly: int
    input_size: int
    output_assembly: int = 0
    output_size: int = 0
    configuration_assembly: int | None
    rpi_ns: int
    to_rpi_ns: int | None = None
    multiplier: int = 4
    originator_serial: int
    vendor_id: int = 0
    connection_serial: int = 1
    link: int = 1
    io_port: int = IO_PORT
    retry_ns: int = 1_000_000_000
    retry_most_ns: int = 8_000_000_000
    kind: ConnectionKind = EXCLUSIVE_OWNER
    heartbeat_point: int | None = None
    multicast: bool = False
    transport_class: int = 1
    trigger: Trigger = Trigger.CYCLIC
    inhibit_us: int | None = None
    priority: int = 2
    output_format: OutputFormat = OutputFormat.HEADER
    key: ElectronicKey | None = None
    configuration: bytes = b""
    learn_sizes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.multiplier not in _MULTIPLIERS:
            known = ", ".join(str(value) for value in _MULTIPLIERS)
            raise LocalError(f"multiplier {self.multiplier}: expected one of {known}")
        for name, span_ns in (("rpi_ns", self.rpi_ns), ("to_rpi_ns", self.to_api_asked_ns)):
            if span_ns % 1000 or not 0 < span_ns // 1000 <= 0xFFFF_FFFF:
                raise LocalError(f"{name} {span_ns}: expected whole microseconds, 1 to {0xFFFF_FFFF}")
        if self.retry_ns <= 0:
            raise LocalError(f"retry_ns {self.retry_ns}: expected more than 0")
        in_range("transport_class", self.transport_class, 0, 1)
        in_range("priority", self.priority, 0, 3)
        in_range("io_port", self.io_port, 1, 0xFFFF)
        in_range("input_assembly", self.input_assembly, 1, 0xFFFF)
        in_range("input_size", self.input_size, 0, MOST_BYTES)
        in_range("output_size", self.output_size, 0, MOST_BYTES)
        in_range("heartbeat_point" if self.kind.heartbeat else "output_assembly", self.ot_point, 1, 0xFFFF)
        if self.inhibit_us is not None:
            in_range("inhibit_us", self.inhibit_us, 0, min(self.rpi_ns, self.to_api_asked_ns) // 1000)
        if self.kind.heartbeat and self.output_format is not OutputFormat.HEADER:
            raise LocalError(f"output_format of a kind without outputs, {self.kind.name}: expected HEADER")

    @property
    def to_api_asked_ns(self) -> int:
        return self.rpi_ns if self.to_rpi_ns is None else self.to_rpi_ns

    @property
    def ot_point(self) -> int:
        """The O->T point of the path: the output assembly, or where the heartbeat goes."""
        if not self.kind.heartbeat:
            return self.output_assembly
        if self.heartbeat_point is not None:
            return self.heartbeat_point
        return _HEARTBEAT_POINTS.get(self.kind, 0)

    @property
    def ot_bytes(self) -> int:
        """Output data bytes on the wire: none in a heartbeat."""
        return 0 if self.kind.heartbeat else self.output_size

    @property
    def ot_dress(self) -> Dress:
        header = not self.kind.heartbeat and self.output_format is OutputFormat.HEADER
        return Dress(counted=self.transport_class == 1, header=header)

    @property
    def to_dress(self) -> Dress:
        return Dress(counted=self.transport_class == 1)

    @property
    def dscp(self) -> int:
        return _DSCP[self.priority]

    @property
    def ot_inhibit_ns(self) -> int:
        """Of our own change-of-state data; without one asked for, a quarter of the RPI."""
        return self.rpi_ns // 4 if self.inhibit_us is None else self.inhibit_us * 1000

    def path(self) -> bytes:
        """The connection path: key, class, configuration, O->T point, T->O point, inhibit, data."""
        segments: list[Segment] = [self.key] if self.key else []
        segments.append(Logical(Kind.CLASS, ClassId.ASSEMBLY))
        if self.configuration_assembly is not None:
            segments.append(Logical(Kind.INSTANCE, self.configuration_assembly))
        segments.append(Logical(Kind.POINT, self.ot_point))
        segments.append(Logical(Kind.POINT, self.input_assembly))
        if self.inhibit_us is not None:
            segments.append(Inhibit(self.inhibit_us))
        if self.configuration:
            segments.append(DataSegment(self.configuration))
        return encode_path(segments)


def open_request(config: ScannerConfig, to_id: int) -> tuple[bytes, tuple[Item, ...]]:
    """The Forward Open and the items beside it; *to_id* is ours to choose unless T->O is multicast."""
    ot_size = config.ot_bytes + config.ot_dress.overhead
    to_size = config.input_size + config.to_dress.overhead
    large = max(ot_size, to_size) > _SMALL_SIZE
    to_type = ConnectionType.MULTICAST if config.multicast else ConnectionType.POINT_TO_POINT
    asked = ForwardOpen(
        ot_id=0,  # the target chooses
        to_id=to_id,
        serial=config.connection_serial,
        vendor_id=config.vendor_id,
        originator_serial=config.originator_serial,
        multiplier_code=_MULTIPLIERS[config.multiplier],
        ot_rpi_us=config.rpi_ns // 1000,
        ot=NetworkParameters(ot_size, priority=config.priority),
        to_rpi_us=config.to_api_asked_ns // 1000,
        to=NetworkParameters(to_size, to_type, config.priority),
        path=config.path(),
        class_trigger=config.trigger << 4 | config.transport_class,
        large=large,
    )
    items: tuple[Item, ...] = ()
    if config.io_port != IO_PORT:
        items = (Item(ItemType.SOCKADDR_TO, encode_sockaddr("0.0.0.0", config.io_port)),)
    service = Service.LARGE_FORWARD_OPEN if large else Service.FORWARD_OPEN
    return encode_request(service, _MANAGER_PATH, asked.encode()), items


def close_request(config: ScannerConfig) -> bytes:
    """The Forward Close; the target finds the connection by serial, vendor and originator serial."""
    triad = config.connection_serial, config.vendor_id, config.originator_serial
    return encode_request(Service.FORWARD_CLOSE, _MANAGER_PATH, ForwardClose(*triad, config.path()).encode())


def read_answer(data: bytes) -> tuple[Response, tuple[Item, ...]]:
    """The response in a SendRRData frame and the other items, however many and in whatever order.

    Raises:
        RemoteError: truncated, interface handle not 0, or not exactly one message.
    """
    if len(data) < _RR_HEAD_BYTES:
        raise RemoteError("SendRRData", "interface handle and timeout, 6 bytes", f"{len(data)} bytes")
    handle = int.from_bytes(data[:4], "little")
    if handle:
        raise RemoteError("interface handle", "0 (CIP)", str(handle))
    items = decode_items(data[_RR_HEAD_BYTES:])
    messages = [item for item in items if item.type_id == ItemType.UNCONNECTED_DATA]
    if len(messages) != 1:
        got = ", ".join(f"0x{item.type_id:04X}" for item in items) or "no item"
        raise RemoteError("SendRRData items", "one item 0x00B2", got)
    _, response = decode_response(messages[0].data)
    others = (ItemType.UNCONNECTED_DATA, ItemType.NULL_ADDRESS)
    return response, tuple(item for item in items if item.type_id not in others)


@dataclass(frozen=True, slots=True)
class Route:
    """Where the frames of an open connection go, and what was odd about how the target said it."""

    ot_peer: Address
    group: Address | None = None
    remarks: tuple[str, ...] = ()


def route_of(items: tuple[Item, ...], config: ScannerConfig) -> Route:
    """What the socket address items of a granted Forward Open mean.

    O->T frames go to the target itself only: another address in its item could make us flood a
    stranger. The port is the item's, or 2222.

    Raises:
        RemoteError: an item that is no socket address.
    """
    host = config.target[0]
    ot_peer, group = (host, IO_PORT), None
    remarks: list[str] = []
    for item in items:
        if item.type_id == ItemType.SOCKADDR_OT:
            address, port = decode_sockaddr(item.data)
            ot_peer = (host, port or IO_PORT)
            if address not in ("0.0.0.0", host):
                remarks.append(
                    f"item 0x8000 sends O->T frames to {address}; expected 0.0.0.0 or {host}, "
                    "and they go there: frames to an address that asked for none would be a flood"
                )
        elif item.type_id == ItemType.SOCKADDR_TO and config.multicast:
            address, port = decode_sockaddr(item.data)
            if _is_group(address):
                group = (address, port or IO_PORT)
            else:
                remarks.append(f"item 0x8001 names {address}; expected a multicast group, 224.0.0.0/4")
    if config.multicast and group is None:
        remarks.append(
            "multicast was asked for and no group came back (item 0x8001); "
            f"T->O frames are taken when they come to {config.address}:{config.io_port}"
        )
    return Route(ot_peer, group, tuple(remarks))


def refusal_hint(extended: tuple[int, ...], config: ScannerConfig) -> str:
    """What was asked for, what the target takes as far as it says, and what to do: `; ...` or nothing."""
    if not extended:
        return ""
    match extended[0]:
        case 0x127:
            return _size_hint(config.ot_dress.sum_text(config.ot_bytes), "takes", extended)
        case 0x128:
            return _size_hint(config.to_dress.sum_text(config.input_size), "gives", extended)
        case 0x126:
            words = (len(config.configuration) + 1) // 2
            takes = f", it takes {extended[1]}" if len(extended) > 1 else ""
            return f"; we sent {words} words of configuration ({len(config.configuration)} bytes){takes}"
        case 0x111 | 0x112:
            return _rpi_hint(extended, config)
        case 0x114 | 0x115 | 0x116 if config.key is None:
            return "; we sent no electronic key"
        case code:
            to_type = "multicast" if config.multicast else "point to point"
            return _HINTS.get(code, "").format(c=config, ot=config.ot_point, to_type=to_type)


def _size_hint(asked: str, verb: str, extended: tuple[int, ...]) -> str:
    said = f"it {verb} {extended[1]}" if len(extended) > 1 else "it does not say its own size"
    return f"; we asked for {asked}, {said}"


def _rpi_hint(extended: tuple[int, ...], config: ScannerConfig) -> str:
    """The five words after 0x112: a byte each of what was wrong, then an RPI in us each, O->T first."""
    ot_us, to_us = config.rpi_ns // 1000, config.to_api_asked_ns // 1000
    asked = f"; we asked for RPI {ot_us} us O->T and {to_us} us T->O"
    if len(extended) != 6:
        return f"{asked}, it does not say which it would take"
    ot = extended[2] | extended[3] << 16
    to = extended[4] | extended[5] << 16
    return f"{asked}, acceptable are {ot} us O->T and {to} us T->O"


_HINTS = {
    0x100: "; a connection with this serial is still open there: close it, or wait until it times out",
    0x103: "; we asked for class {c.transport_class}, trigger {c.trigger}",
    0x106: "; another originator owns output assembly {ot}: close its connection first, or ask for an "
    "input-only or listen-only connection",
    0x113: "; close another connection to it first",
    0x114: "; our electronic key names another vendor or product: leave it out, or write the target's own",
    0x115: "; our electronic key names another device type: leave it out, or write the target's own",
    0x116: "; our electronic key names another revision: leave it out, or write the target's own",
    0x117: "; we asked for O->T point {ot} and T->O point {c.input_assembly} of class Assembly",
    0x119: "; listen only needs another originator's connection to the same input assembly",
    0x11A: "; close another connection to it first",
    0x11B: "; we asked for a production inhibit time of {c.inhibit_us} us",
    0x123: "; we asked for point to point",
    0x124: "; we asked for {to_type}",
    0x129: "; we named configuration assembly {c.configuration_assembly}",
    0x12A: "; we named O->T point {ot}",
    0x12B: "; we named T->O point {c.input_assembly}",
    0x12F: "; we named configuration {c.configuration_assembly}, O->T {ot}, T->O {c.input_assembly}",
    0x315: "; we named configuration {c.configuration_assembly}, O->T {ot}, T->O {c.input_assembly}",
    0x813: "; it sends multicast to its own subnet only: ask for point to point",
}


def _is_group(address: str) -> bool:
    return 224 <= ipv4_bytes(address)[0] <= 239
