"""What an adapter is: its identity, its assemblies, its packet intervals, its rules on loss."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from bench.eip.cpf import ipv4_bytes
from bench.eip.epath import ElectronicKey
from bench.eip.transport import IO_PORT
from bench.errors import LocalError

MAX_ASSEMBLY_BYTES = 1400  # so that a class 1 frame fits one Ethernet frame


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Attributes of the Identity object; vendor id 0 is no vendor's."""

    vendor_id: int = 0
    device_type: int = 0x0C  # communications adapter
    product_code: int = 1
    major: int = 1
    minor: int = 1
    serial: int
    product_name: str

    def __post_init__(self) -> None:
        for name, high in (("vendor_id", 0xFFFF), ("device_type", 0xFFFF), ("product_code", 0xFFFF)):
            in_range(name, getattr(self, name), 0, high)
        in_range("major", self.major, 1, 0x7F)
        in_range("minor", self.minor, 0, 0xFF)
        in_range("serial", self.serial, 0, 0xFFFF_FFFF)
        if not (self.product_name.isascii() and 1 <= len(self.product_name) <= 32):
            raise LocalError(f"product_name {self.product_name!r}: expected 1 to 32 ASCII characters")


class OnLoss(Enum):
    """What becomes of the outputs when the owner is idle or gone."""

    CLEAR = "clear"
    HOLD = "hold"


class OutputFormat(Enum):
    """How an owner says run or idle in its O->T data."""

    HEADER = "header"  # a 32-bit run/idle header, bit 0 is run
    ZERO_LENGTH = "zero_length"  # no header: data is run, a frame without data is idle


@dataclass(frozen=True, slots=True, kw_only=True)
class Network:
    """The interface the adapter lives on; IPv4 dotted."""

    netmask: str = "255.255.255.0"
    gateway: str = "0.0.0.0"
    host_name: str = ""
    interface: str = ""  # label of the Ethernet Link object

    def __post_init__(self) -> None:
        bits = int.from_bytes(ipv4_bytes(self.netmask), "big")
        if (bits | bits - 1) != 0xFFFF_FFFF and bits:
            raise LocalError(f"netmask {self.netmask}: expected ones, then zeros, as in 255.255.255.0")
        ipv4_bytes(self.gateway)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one adapter holds at most; every limit is refused or dropped in words, never in silence.

    `quiet_s`: a TCP link that has not registered a session by then is closed. `inactivity_s` is the
    first value of the encapsulation inactivity timeout (TCP/IP Interface attribute 13), 0 is off.
    `datagrams_per_s` bounds the answers to unauthenticated datagrams for one source address,
    `complaints_per_s` the log lines about refusals, and those about bad frames.
    """

    io_connections: int = 128
    message_connections: int = 32
    sessions: int = 128
    sessions_per_source: int = 64
    frame_bytes: int = 4096
    quiet_s: int = 10
    inactivity_s: int = 120
    datagrams_per_s: int = 50
    complaints_per_s: int = 20
    rpi_max_ns: int = 10_000_000_000


_MOST_US = 0xFFFF_FFFF  # a packet interval is a UDINT of microseconds


@dataclass(frozen=True, slots=True, kw_only=True)
class AdapterConfig:
    """One adapter. Sizes are payload bytes; intervals are nanoseconds.

    `tick_ns` is what the shell's timer can really keep: a packet interval asked for is rounded up to
    it. `keep_owner_slot`: after a timeout only the same originator may reopen, as the connection's
    "timed out" state has it; False frees the outputs for anybody.

    Raises:
        LocalError: a value out of range, or two assemblies with one number.
    """

    identity: Identity
    address: str
    input_assembly: int
    input_size: int
    output_assembly: int
    output_size: int
    configuration_assembly: int
    configuration: bytes = b""
    rpi_min_ns: int
    rpi_default_ns: int
    tick_ns: int = 1_000_000
    on_idle: OnLoss = OnLoss.CLEAR
    on_timeout: OnLoss = OnLoss.CLEAR
    io_port: int = IO_PORT
    keep_owner_slot: bool = True
    input_only_point: int = 152  # where the heartbeat of an input-only connection goes
    listen_only_point: int = 153
    output_format: OutputFormat = OutputFormat.HEADER
    settable_outputs: bool = False  # whether an explicit message may set outputs nobody owns
    network: Network = Network()
    limits: Limits = Limits()

    def __post_init__(self) -> None:
        ipv4_bytes(self.address)
        numbers = (
            self.input_assembly,
            self.output_assembly,
            self.configuration_assembly,
            self.input_only_point,
            self.listen_only_point,
        )
        names = ("input_assembly", "output_assembly", "configuration_assembly", "input_only", "listen_only")
        for name, number in zip(names, numbers, strict=True):
            in_range(name, number, 1, 0xFFFF)
        if len(set(numbers)) != len(numbers):
            raise LocalError(f"assemblies {numbers}: expected {len(numbers)} different numbers")
        in_range("input_size", self.input_size, 0, MAX_ASSEMBLY_BYTES)
        in_range("output_size", self.output_size, 0, MAX_ASSEMBLY_BYTES)
        in_range("tick_ns", self.tick_ns, 1000, 1_000_000_000)
        in_range("rpi_min_ns", self.rpi_min_ns, 1, 0xFFFF_FFFF * 1000)
        in_range("rpi_default_ns", self.rpi_default_ns, self.rpi_min_ns, 0xFFFF_FFFF * 1000)
        in_range("io_port", self.io_port, 1, 0xFFFF)

    def api_ns(self, rpi_us: int) -> int:
        """The packet interval that will be kept for the one asked for: rounded up to the tick.

        The longest interval that can be asked for is rounded down: the reply has no room for more.
        """
        ticks = -(-rpi_us * 1000 // self.tick_ns)
        return min(ticks, _MOST_US * 1000 // self.tick_ns) * self.tick_ns

    @property
    def smallest_api_ns(self) -> int:
        return -(-self.rpi_min_ns // self.tick_ns) * self.tick_ns


def other_byte(data: bytes, own: bytes) -> int | None:
    """Where the first byte of *data* stands that is not as in *own*; a pad byte after it does not count."""
    return next(
        (at for at, (got, expected) in enumerate(zip(data, own, strict=False)) if got != expected), None
    )


def key_mismatch(key: ElectronicKey, identity: Identity) -> tuple[str, str] | None:
    """Which field of the key does not fit ("vendor", "type", "product", "revision"), and a sentence.

    Zero means any. With the compatibility bit set the device may be of a newer minor revision than
    the key names, never of another major one.
    """
    if key.vendor_id and key.vendor_id != identity.vendor_id:
        return "vendor", f"vendor {key.vendor_id}; this adapter's vendor id is {identity.vendor_id}"
    if key.device_type and key.device_type != identity.device_type:
        return "type", f"device type {key.device_type}; this adapter's is {identity.device_type}"
    if key.product_code and key.product_code != identity.product_code:
        return "product", f"product code {key.product_code}; this adapter's is {identity.product_code}"
    major_fits = key.major in (0, identity.major)
    minor_fits = key.minor in (0, identity.minor) or (key.compatible and key.minor <= identity.minor)
    if major_fits and minor_fits:
        return None
    own = f"{identity.major}.{identity.minor}"
    return "revision", f"revision {key.major}.{key.minor}; this adapter's is {own}"


def in_range(name: str, value: int, low: int, high: int) -> None:
    """LocalError unless low <= value <= high."""
    if not low <= value <= high:
        raise LocalError(f"{name} {value}: expected {low} to {high}")
