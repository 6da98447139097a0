"""Every reason to refuse a Forward Open, as ordered lists of small functions.

The order follows what open implementations and captures show: types, subnet, duplicate, transport, path
with its key first, points, ownership, capacity, intervals, sizes. Each function returns a refusal or None.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bench.eip.config import key_mismatch, other_byte
from bench.eip.forward_open import ConnectionType, rpi_words
from bench.eip.message import ClassId
from bench.eip.multicast import same_subnet
from bench.eip.open_request import OpenRequest, Refusal, kinds_by_point
from bench.eip.status import Extended, Status

TRIGGERS = {0: "cyclic", 1: "change of state", 2: "application"}
_LEAST_MESSAGE = 8  # a sequence count and the shortest request or reply

Check = Callable[[OpenRequest], Refusal | None]


def check_types(request: OpenRequest) -> Refusal | None:
    ot, to = request.asked.ot, request.asked.to
    if ot.redundant or to.redundant:
        return request.refuse(Extended.REDUNDANT_OWNER, "asked for a redundant owner; one owner is offered")
    if ot.type != ConnectionType.POINT_TO_POINT:
        asked = ConnectionType(ot.type).name.lower()
        return request.refuse(
            Extended.OT_TYPE, f"asked for a {asked} O->T connection; point to point is offered"
        )
    if to.type not in (ConnectionType.POINT_TO_POINT, ConnectionType.MULTICAST):
        asked = ConnectionType(to.type).name.lower()
        return request.refuse(
            Extended.TO_TYPE, f"asked for a {asked} T->O connection; point to point and multicast are offered"
        )
    return None


def check_subnet(request: OpenRequest) -> Refusal | None:
    config = request.config
    if request.asked.to.type != ConnectionType.MULTICAST:
        return None
    if same_subnet(request.originator, config.address, config.network.netmask):
        return None
    return request.refuse(
        Extended.OFF_SUBNET,
        f"asked for multicast from outside this adapter's subnet ({config.address}, netmask "
        f"{config.network.netmask}); multicast frames are sent with TTL 1, so use point to point",
    )


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


def check_transport(request: OpenRequest) -> Refusal | None:
    asked = request.asked
    if asked.transport_class not in (0, 1):
        return request.refuse(
            Extended.CLASS,
            f"asked for transport class {asked.transport_class}; classes 0 and 1 carry I/O data, "
            "class 3 messages",
        )
    if asked.trigger not in TRIGGERS:
        known = ", ".join(f"{number} {name}" for number, name in TRIGGERS.items())
        return request.refuse(
            Extended.TRIGGER, f"asked for production trigger {asked.trigger}; offered are {known}"
        )
    return None


def check_multiplier(request: OpenRequest) -> Refusal | None:
    code = request.asked.multiplier_code
    if code <= 7:
        return None
    return request.refuse(
        Extended.MULTIPLIER, f"sent timeout multiplier code {code}; expected 0 (x4) to 7 (x512)"
    )


def check_path(request: OpenRequest) -> Refusal | None:
    if request.path.hops:
        return request.refuse(
            Extended.PORT,
            f"sent a path with {len(request.path.hops)} port segment(s); this adapter has nothing behind it: "
            "start the path at the key or the class",
        )
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
    kinds = kinds_by_point(config)
    offers = ", ".join(f"{point} {kind.name}" for point, kind in kinds.items())
    wanted = (
        f"configuration {config.configuration_assembly}, O->T one of {offers}, T->O {config.input_assembly}"
    )
    if len(points) not in (2, 3):
        return request.refuse(
            Extended.COMBINATION, f"named {len(points)} assemblies in its path; expected {wanted}"
        )
    known = (*kinds, config.input_assembly, config.configuration_assembly)
    named = f"asked for O->T assembly {points[-2]} and T->O assembly {points[-1]}; expected {wanted}"
    if points[-2] not in known:
        return request.refuse(Extended.CONSUME_PATH, named)
    if points[-1] not in known:
        return request.refuse(Extended.PRODUCE_PATH, named)
    if request.target is None:
        return request.refuse(Extended.COMBINATION, named)
    return check_configuration_point(request)


def check_configuration_point(request: OpenRequest) -> Refusal | None:
    points, expected = request.path.points, request.config.configuration_assembly
    if len(points) == 2 or points[:1] == (expected,):
        return None
    return request.refuse(
        Extended.CONFIGURATION_PATH,
        f"asked for configuration assembly {points[0] if points else 'none'}; expected {expected}",
    )


def check_null_path(request: OpenRequest) -> Refusal | None:
    """A question goes to the device: a key alone, or the Identity; a configuration to its assembly."""
    class_ids, points = request.path.class_ids, request.path.points
    if (class_ids, points) in (((), ()), ((ClassId.IDENTITY,), (1,))):
        return None
    return check_class(request) or check_configuration_point(request)


def check_listen_only(request: OpenRequest) -> Refusal | None:
    aim = request.aim
    if not aim.kind.needs_other:
        return None
    for held in request.held:
        if held.kind and not held.kind.needs_other and not held.timed_out and held.to_point == aim.to_point:
            return None
    return request.refuse(
        Extended.LISTEN_ONLY,
        f"asked to listen only to assembly {aim.to_point}, which no owner or input-only connection has open",
    )


def check_owner(request: OpenRequest) -> Refusal | None:
    aim = request.aim
    _, vendor, originator = request.asked.triad
    if not aim.kind.owns_outputs:
        return None
    for held in request.held:
        if held.kind is None or not held.kind.owns_outputs or held.ot_point != aim.ot_point:
            continue
        if not held.timed_out:
            return request.refuse(
                Extended.OWNERSHIP, f"asked to own output assembly {aim.ot_point}, which {held.who} owns"
            )
        if held.triad[1:] != (vendor, originator):
            return request.refuse(
                Extended.OWNERSHIP,
                f"asked to own output assembly {aim.ot_point}, which is kept for {held.who}, "
                "whose connection timed out",
            )
    return None


def check_capacity(request: OpenRequest) -> Refusal | None:
    """One place is kept for the owner, whoever else listens."""
    most = request.config.limits.io_connections
    used = sum(held.kind is not None and not held.timed_out for held in request.held)
    if request.aim.kind.owns_outputs:
        if used < most:
            return None
        return request.refuse(
            Extended.OUT_OF_CONNECTIONS, f"asked for one more I/O connection; all {most} are in use"
        )
    owned = any(held.kind and held.kind.owns_outputs and not held.timed_out for held in request.held)
    if used - owned < most - 1:
        return None
    return request.refuse(
        Extended.TARGET_OUT_OF_CONNECTIONS,
        f"asked for one more {request.aim.kind.name} connection; of {most} places {most - 1} are in use "
        "and the last is the owner's",
    )


def check_rpi(request: OpenRequest) -> Refusal | None:
    """Both directions; the acceptable value is named per direction, the smallest or the largest."""
    asked, config = request.asked, request.config
    least_us = -(-config.smallest_api_ns // 1000)
    most_us = config.limits.rpi_max_ns // 1000
    words: list[int] = []
    for rpi_us in (asked.ot_rpi_us, asked.to_rpi_us):
        if config.api_ns(rpi_us) < config.rpi_min_ns:
            words += (2, least_us)
        elif rpi_us > most_us:
            words += (3, most_us)
        else:
            words += (0, rpi_us)
    if words[0] == words[2] == 0:
        return None
    return request.refuse(
        Extended.RPI_NOT_ACCEPTABLE,
        f"asked for RPI {asked.ot_rpi_us} us O->T and {asked.to_rpi_us} us T->O; "
        f"this adapter keeps {least_us} to {most_us} us",
        *rpi_words(*words),
    )


def check_inhibit(request: OpenRequest) -> Refusal | None:
    inhibit_us, rpi_us = request.path.inhibit_us, request.asked.to_rpi_us
    if inhibit_us is None or inhibit_us <= rpi_us:
        return None
    return request.refuse(
        Extended.INHIBIT,
        f"sent production inhibit time {inhibit_us} us; expected at most the T->O RPI, {rpi_us} us",
    )


def check_multicast(request: OpenRequest) -> Refusal | None:
    """A later joiner of a multicast production takes it as it is."""
    asked = request.asked
    if asked.to.type != ConnectionType.MULTICAST:
        return None
    shared = next((s for s in request.shared if s.to_point == request.aim.to_point), None)
    if shared is None:
        return None
    first = shared.asked
    if request.config.api_ns(asked.to_rpi_us) != shared.api_us * 1000:
        words = rpi_words(0, asked.ot_rpi_us, 4, shared.api_us)
        return request.refuse(
            Extended.RPI_NOT_ACCEPTABLE,
            f"asked to join assembly {shared.to_point}'s multicast at RPI {asked.to_rpi_us} us; "
            f"it is produced every {shared.api_us} us",
            *words,
        )
    for extended, name, got, expected in (
        (Extended.MISMATCH_SIZE_TYPE, "variable size", asked.to.variable, first.to.variable),
        (Extended.MISMATCH_PRIORITY, "priority", asked.to.priority, first.to.priority),
        (Extended.MISMATCH_CLASS, "transport class", asked.transport_class, first.transport_class),
        (Extended.MISMATCH_TRIGGER, "trigger", asked.trigger, first.trigger),
        (Extended.MISMATCH_INHIBIT, "inhibit time in us", request.path.inhibit_us, shared.inhibit_us),
    ):
        if got != expected:
            return request.refuse(
                extended,
                f"asked to join assembly {shared.to_point}'s multicast with {name} {got}; "
                f"it is produced with {expected}",
            )
    return None


def check_configuration(request: OpenRequest) -> Refusal | None:
    """The data segment, in words: its size first, then its bytes against what the station expects.

    No published code says "configuration of another content"; 0x09, invalid attribute value, with the
    offset of the first byte that differs is this adapter's choice.
    """
    sent, own = request.path.configuration, request.config.configuration
    assembly = request.config.configuration_assembly
    words = (len(own) + 1) // 2
    if sent is None:
        return None
    if len(sent) != 2 * words:
        return request.refuse(
            Extended.CONFIGURATION_SIZE,
            f"sent {len(sent)} bytes of configuration; assembly {assembly} takes {len(own)}",
            words,
        )
    at = other_byte(sent, own)
    if at is None:
        return None
    sentence = (
        f"originator {request.originator} sent configuration byte {at} = 0x{sent[at]:02X}; "
        f"the station expects 0x{own[at]:02X} in assembly {assembly}"
    )
    return Refusal((at,), sentence, Status.ATTRIBUTE_VALUE)


def check_ot_size(request: OpenRequest) -> Refusal | None:
    aim, got = request.aim, request.asked.ot.size
    right = aim.ot_bytes + aim.ot.overhead
    if got == right:
        return None
    what = (
        f"the heartbeat of an {aim.kind.name} connection (point {aim.ot_point})"
        if aim.kind.heartbeat
        else f"output assembly {aim.ot_point}"
    )
    return request.refuse(
        Extended.OT_SIZE,
        f"asked for {got} output bytes; {what} takes {aim.ot.sum_text(aim.ot_bytes)}",
        right,
    )


def check_to_size(request: OpenRequest) -> Refusal | None:
    aim, got = request.aim, request.asked.to.size
    right = aim.to_bytes + aim.to.overhead
    if got == right:
        return None
    return request.refuse(
        Extended.TO_SIZE,
        f"asked for {got} input bytes; input assembly {aim.to_point} gives {aim.to.sum_text(aim.to_bytes)}",
        right,
    )


def check_message_types(request: OpenRequest) -> Refusal | None:
    for name, direction, extended in (
        ("O->T", request.asked.ot, Extended.OT_TYPE),
        ("T->O", request.asked.to, Extended.TO_TYPE),
    ):
        if direction.type != ConnectionType.POINT_TO_POINT:
            asked = ConnectionType(direction.type).name.lower()
            return request.refuse(
                extended, f"asked for a {asked} {name} connection of class 3; point to point is offered"
            )
    return None


def check_message_path(request: OpenRequest) -> Refusal | None:
    path = request.path
    if path.class_ids == (ClassId.MESSAGE_ROUTER,) and path.points == (1,):
        return None
    got = ", ".join(f"class 0x{class_id:02X}" for class_id in path.class_ids) or "no class"
    return request.refuse(
        Extended.INVALID_POINT,
        f"asked for a class 3 connection to {got}, instance {path.points}; "
        "expected the Message Router, class 0x02 instance 1",
    )


def check_message_capacity(request: OpenRequest) -> Refusal | None:
    most = request.config.limits.message_connections
    if sum(held.kind is None for held in request.held) < most:
        return None
    return request.refuse(
        Extended.OUT_OF_CONNECTIONS, f"asked for one more class 3 connection; all {most} are in use"
    )


def check_message_rpi(request: OpenRequest) -> Refusal | None:
    asked, most_us = request.asked, 0xFFFF_FFFF
    if asked.ot_rpi_us and asked.to_rpi_us:
        return None
    least_us = request.config.tick_ns // 1000
    words: list[int] = []
    for rpi_us in (asked.ot_rpi_us, asked.to_rpi_us):
        words += (0, rpi_us) if rpi_us else (2, least_us)
    return request.refuse(
        Extended.RPI_NOT_ACCEPTABLE,
        f"asked for RPI {asked.ot_rpi_us} us O->T and {asked.to_rpi_us} us T->O; "
        f"expected {least_us} to {most_us} us",
        *rpi_words(*words),
    )


def check_message_size(request: OpenRequest) -> Refusal | None:
    most = request.config.limits.frame_bytes - 64  # what the packet around a message takes, and to spare
    for name, direction, extended in (
        ("O->T", request.asked.ot, Extended.OT_SIZE),
        ("T->O", request.asked.to, Extended.TO_SIZE),
    ):
        if not _LEAST_MESSAGE <= direction.size <= most:
            right = min(max(direction.size, _LEAST_MESSAGE), most)
            return request.refuse(
                extended,
                f"asked for {name} messages of {direction.size} bytes; expected {_LEAST_MESSAGE} to {most}",
                right,
            )
    return None


IO_CHECKS: tuple[Check, ...] = (
    check_types,
    check_subnet,
    check_duplicate,
    check_transport,
    check_multiplier,
    check_path,
    check_key,
    check_class,
    check_points,
    check_listen_only,
    check_owner,
    check_capacity,
    check_rpi,
    check_inhibit,
    check_multicast,
    check_configuration,
    check_ot_size,
    check_to_size,
)

MESSAGE_CHECKS: tuple[Check, ...] = (
    check_message_types,
    check_duplicate,
    check_multiplier,
    check_path,
    check_key,
    check_message_path,
    check_message_capacity,
    check_message_rpi,
    check_message_size,
)

# a null open carries no data: it asks whether the target is there, or brings configuration
NULL_CHECKS: tuple[Check, ...] = (
    check_path,
    check_key,
    check_null_path,
    check_configuration,
)


def first_refusal(request: OpenRequest, checks: Sequence[Check] = IO_CHECKS) -> Refusal | None:
    """What the checks say, in their order; None when the connection may be opened."""
    for check in checks:
        refusal = check(request)
        if refusal is not None:
            return refusal
    return None
