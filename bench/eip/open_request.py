"""What a Forward Open asks for, resolved: its path, the connection it names, what already stands.

Values only; the reasons to refuse stand in `checks`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bench.eip.config import AdapterConfig, OutputFormat
from bench.eip.cyclic import EXCLUSIVE_OWNER, INPUT_ONLY, LISTEN_ONLY, ConnectionKind, Dress
from bench.eip.epath import DataSegment, ElectronicKey, Inhibit, Kind, Logical, Port, decode_path
from bench.eip.forward_open import ForwardOpen, Triad
from bench.eip.status import Status
from bench.errors import RemoteError


@dataclass(frozen=True, slots=True)
class Refusal:
    """`extended` holds all extended status words; the sentence names the expected value."""

    extended: tuple[int, ...]
    sentence: str
    status: int = Status.CONNECTION_FAILURE


@dataclass(frozen=True, slots=True)
class Held:
    """A connection that already stands; `kind` is None for explicit messages (class 3)."""

    triad: Triad
    originator: str
    kind: ConnectionKind | None
    timed_out: bool
    ot_point: int = 0
    to_point: int = 0

    @property
    def who(self) -> str:
        return f"originator {self.originator} (vendor {self.triad[1]}, serial {self.triad[2]})"


@dataclass(frozen=True, slots=True)
class Shared:
    """A multicast production that a later joiner has to agree with."""

    to_point: int
    asked: ForwardOpen
    api_us: int
    inhibit_us: int | None


@dataclass(frozen=True, slots=True)
class ConnectionPath:
    """A connection path resolved: the class and the points in the order they came."""

    class_ids: tuple[int, ...] = ()
    points: tuple[int, ...] = ()
    key: ElectronicKey | None = None
    configuration: bytes | None = None
    inhibit_us: int | None = None
    unexpected: str = ""
    hops: tuple[Port, ...] = ()


@dataclass(frozen=True, slots=True)
class Target:
    """What the points of a path mean: the kind of connection and the sizes of its data."""

    kind: ConnectionKind
    ot_point: int
    to_point: int
    ot_bytes: int
    to_bytes: int
    ot: Dress
    to: Dress


@dataclass(frozen=True, slots=True)
class OpenRequest:
    """Everything a check may look at; `target` is None where the path names no connection of ours."""

    originator: str
    asked: ForwardOpen
    config: AdapterConfig
    held: Sequence[Held]
    path: ConnectionPath
    shared: Sequence[Shared] = ()
    target: Target | None = None

    @property
    def aim(self) -> Target:
        assert self.target is not None, "check_points comes first"
        return self.target

    def refuse(self, extended: int, sentence: str, *words: int) -> Refusal:
        return Refusal((extended, *words), f"originator {self.originator} {sentence}")


def resolve_path(data: bytes) -> ConnectionPath:
    """The path of a Forward Open; a segment that does not belong there is kept for `check_path`."""
    try:
        segments = decode_path(data)
    except RemoteError as error:
        return ConnectionPath(unexpected=str(error))
    class_ids: list[int] = []
    points: list[int] = []
    hops: list[Port] = []
    key: ElectronicKey | None = None
    configuration: bytes | None = None
    inhibit_us: int | None = None
    unexpected = ""
    for segment in segments:
        match segment:
            case Logical(Kind.CLASS, value):
                class_ids.append(value)
            case Logical(Kind.INSTANCE | Kind.POINT, value):
                points.append(value)
            case Logical(kind, value):
                unexpected = unexpected or f"a {kind.name.lower()} segment ({value}) in a connection path"
            case ElectronicKey():
                key = segment
            case DataSegment(data):
                configuration = (configuration or b"") + data
            case Inhibit(time_us):
                inhibit_us = time_us
            case Port():
                hops.append(segment)
    return ConnectionPath(
        tuple(class_ids), tuple(points), key, configuration, inhibit_us, unexpected, tuple(hops)
    )


def resolve_target(config: AdapterConfig, path: ConnectionPath, asked: ForwardOpen) -> Target | None:
    """The I/O connection that the last two points of the path name, if they name one."""
    if len(path.points) < 2 or path.points[-1] != config.input_assembly:
        return None
    ot_point, to_point = path.points[-2:]
    kind = kinds_by_point(config).get(ot_point)
    if kind is None:
        return None
    counted = asked.transport_class == 1
    header = not kind.heartbeat and config.output_format is OutputFormat.HEADER
    ot_bytes = 0 if kind.heartbeat else config.output_size
    return Target(
        kind, ot_point, to_point, ot_bytes, config.input_size, Dress(counted, header), Dress(counted)
    )


def kinds_by_point(config: AdapterConfig) -> dict[int, ConnectionKind]:
    """Which O->T point stands for which kind of connection."""
    return {
        config.output_assembly: EXCLUSIVE_OWNER,
        config.input_only_point: INPUT_ONLY,
        config.listen_only_point: LISTEN_ONLY,
    }
