"""Where the fuzzer starts: valid frames by our own codecs and short sessions that get far."""

from __future__ import annotations

from bench.eds import write_eds
from bench.eip.cpf import (
    Item,
    ItemType,
    encode_connected,
    encode_items,
    encode_sockaddr,
    encode_unconnected,
)
from bench.eip.cyclic import encode_cyclic
from bench.eip.encapsulation import Command, Frame
from bench.eip.forward_open import ForwardClose, OpenReply, encode_tail
from bench.eip.message import Response, Service, encode_request, encode_response
from bench.eip.routing import encode_wrapped
from tests.fuzz.decoders import DECODERS
from tests.fuzz.frames import CONFIG, MANAGER, OPENS, OWNER
from tests.fuzz.tape import step

_GET = bytes.fromhex("0E 03 2001 2401 3006")
_PACKET = b"\x02\0\x06\0" + (6 + len(_GET)).to_bytes(2, "little") + 2 * _GET
_RR = encode_unconnected(_GET)
_SOCKADDR = encode_sockaddr("239.192.1.0", 2222)
_GRANTED = encode_response(Service.FORWARD_OPEN, Response(data=OpenReply(1, 2, (1, 0, 99), 9, 9).encode()))
_REFUSED = encode_response(
    Service.FORWARD_OPEN, Response(1, (0x112, 2, 2000, 0, 2000, 0), encode_tail((1, 0, 9)))
)
_IDENTITY = (
    b"\x01\0"
    + encode_sockaddr("127.0.0.1", 44818)
    + bytes.fromhex("00000C0007000101610001000000 09")
    + b"Bench I/O\x03"
)


def _answer(message: bytes) -> bytes:
    items = (Item(0), Item(ItemType.UNCONNECTED_DATA, message), Item(ItemType.SOCKADDR_TO, _SOCKADDR))
    return bytes(6) + encode_items(items)


def decoder_seeds() -> list[bytes]:
    """The number of the decoder and something it reads."""
    stream = b"".join(Frame(command, data=b"abc").encode() for command in Command)
    examples: dict[str, list[bytes]] = {
        "stream": [b"\x07" + stream, b"\xff" + stream + Frame(0, data=bytes(65)).encode()],
        "datagram": [Frame(Command.LIST_IDENTITY).encode()],
        "items": [encode_items((Item(0), Item(ItemType.UNCONNECTED_DATA, _GET)))],
        "unconnected": [_RR, encode_unconnected(_GET, (Item(ItemType.SOCKADDR_TO, _SOCKADDR),))],
        "connected": [encode_connected(5, b"\x01\0" + _GET)],
        "sockaddr": [_SOCKADDR],
        "identity": [_IDENTITY],
        "path": [asked.path for asked in OPENS],
        "request": [_GET, encode_request(Service.FORWARD_CLOSE, MANAGER)],
        "response": [_GRANTED, _REFUSED],
        "packet": [_PACKET],
        "wrapped": [encode_request(Service.UNCONNECTED_SEND, MANAGER, encode_wrapped(_GET, b"\x01\0"))],
        "open": [bytes((asked.large,)) + asked.encode() for asked in OPENS],
        "close": [ForwardClose(1, 0, 99, OWNER.path).encode()],
        "open reply": [OpenReply(1, 2, (1, 0, 99), 10_000, 10_000).encode()],
        "tail": [encode_tail((1, 0, 99))],
        "cyclic": [encode_cyclic(1, 2, 3, b"\x01\0\0\0abcd"), encode_cyclic(1, 2, None, b"abcd")],
        "answer": [_answer(_GRANTED), _answer(_REFUSED)],
    }
    number = {name: index for index, name in enumerate(DECODERS)}
    return [bytes((number[name],)) + data for name, several in examples.items() for data in several]


def eds_seeds() -> list[bytes]:
    return [write_eds(CONFIG).encode("latin-1")]


# steps of the adapter's session by number: 0 cyclic, 1 message, 2 open, 3 link, 4 register, 5 timer,
# 6 connected message, 7 stream, 8 frame, 9 datagram, 10 list, 11 inputs, 12 close link, 13 wait
LINK, REGISTER = step(3), step(4)
CYCLIC = step(0, 0, 0, 0, 1, 0, 0x11)
CYCLIC_2 = step(0, 0, 0, 0, 2, 0, 0x22)
IDLE = step(0, 0, 0, 0, 3, 1, 0x33)
TIMER, SHORT, LONG = step(5), step(5, 3), step(5, 6)
MESSAGES = tuple(
    step(1, 0, *body)
    for body in (
        (0, 0, 0, 1),  # a get
        (0, 0, 0, 0, 1),  # a get of all
        (0, 2, 4, 3, 3, 4, 1, 2, 3, 4),  # outputs set
        (2, 0),  # a close
        (3, 2, 0, 0, 0, 1, 0, 0, 0, 0, 2),  # several in one
        (4, 0, 0, 0, 1),  # one wrapped
        (4, 3, 1, 0, 0, 0, 1),
        (0, 6, 0, 13, 3, 2, 5, 0),  # an inactivity timeout of 5 s
        (0, 0, 0, 0, 2, 6, 2, 0, 1, 0, 99, 0),  # a list of attributes
        (0, 2, 5, 3, 3, 4, 1, 2, 3, 4),  # a configuration
        (4, 0, 0, 0, 1, 0, 0, 0, 2),  # one wrapped for somebody else
    )
)
OPEN_STEPS = tuple(step(2, 0, number) for number in range(len(OPENS)))
LONG_LIVED = step(2, 0, 0, 0, 0, 4, 4, 2)  # an owner whose watchdog takes over an hour
REOPEN = LONG + LINK + REGISTER + OPEN_STEPS[0]  # everybody timed out; the owner comes back
# the same where idle is a frame without data
BARE, BARE_IDLE = step(0, 0, 2, 0, 1, 0x55), step(0, 0, 6, 0, 1)
REOPEN_BARE = LONG + LINK + REGISTER + OPEN_STEPS[11]
ADAPTER_PIECES = (
    LINK,
    REGISTER,
    CYCLIC,
    CYCLIC_2,
    IDLE,
    TIMER,
    SHORT,
    LONG,
    REOPEN,
    REOPEN_BARE,
    BARE,
    BARE_IDLE,
    *MESSAGES,
    *OPEN_STEPS,
    step(0, 0, 0xE0, 1, 0, 1, 2, 0, 0x44),  # a stranger's frame
    step(3, 1),
    step(6, 0, 0, 1, 0, 0, 0, 0, 1),
    step(10, 0, 0, 1),
    step(10),
    step(11, 7),
    step(12),
    step(13, 3),
)


def adapter_seeds() -> list[bytes]:
    """The choice of a configuration and steps."""
    begin = LINK + REGISTER
    seeds = [b"\x00" + begin + one + CYCLIC + TIMER + CYCLIC_2 + SHORT + IDLE + LONG for one in OPEN_STEPS]
    seeds += [b"\x9c" + 2 * one + CYCLIC + one for one in MESSAGES]
    seeds += [bytes((choice,)) + CYCLIC + REOPEN + IDLE + CYCLIC for choice in range(0x80, 0x84)]
    seeds += [
        bytes((choice,)) + BARE + BARE_IDLE + BARE + REOPEN_BARE + BARE_IDLE + BARE
        for choice in range(0x88, 0x8C)
    ]
    seeds.append(b"\x83" + b"".join(ADAPTER_PIECES))
    seeds.append(b"\x80" + 8 * (OPEN_STEPS[1] + MESSAGES[3]) + step(3, 1) * 3 + step(13, 2) + TIMER * 4)
    seeds.append(b"\x00" + begin + 90 * (LONG_LIVED + MESSAGES[3]))  # comes and goes at once
    return seeds


# steps of the scanner's session: 0 answer, 1 timer, 2 cyclic, 3 opened, 4 stream, 5 datagram, 6 outputs,
# 7 run, 8 close, 9 closed, 10 wait
TAKEN, TAKEN_NEXT = step(2, 0, 1, 5, 1, 0, 0, 0), step(2, 0, 2, 6, 2, 0, 0, 0)
SCANNER_PIECES = (
    step(3),
    step(0),
    step(0, 0, 0, 0, 0, 0, 2),
    step(0, 4, 2, 0x28, 1, 10, 0),
    step(0, 4, 1),  # refused: another size
    step(0, 4, 2),
    step(0, 4, 6, 0x12, 1, 2, 0, 1, 0, 0, 0, 1, 0, 0, 0),
    step(1),
    step(1, 2),
    step(1, 4),
    TAKEN,
    TAKEN_NEXT,
    step(6, 9),
    step(7, 1),
    step(8),
    step(8, 1),
    step(9),
    step(10),
)


def scanner_seeds() -> list[bytes]:
    begin = step(3) + step(0) * 2
    body = TAKEN + step(1) * 2 + TAKEN_NEXT + step(1, 2) + step(8) + step(0)
    seeds = [bytes((choice,)) + begin + body for choice in (0, 4, 8, 16, 32, 64, 128, 1, 2)]
    seeds.append(b"\x20" + begin + step(0) * 3 + b"".join(SCANNER_PIECES))
    return seeds


# steps of the joined session: 0 pass, 1 quality, 2 outputs, 3 inputs, 4 run, 5 cut, 6 restart, 7 power,
# 8 a stranger
JOINED_PIECES = (
    step(0),
    step(0, 3),
    step(0, 4),
    step(1, 2, 1, 40, 40, 40, 1),
    step(1, 3, 2, 0, 128, 128, 2, 1),
    step(1, 0, 0, 255, 0, 0, 3, 2),
    step(2, 0x12),
    step(3, 0x34),
    step(4, 0),
    step(4, 1),
    step(5),
    step(6),
    step(7),
    step(8, 1, 0, 1, 2, 3),
)


def joined_seeds() -> list[bytes]:
    every = b"".join(piece + step(0) for piece in JOINED_PIECES[:12])
    return [bytes((choice, kind)) + every for choice, kind in ((0, 0), (3, 24), (8, 64), (4, 16), (15, 12))]
