"""Valid requests of all kinds by our own codecs, as a start for what the tape bends."""

from __future__ import annotations

from dataclasses import replace

from bench.eip.config import AdapterConfig, Identity, Limits
from bench.eip.cpf import Item, ItemType, encode_sockaddr
from bench.eip.epath import DataSegment, ElectronicKey, Inhibit, Kind, Logical, Port, encode_path
from bench.eip.forward_open import ConnectionType, ForwardClose, ForwardOpen, NetworkParameters
from bench.eip.message import ClassId, Service, encode_request
from bench.eip.routing import PORT_NUMBER, encode_wrapped
from tests.fuzz.tape import Tape

ADAPTER = "127.0.0.1"
OTHERS = ("127.0.0.2", "127.0.0.3", "10.9.8.7", "127.0.0.255")  # the third is off the subnet
PORTS = (2222, 5000, 44818, 0)
MS = 1_000_000

CONFIG = AdapterConfig(
    identity=Identity(serial=7, product_name="Bench I/O", product_code=7),
    address=ADAPTER,
    input_assembly=100,
    input_size=8,
    output_assembly=150,
    output_size=4,
    configuration_assembly=151,
    rpi_min_ns=2 * MS,
    rpi_default_ns=10 * MS,
    limits=Limits(
        io_connections=4,
        message_connections=2,
        sessions=5,
        sessions_per_source=3,
        datagrams_per_s=5,
        complaints_per_s=5,
    ),
)

CONFIGURATION = b"\x01\x02\x03\x04"
MANAGER = bytes.fromhex("20062401")
ROUTER = bytes.fromhex("20022401")
_MULTICAST = NetworkParameters(10, ConnectionType.MULTICAST)
_MESSAGES = NetworkParameters(504)
_NULL = NetworkParameters(0, ConnectionType.NULL)


def _path(*points: int) -> bytes:
    return encode_path((Logical(Kind.CLASS, 4), *(Logical(Kind.POINT, point) for point in points)))


OWNER = ForwardOpen(
    ot_id=0,
    to_id=0x00010001,
    serial=1,
    vendor_id=0,
    originator_serial=99,
    multiplier_code=0,
    ot_rpi_us=10_000,
    ot=NetworkParameters(10),
    to_rpi_us=10_000,
    to=NetworkParameters(10),
    path=_path(151, 150, 100),
)
_INPUT_ONLY = replace(OWNER, serial=2, ot=NetworkParameters(2), path=_path(151, 152, 100))
_KEY = encode_path((ElectronicKey(0, 12, 7, 1, 1, compatible=True),))
OPENS = (
    OWNER,
    _INPUT_ONLY,
    replace(_INPUT_ONLY, serial=3, to=_MULTICAST),
    replace(_INPUT_ONLY, serial=4, path=_path(151, 153, 100)),
    replace(OWNER, to=_MULTICAST),
    replace(OWNER, class_trigger=0, ot=NetworkParameters(8), to=NetworkParameters(8)),
    replace(OWNER, serial=5, class_trigger=0xA3, ot=_MESSAGES, to=_MESSAGES, path=ROUTER),
    replace(OWNER, ot=_NULL, to=_NULL),
    replace(OWNER, large=True),
    replace(OWNER, class_trigger=0x11, path=OWNER.path + encode_path((Inhibit(1000),))),
    replace(OWNER, path=_KEY + OWNER.path),
    replace(OWNER, ot=NetworkParameters(6)),  # right where no header is agreed
    replace(_INPUT_ONLY, serial=6, class_trigger=0x11, path=_INPUT_ONLY.path + encode_path((Inhibit(0),))),
    replace(OWNER, path=OWNER.path + encode_path((DataSegment(CONFIGURATION),))),
    # and what is refused
    replace(OWNER, to=_NULL),
    replace(OWNER, class_trigger=0x71),
    replace(OWNER, class_trigger=0x02),
    replace(OWNER, to=NetworkParameters(10, redundant=True)),
    replace(OWNER, path=encode_path((ElectronicKey(9, 1, 1, 9, 9),)) + OWNER.path),
    replace(OWNER, path=b"\x01\x00" + OWNER.path),
    replace(OWNER, path=_path(151, 152)),
    replace(_INPUT_ONLY, to=_MULTICAST, path=_INPUT_ONLY.path + encode_path((Inhibit(20_000),))),
    replace(OWNER, serial=7, class_trigger=0xA3, ot=_MESSAGES, to=NetworkParameters(12), path=ROUTER),
)

_CLASSES = (*ClassId, 0x00, 0x64, 0x100)
_INSTANCES = (1, 0, 2, 100, 150, 151, 0x1234)
_SERVICES = (
    Service.GET_ATTRIBUTE_SINGLE,
    Service.GET_ATTRIBUTES_ALL,
    Service.GET_ATTRIBUTE_LIST,
    Service.SET_ATTRIBUTE_SINGLE,
    Service.RESET,
    0x4C,
)
_ROUTES = (
    b"",
    encode_path((Port(PORT_NUMBER, ADAPTER.encode()),)),
    encode_path((Port(PORT_NUMBER, OTHERS[0].encode()),)),
    encode_path((Port(1, b"\0"),)),
    ROUTER,
)
_DEEPEST = 3


def open_request(tape: Tape) -> bytes:
    """A Forward Open: which, its connection serial, its intervals, then what is bent of it."""
    asked = tape.pick(OPENS)
    serial, originator = tape.byte(), tape.byte()
    interval = tape.pick((10, 2, 50, 1000, 10_000, 0))
    asked = replace(
        asked,
        serial=serial or asked.serial,
        originator_serial=originator or asked.originator_serial,
        ot_rpi_us=1000 * interval,
        to_rpi_us=1000 * tape.pick((10, 2, 50, 1000, 10_000, 0)),
        multiplier_code=tape.pick((0, 1, 7, 8, 255)),
    )
    service = Service.LARGE_FORWARD_OPEN if asked.large else Service.FORWARD_OPEN
    return encode_request(service, MANAGER, tape.bend(asked.encode()))


def close_request(tape: Tape) -> bytes:
    asked = tape.pick(OPENS)
    serial, originator = tape.byte(), tape.byte()
    close = ForwardClose(serial or asked.serial, 0, originator or asked.originator_serial, asked.path)
    return encode_request(Service.FORWARD_CLOSE, MANAGER, tape.bend(close.encode()))


def object_request(tape: Tape) -> bytes:
    """A request to some object: class, instance, attribute, service, data."""
    segments = [Logical(Kind.CLASS, tape.pick(_CLASSES)), Logical(Kind.INSTANCE, tape.pick(_INSTANCES))]
    attribute, service = tape.byte(), tape.pick(_SERVICES)
    if attribute:
        segments.append(Logical(Kind.ATTRIBUTE, attribute))
    return encode_request(service, encode_path(segments), tape.take(tape.byte() % 24))


def packet_request(tape: Tape, depth: int) -> bytes:
    """A Multiple Service Packet."""
    messages = [message(tape, depth + 1) for _ in range(1 + tape.byte() % 6)]
    at = 2 + 2 * len(messages)
    head = len(messages).to_bytes(2, "little")
    for one in messages:
        head += at.to_bytes(2, "little")
        at += len(one)
    return encode_request(Service.MULTIPLE_SERVICE_PACKET, ROUTER, tape.bend(head + b"".join(messages)))


def wrapped_request(tape: Tape, depth: int) -> bytes:
    """An Unconnected_Send."""
    inner = message(tape, depth + 1)
    route = tape.pick(_ROUTES)
    return encode_request(Service.UNCONNECTED_SEND, MANAGER, tape.bend(encode_wrapped(inner, route)))


def message(tape: Tape, depth: int = 0) -> bytes:
    """One Message Router request of any kind."""
    kind = tape.byte() % 6
    if kind == 0:
        return object_request(tape)
    if kind == 1:
        return open_request(tape)
    if kind == 2:
        return close_request(tape)
    if kind == 3 and depth < _DEEPEST:
        return packet_request(tape, depth)
    if kind == 4 and depth < _DEEPEST:
        return wrapped_request(tape, depth)
    return tape.take(tape.byte() % 64)


def extra_items(tape: Tape) -> tuple[Item, ...]:
    """What may stand beside a message: nothing, or the originator's socket address."""
    kind = tape.byte() % 4
    if kind < 2:
        return ()
    port = tape.pick((2222, 0, 5000))
    items = [Item(ItemType.SOCKADDR_TO, encode_sockaddr("0.0.0.0", port))]
    if kind == 3:
        items.append(Item(tape.pick(tuple(ItemType)), tape.take(tape.byte() % 20)))
    return tuple(items)
