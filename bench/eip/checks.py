"""Every reason to refuse a Forward Open, as an ordered list of small functions.

The order follows what open implementations and captures show: types, duplicate, trigger, path with
its key first, points, ownership, intervals, sizes. Each function returns a refusal or None.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from bench.eip.config import AdapterConfig, key_mismatch
from bench.eip.cyclic import EXCLUSIVE_OWNER, RUN_IDLE_BYTES, ConnectionKind, Dress
from bench.eip.epath import DataSegment, ElectronicKey, Inhibit, Kind, Logical, decode_path
from bench.eip.forward_open import CLASS_1_CYCLIC, ConnectionType, ForwardOpen, Triad, rpi_words
from bench.eip.message import ClassId
from bench.eip.status import Extended, Status
from bench.errors import RemoteError


@dataclass(frozen=True, slots=True)
class Refusal:
    """`extended` holds all extended status words; the sentence names the expected value."""

    extended: tuple[int, ...]
    sentence: str
    status: int = Status.CONNECTION_FAILURE


@dataclass(frozen=True, slots=True)
class Held:
    """A connection that already stands: who has it, and whether it timed out."""

    triad: Triad
    originator: str
    kind: ConnectionKind
    timed_out: bool


@dataclass(frozen=True, slots=True)
class ConnectionPath:
    """A connection path resolved: the class and the points in the order they came."""

    class_ids: tuple[int, ...] = ()
    points: tuple[int, ...] = ()
    key: ElectronicKey | None = None
    configuration: bytes | None = None
    inhibit_us: int | None = None
    unexpected: str = ""


@dataclass(frozen=True, slots=True)
class OpenRequest:
    """Everything a check may look at."""

    originator: str
    asked: ForwardOpen
    config: AdapterConfig
    held: Sequence[Held]
    path: ConnectionPath
    kind: ConnectionKind = EXCLUSIVE_OWNER

    def refuse(self, extended: int, sentence: str, *words: int) -> Refusal:
        return Refusal((extended, *words), f"originator {self.originator} {sentence}")


Check = Callable[[OpenRequest], Refusal | None]


def resolve_path(data: bytes) -> ConnectionPath:
    """The path of a Forward Open; a segment that does not belong there is kept for `check_path`."""
    try:
        segments = decode_path(data)
    except RemoteError as error:
        return ConnectionPath(unexpected=str(error))
    class_ids: list[int] = []
    points: list[int] = []
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
    return ConnectionPath(tuple(class_ids), tuple(points), key, configuration, inhibit_us, unexpected)


def check_types(request: OpenRequest) -> Refusal | None:
    ot, to = request.asked.ot, request.asked.to
    if ot.type == to.type == ConnectionType.NULL:
        return request.refuse(
            Extended.NULL_OPEN, "sent a null forward open; only real connections are opened"
        )
    if ot.redundant or to.redundant:
        return request.refuse(Extended.REDUNDANT_OWNER, "asked for a redundant owner; one owner is offered")
    for name, direction, extended in (("O->T", ot, Extended.OT_TYPE), ("T->O", to, Extended.TO_TYPE)):
        if direction.type != ConnectionType.POINT_TO_POINT:
            asked = ConnectionType(direction.type).name.lower()
            return request.refuse(
                extended, f"asked for a {asked} {name} connection; point to point is offered"
            )
    return None


def check_duplicate(request: OpenRequest) -> Refusal | None:
    for held in request.held:
        if held.triad == request.asked.triad and not held.timed_out:
            serial, vendor, originator = held.triad
            return request.refuse(
                Extended.DUPLICATE,
                f"asked again for connection serial {serial} of vendor {vendor}, originator serial "
                f"{originator}, which is open; close it first or use another connection serial",
            )
    return None


def check_trigger(request: OpenRequest) -> Refusal | None:
    asked = request.asked.class_trigger
    if asked & 0x7F == CLASS_1_CYCLIC:  # bit 7, the direction, means nothing for class 1
        return None
    trigger = {0: "cyclic", 1: "change of state", 2: "application"}.get(asked >> 4 & 7, "reserved")
    return request.refuse(
        Extended.CLASS_TRIGGER,
        f"asked for transport class {asked & 15}, {trigger} trigger; class 1, cyclic (0x01) is offered",
    )


def check_multiplier(request: OpenRequest) -> Refusal | None:
    code = request.asked.multiplier_code
    if code <= 7:
        return None
    return request.refuse(
        Extended.MULTIPLIER, f"sent timeout multiplier code {code}; expected 0 (x4) to 7 (x512)"
    )


def check_path(request: OpenRequest) -> Refusal | None:
    if not request.path.unexpected:
        return None
    return request.refuse(
        Extended.INVALID_SEGMENT, f"sent a path that cannot be read: {request.path.unexpected}"
    )


def check_key(request: OpenRequest) -> Refusal | None:
    key = request.path.key
    mismatch = key_mismatch(key, request.config.identity) if key else None
    if mismatch is None:
        return None
    field, sentence = mismatch
    extended = {"type": Extended.DEVICE_TYPE, "revision": Extended.REVISION}.get(
        field, Extended.VENDOR_OR_PRODUCT
    )
    return request.refuse(extended, f"sent an electronic key for {sentence}")


def check_class(request: OpenRequest) -> Refusal | None:
    for class_id in request.path.class_ids or (0,):
        if class_id != ClassId.ASSEMBLY:
            return request.refuse(
                Extended.INVALID_POINT,
                f"asked for a connection to class 0x{class_id:02X}; expected Assembly, class 0x04",
            )
    return None


def check_points(request: OpenRequest) -> Refusal | None:
    """Configuration, O->T, T->O in this order; the configuration may be left out."""
    config, points = request.config, request.path.points
    expected = (config.configuration_assembly, config.output_assembly, config.input_assembly)
    wanted = "configuration {}, O->T {}, T->O {}".format(*expected)
    if len(points) not in (2, 3):
        return request.refuse(
            Extended.COMBINATION, f"named {len(points)} assemblies in its path; expected {wanted}"
        )
    if points[-2:] != expected[1:]:
        return request.refuse(
            Extended.COMBINATION,
            f"asked for O->T assembly {points[-2]} and T->O assembly {points[-1]}; "
            f"the exclusive owner connection has {wanted}",
        )
    if len(points) == 3 and points[0] != expected[0]:
        return request.refuse(
            Extended.CONFIGURATION_PATH,
            f"asked for configuration assembly {points[0]}; expected {expected[0]}",
        )
    return None


def check_owner(request: OpenRequest) -> Refusal | None:
    _, vendor, originator = request.asked.triad
    for held in request.held:
        if not held.kind.owns_outputs:
            continue
        who = f"originator {held.originator} (vendor {held.triad[1]}, serial {held.triad[2]})"
        output = request.config.output_assembly
        if not held.timed_out:
            return request.refuse(
                Extended.OWNERSHIP, f"asked to own output assembly {output}, which {who} owns"
            )
        if held.triad[1:] != (vendor, originator):
            return request.refuse(
                Extended.OWNERSHIP,
                f"asked to own output assembly {output}, which is kept for {who}, whose connection timed out",
            )
    return None


def check_rpi(request: OpenRequest) -> Refusal | None:
    asked, config = request.asked, request.config
    least_us = -(-config.smallest_api_ns // 1000)
    ot_bad = config.api_ns(asked.ot_rpi_us) < config.rpi_min_ns
    to_bad = config.api_ns(asked.to_rpi_us) < config.rpi_min_ns
    if not (ot_bad or to_bad):
        return None
    words = rpi_words(
        2 if ot_bad else 0,
        least_us if ot_bad else asked.ot_rpi_us,
        2 if to_bad else 0,
        least_us if to_bad else asked.to_rpi_us,
    )
    return request.refuse(
        Extended.RPI_NOT_ACCEPTABLE,
        f"asked for RPI {asked.ot_rpi_us} us O->T and {asked.to_rpi_us} us T->O; "
        f"the smallest this adapter keeps is {least_us} us",
        *words,
    )


def check_inhibit(request: OpenRequest) -> Refusal | None:
    inhibit_us, rpi_us = request.path.inhibit_us, request.asked.to_rpi_us
    if inhibit_us is None or inhibit_us <= rpi_us:
        return None
    return request.refuse(
        Extended.INHIBIT,
        f"sent production inhibit time {inhibit_us} us; expected at most the T->O RPI, {rpi_us} us",
    )


def check_configuration(request: OpenRequest) -> Refusal | None:
    """The data segment, in words; only its size is compared, as the data is the originator's."""
    sent, own = request.path.configuration, request.config.configuration
    words = (len(own) + 1) // 2
    if sent is None or len(sent) == 2 * words:
        return None
    return request.refuse(
        Extended.CONFIGURATION_SIZE,
        f"sent {len(sent)} bytes of configuration; "
        f"assembly {request.config.configuration_assembly} takes {len(own)}",
        words,
    )


def check_ot_size(request: OpenRequest) -> Refusal | None:
    config, got = request.config, request.asked.ot.size
    right = config.output_size + Dress(header=True).overhead
    if got == right:
        return None
    header = Dress(header=True).overhead - 2
    parts = f"{config.output_size} + {header} header + 2 count" if header == RUN_IDLE_BYTES else str(right)
    return request.refuse(
        Extended.OT_SIZE,
        f"asked for {got} output bytes; output assembly {config.output_assembly} takes {parts} = {right}",
        right,
    )


def check_to_size(request: OpenRequest) -> Refusal | None:
    config, got = request.config, request.asked.to.size
    right = config.input_size + Dress().overhead
    if got == right:
        return None
    return request.refuse(
        Extended.TO_SIZE,
        f"asked for {got} input bytes; input assembly {config.input_assembly} gives "
        f"{config.input_size} + 2 count = {right}",
        right,
    )


CHECKS: tuple[Check, ...] = (
    check_types,
    check_duplicate,
    check_trigger,
    check_multiplier,
    check_path,
    check_key,
    check_class,
    check_points,
    check_owner,
    check_rpi,
    check_inhibit,
    check_configuration,
    check_ot_size,
    check_to_size,
)


def first_refusal(request: OpenRequest) -> Refusal | None:
    """What the checks say, in their order; None when the connection may be opened."""
    for check in CHECKS:
        refusal = check(request)
        if refusal is not None:
            return refusal
    return None
