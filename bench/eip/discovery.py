"""The List commands: who asks over TCP or UDP, what is answered, when, and how often.

They need no session, so anybody who can send a datagram gets an answer, and may lie about who asked.
That is bounded here: one answer a question, of at most 4 times its bytes (96 for 24: a ListIdentity
reply with a product name of 32 characters), sent where one host alone can be, and only as many a second
to one address as `Limits.datagrams_per_s` says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from struct import Struct

from bench.eip.config import AdapterConfig
from bench.eip.cpf import Item, ItemType, encode_items, ipv4_bytes
from bench.eip.encapsulation import (
    PROTOCOL_VERSION,
    Command,
    EncapsulationStatus,
    decode_datagram,
    encode_reply,
)
from bench.eip.limits import TokenBuckets
from bench.eip.transport import Address, Outgoing, SendUdp
from bench.errors import RemoteError

MOST_WAITING = 64  # delayed answers
LARGEST_ANSWER_RATIO = 4  # bytes of an answer to bytes of its question, UDP payload

_SERVICES = Struct("<HH16s")  # version, capability flags, name
_TCP_AND_UDP_IO = 0x0120
_DEFAULT_DELAY_MS = 2000
_LEAST_DELAY_MS = 500
_HEARD_MS = 900  # public clients that name no delay listen for 1 s and would miss half of 0 to 2000 ms
_MS_NS = 1_000_000
_WORD = 0xFFFF_FFFF_FFFF_FFFF


@dataclass(frozen=True, slots=True)
class Complaint:
    """What was wrong with something a peer sent; `peer` is its IPv4 address."""

    peer: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of a call: what to send, in order; what was wrong; which links are gone.

    Every link in `closed` has its `CloseTcp` in `outgoing`.
    """

    outgoing: tuple[Outgoing, ...] = ()
    complaints: tuple[Complaint, ...] = ()
    closed: tuple[int, ...] = ()


NOTHING = Taken()

# local port, peer, command, session, sender context
_Question = tuple[int, Address, int, int, bytes]


def spread(serial: int, number: int, most: int) -> int:
    """Draw `number` of a device: 0 to `most`, both included, uniform and always the same.

    The mixing function of SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
    generators", 2014), so that devices with neighbouring serial numbers do not answer together.
    """
    word = (((serial & 0xFFFF_FFFF) << 32 | number & 0xFFFF_FFFF) + 0x9E37_79B9_7F4A_7C15) & _WORD
    word = (word ^ word >> 30) * 0xBF58_476D_1CE4_E5B9 & _WORD
    word = (word ^ word >> 27) * 0x94D0_49BB_1331_11EB & _WORD
    return (word ^ word >> 31) * (most + 1) >> 64


def most_delay_ms(command: int, context: bytes) -> int:
    """The longest delay of an answer to a broadcast, in ms.

    ListIdentity carries it in the first two bytes of the sender context: 0 means 2000, and anything
    below 500 is taken as 500 (both open adapter stacks). The sender context of the other two List
    commands is the sender's own business; they are delayed as well, so that a large network does not
    answer at once (own choice: the open stacks delay ListIdentity alone).
    """
    if command != Command.LIST_IDENTITY:
        return _DEFAULT_DELAY_MS
    asked = int.from_bytes(context[:2], "little")
    return max(asked, _LEAST_DELAY_MS) if asked else _DEFAULT_DELAY_MS


def drawn_up_to_ms(command: int, context: bytes) -> int:
    """Up to where our own delay is drawn: all that was asked for, else what a client waits for."""
    asked = command == Command.LIST_IDENTITY and any(context[:2])
    return most_delay_ms(command, context) if asked else _HEARD_MS


class Discovery:
    """Answers the three List commands.

    Over UDP everything else is dropped without an answer, as both open adapter stacks do:
    RegisterSession and the commands of a session belong to TCP.

    Args:
        config: address, netmask, limits and the serial number that spreads delayed answers.
        identity: data of the ListIdentity item, made at the moment of answering.
        dscp: code point of the answers.

    Attributes:
        waiting: delayed answers, a heap with the next one first; at most `MOST_WAITING`.
        limited: questions dropped because the source asks too often.
        crowded: questions dropped because too many delayed answers wait.
        ignored: datagrams that want no answer or cannot have one.
    """

    def __init__(self, config: AdapterConfig, identity: Callable[[], bytes], dscp: int = 0) -> None:
        self.waiting: list[tuple[int, int, _Question]] = []
        self.crowded = 0
        self.ignored = 0
        self._serial = config.identity.serial
        self._per_s = config.limits.datagrams_per_s
        self._identity = identity
        self._dscp = dscp
        self._buckets = TokenBuckets(self._per_s)
        self._drawn = 0
        host_bits = ~int.from_bytes(ipv4_bytes(config.network.netmask), "big") & 0xFFFF_FFFF
        own = int.from_bytes(ipv4_bytes(config.address), "big")
        self._broadcast = ".".join(map(str, (own | host_bits).to_bytes(4, "big"))) if host_bits > 1 else ""
        data = _SERVICES.pack(PROTOCOL_VERSION, _TCP_AND_UDP_IO, b"Communications")
        self._services = encode_items((Item(ItemType.SERVICES, data),))
        self._interfaces = encode_items(())

    @property
    def limited(self) -> int:
        return self._buckets.refused

    def answer(self, command: int, session: int, context: bytes, data: bytes = b"") -> bytes:
        """The reply frame to a List command; with data, which none of them has, status 0x65."""
        if data:
            return encode_reply(command, session, context, status=EncapsulationStatus.BAD_LENGTH)
        if command == Command.LIST_IDENTITY:
            body = encode_items((Item(ItemType.IDENTITY, self._identity()),))
        elif command == Command.LIST_SERVICES:
            body = self._services
        else:
            body = self._interfaces
        return encode_reply(command, session, context, body)

    def datagram(self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool) -> Taken:
        """Take a datagram on the explicit port; `to_many` when it was sent to a broadcast or group."""
        try:
            frame = decode_datagram(data)
        except RemoteError as error:
            return self._drop(peer, f"datagram: {error}")
        command = frame.command
        if command not in (Command.LIST_IDENTITY, Command.LIST_SERVICES, Command.LIST_INTERFACES):
            return self._drop(
                peer,
                f"encapsulation command 0x{command:04X} over UDP; "
                "expected ListServices, ListIdentity or ListInterfaces there, all others over TCP",
            )
        if frame.options or frame.status:
            self.ignored += 1
            return NOTHING
        if not self._is_one_host(peer):
            return self._drop(peer, f"port {peer[1]} of {peer[0]} is no address of one host to answer to")
        if not self._buckets.take(peer[0], now_ns):
            return _complaint(peer, f"List command dropped; at most {self._per_s} a second are answered")
        if not to_many:
            answer = self.answer(command, frame.session, frame.context, frame.data)
            return Taken((SendUdp(local_port, peer, answer, self._dscp),))
        if frame.data:
            return self._drop(peer, f"List command to all: expected no data, got {len(frame.data)} bytes")
        return self._delay((local_port, peer, command, frame.session, frame.context), now_ns)

    def handle_timer(self, now_ns: int) -> list[Outgoing]:
        """The delayed answers that are due, from the port the question came to."""
        outgoing: list[Outgoing] = []
        while self.waiting and self.waiting[0][0] <= now_ns:
            local_port, peer, command, session, context = heappop(self.waiting)[2]
            answer = self.answer(command, session, context)
            outgoing.append(SendUdp(local_port, peer, answer, self._dscp))
        return outgoing

    def _delay(self, question: _Question, now_ns: int) -> Taken:
        _, peer, command, _, context = question
        if len(self.waiting) >= MOST_WAITING:
            self.crowded += 1
            return _complaint(peer, f"List command to all dropped; {MOST_WAITING} answers wait already")
        self._drawn += 1
        delay_ns = spread(self._serial, self._drawn, drawn_up_to_ms(command, context) * _MS_NS)
        heappush(self.waiting, (now_ns + delay_ns, self._drawn, question))
        return NOTHING

    def _is_one_host(self, peer: Address) -> bool:
        address, port = peer
        first = int(address.partition(".")[0])
        return 0 < first < 224 and port > 0 and address != self._broadcast

    def _drop(self, peer: Address, sentence: str) -> Taken:
        self.ignored += 1
        return _complaint(peer, sentence)


def _complaint(peer: Address, sentence: str) -> Taken:
    return Taken(complaints=(Complaint(peer[0], sentence),))
