"""The target's encapsulation layer: links, sessions, commands, and which mistake gets which answer.

Commands and statuses as two open adapter stacks and the open Wireshark dissector have them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from struct import Struct

from bench.eip.config import AdapterConfig
from bench.eip.cpf import (
    Item,
    decode_connected,
    decode_unconnected,
    encode_connected,
    encode_unconnected,
)
from bench.eip.discovery import NOTHING, Complaint, Discovery, Taken
from bench.eip.encapsulation import (
    PROTOCOL_VERSION,
    Command,
    EncapsulationStatus,
    FrameReader,
    Head,
    encode_reply,
)
from bench.eip.timers import Timers
from bench.eip.transport import Address, CloseTcp, Outgoing, SendTcp
from bench.errors import RemoteError

__all__ = ["Complaint", "Link", "Sessions", "Taken"]

_REGISTER = Struct("<HH")  # version, options
_OWN_REGISTER = _REGISTER.pack(PROTOCOL_VERSION, 0)
_SECOND_NS = 1_000_000_000
_COMMANDS = (
    "NOP, ListServices, ListIdentity, ListInterfaces, RegisterSession, UnRegisterSession, "
    "SendRRData or SendUnitData"
)

Unconnected = Callable[["Link", bytes, tuple[Item, ...], int], tuple[bytes, tuple[Item, ...]]]
Connected = Callable[["Link", int, bytes, int], "tuple[int, bytes] | None"]
_Handler = Callable[["Link", Head, bytes, int], "bytes | None"]


@dataclass(slots=True)
class Link:
    """One accepted TCP connection; `session` 0 until it is registered.

    `heard_ns` is when the link was opened, and from its registration on when the last whole frame came.
    It is closed when nothing was heard for `span_s`, 0: never.
    """

    number: int
    peer: Address
    reader: FrameReader
    heard_ns: int
    session: int = 0
    closing: bool = False
    span_s: int = 0
    armed_ns: int = -1

    @property
    def deadline_ns(self) -> int | None:
        """When it has been silent too long; None for never."""
        return None if self.closing or not self.span_s else self.heard_ns + self.span_s * _SECOND_NS


class Sessions:
    """Answers encapsulation frames, and closes the links that are too many, silent or broken.

    Every method but `closed` returns what it led to as `Taken`.

    Args:
        config: address, serial number and limits; `Limits.quiet_s` 0 waits for ever.
        identity: data of the ListIdentity item, made when asked.
        unconnected: (link, message, other items, now_ns) to (response, items beside it); may raise
            RemoteError for a message that is none, which gets status 0x03.
        connected: (link, connection id, sequence count and message, now_ns) to (T->O connection id,
            sequence count and response), or None for no answer.
        busy: whether a connection that is alive was opened over this link; such a link is not idle.
        inactivity_s: the present value of TCP/IP Interface attribute 13; 0 is off.
        incarnation: upper 16 bits of every session handle.
        dscp: code point of everything that is sent.

    Attributes:
        links: the open links by number.
        discovery: answers the List commands; has counters of what it dropped.
    """

    def __init__(
        self,
        config: AdapterConfig,
        identity: Callable[[], bytes],
        unconnected: Unconnected,
        connected: Connected,
        busy: Callable[[int], bool],
        inactivity_s: Callable[[], int],
        incarnation: int,
        dscp: int = 0,
    ) -> None:
        self.links: dict[int, Link] = {}
        self.discovery = Discovery(config, identity, dscp)
        self._dscp = dscp
        self._limits = config.limits
        self._unconnected = unconnected
        self._connected = connected
        self._busy = busy
        self._ask_inactivity_s = inactivity_s
        self._inactivity_s = inactivity_s()
        self._incarnation = (incarnation & 0xFFFF) << 16
        self._last_session = 0
        self._deadlines: Timers[Link] = Timers()
        self._complaints: list[Complaint] = []
        self._handlers: dict[int, _Handler] = {
            Command.NOP: self._nop,
            Command.LIST_SERVICES: self._list,
            Command.LIST_IDENTITY: self._list,
            Command.LIST_INTERFACES: self._list,
            Command.REGISTER_SESSION: self._register,
            Command.UNREGISTER_SESSION: self._unregister,
            Command.SEND_RR_DATA: self._send_rr_data,
            Command.SEND_UNIT_DATA: self._send_unit_data,
        }

    # -- links ----------------------------------------------------------------------------------------

    def opened(self, number: int, peer: Address, now_ns: int) -> Taken:
        """A peer opened TCP link `number`; it is closed at once when there are too many."""
        limits = self._limits
        if len(self.links) >= limits.sessions:
            sentence = f"TCP link refused; this adapter takes {limits.sessions} in all"
        elif sum(link.peer[0] == peer[0] for link in self.links.values()) >= limits.sessions_per_source:
            sentence = f"TCP link refused; this adapter takes {limits.sessions_per_source} from one address"
        else:
            reader = FrameReader(limits.frame_bytes)
            link = self.links[number] = Link(number, peer, reader, now_ns, span_s=limits.quiet_s)
            self._deadlines.watch(link)
            return NOTHING
        return Taken((CloseTcp(number),), (Complaint(peer[0], sentence),), (number,))

    def closed(self, number: int) -> None:
        """The link is gone, or its owner closes it; nothing more comes of it."""
        link = self.links.pop(number, None)
        if link is not None:
            link.closing = True

    def received(self, number: int, data: bytes, now_ns: int) -> Taken:
        """Take bytes of a link; a link that is not open is ignored."""
        link = self.links.get(number)
        if link is None:
            return NOTHING
        reader = link.reader
        reader.feed(data)
        replies: list[bytes] = []
        handlers = self._handlers
        try:
            while not link.closing and (parts := reader.next_parts()) is not None:
                head, body = parts
                if link.session:
                    link.heard_ns = now_ns
                # Options other than 0 are dropped in silence, and so is what comes with a status: it is
                # somebody's reply (both open adapter stacks).
                if head[5] or head[3]:
                    continue
                handler = handlers.get(head[0])
                reply = handler(link, head, body, now_ns) if handler else self._unknown(link, head)
                if reply is not None:
                    replies.append(reply)
        except RemoteError as error:
            replies += self._too_long(link)
            self._complain(link, f"{error}; the link is closed")
            link.closing = True
        self._follow_inactivity()
        return self._taken(link, replies)

    def datagram(self, local_port: int, peer: Address, data: bytes, now_ns: int, to_many: bool) -> Taken:
        """Take a datagram on the explicit port: List commands only, see `Discovery`."""
        return self.discovery.datagram(local_port, peer, data, now_ns, to_many)

    # -- time -----------------------------------------------------------------------------------------

    def next_deadline_ns(self) -> int | None:
        """When `handle_timer` wants to be called."""
        due_ns, waiting = self._deadlines.next_ns(), self.discovery.waiting
        if not waiting:
            return due_ns
        return waiting[0][0] if due_ns is None else min(due_ns, waiting[0][0])

    def handle_timer(self, now_ns: int) -> Taken:
        """Close links that are due, send delayed answers that are due."""
        due_ns = self.next_deadline_ns()
        if due_ns is None or due_ns > now_ns:
            return NOTHING
        self._follow_inactivity()
        outgoing = self.discovery.handle_timer(now_ns)
        closed: list[int] = []
        while (link := self._deadlines.take_due(now_ns)) is not None:
            if self._is_over(link, now_ns):
                closed.append(link.number)
        for number in closed:
            self.closed(number)
            outgoing.append(CloseTcp(number))
        return Taken(tuple(outgoing), self._take_complaints(), tuple(closed))

    def _is_over(self, link: Link, now_ns: int) -> bool:
        if not link.session:
            quiet_s = self._limits.quiet_s
            self._complain(link, f"no RegisterSession within {quiet_s} s; the link is closed")
            return True
        if self._busy(link.number):
            link.heard_ns = now_ns
            self._deadlines.watch(link)
            return False
        self._complain(
            link,
            f"no frame for {self._inactivity_s} s and no connection; the link is closed "
            "(encapsulation inactivity timeout, attribute 13 of the TCP/IP Interface object)",
        )
        return True

    def _follow_inactivity(self) -> None:
        """A peer may have set another timeout: it counts at once, for every session."""
        inactivity_s = self._ask_inactivity_s()
        if inactivity_s == self._inactivity_s:
            return
        self._inactivity_s = inactivity_s
        for link in self.links.values():
            if link.session:
                link.span_s = inactivity_s
                self._deadlines.watch(link)

    # -- commands -------------------------------------------------------------------------------------

    def _nop(self, link: Link, head: Head, data: bytes, now_ns: int) -> bytes | None:
        return None

    def _list(self, link: Link, head: Head, data: bytes, now_ns: int) -> bytes | None:
        if data:
            self._complain(link, f"command 0x{head[0]:04X}: expected no data, got {len(data)} bytes")
        return self.discovery.answer(head[0], head[2], head[4], data)

    def _register(self, link: Link, head: Head, data: bytes, now_ns: int) -> bytes | None:
        command, context = head[0], head[4]
        if len(data) != _REGISTER.size:
            self._complain(link, f"RegisterSession: expected {_REGISTER.size} bytes, got {len(data)} bytes")
            return encode_reply(command, head[2], context, status=EncapsulationStatus.BAD_LENGTH)
        if data != _OWN_REGISTER:
            version, options = _REGISTER.unpack(data)
            self._complain(
                link, f"RegisterSession asked for version {version}, options {options}; expected 1, 0"
            )
            return encode_reply(command, 0, context, _OWN_REGISTER, EncapsulationStatus.BAD_VERSION)
        if link.session:
            self._complain(
                link,
                f"RegisterSession on a link that has session 0x{link.session:08X} already; "
                "expected one session a link",
            )
            return encode_reply(
                command, link.session, context, _OWN_REGISTER, EncapsulationStatus.BAD_COMMAND
            )
        link.session = self._new_session()
        link.heard_ns = now_ns
        link.span_s = self._inactivity_s
        self._deadlines.watch(link)
        return encode_reply(command, link.session, context, _OWN_REGISTER)

    def _new_session(self) -> int:
        taken = {link.session for link in self.links.values()}
        session = 0
        while not session or session in taken:
            self._last_session = self._last_session % 0xFFFF + 1
            session = self._incarnation | self._last_session
        return session

    def _unregister(self, link: Link, head: Head, data: bytes, now_ns: int) -> bytes | None:
        if head[2] != link.session or not link.session:
            return self._wrong_session(link, head)
        link.closing = True  # no reply: the target closes the TCP connection
        return None

    def _send_rr_data(self, link: Link, head: Head, data: bytes, now_ns: int) -> bytes | None:
        session = head[2]
        if session != link.session or not session:
            return self._wrong_session(link, head)
        try:
            message, extra = decode_unconnected(data)
            response, items = self._unconnected(link, message, extra, now_ns)
        except RemoteError as error:
            self._complain(link, f"SendRRData: {error}")
            return encode_reply(head[0], session, head[4], status=EncapsulationStatus.INCORRECT_DATA)
        return encode_reply(head[0], session, head[4], encode_unconnected(response, items))

    def _send_unit_data(self, link: Link, head: Head, data: bytes, now_ns: int) -> bytes | None:
        session = head[2]
        if session != link.session or not session:
            return self._wrong_session(link, head)
        try:
            connection_id, payload = decode_connected(data)
            answer = self._connected(link, connection_id, payload, now_ns)
        except RemoteError as error:
            # No reply: SendUnitData has none of its own, so the originator would not wait for one.
            self._complain(link, f"SendUnitData: {error}")
            return None
        return None if answer is None else encode_reply(head[0], session, head[4], encode_connected(*answer))

    def _unknown(self, link: Link, head: Head) -> bytes:
        command = head[0]
        if command == Command.START_DTLS:
            sentence = "StartDTLS: this adapter has no secure sessions; expected RegisterSession"
        else:
            sentence = f"encapsulation command 0x{command:04X}: expected {_COMMANDS}"
        self._complain(link, sentence)
        return encode_reply(command, head[2], head[4], status=EncapsulationStatus.BAD_COMMAND)

    def _wrong_session(self, link: Link, head: Head) -> bytes:
        expected = f"session 0x{link.session:08X}" if link.session else "RegisterSession first"
        self._complain(link, f"command 0x{head[0]:04X}: expected {expected}, got session 0x{head[2]:08X}")
        return encode_reply(head[0], head[2], head[4], status=EncapsulationStatus.BAD_SESSION)

    def _too_long(self, link: Link) -> list[bytes]:
        """The answer to a header that announced too much; nothing when it is no header of ours at all."""
        frame = link.reader.refused
        if frame is None or frame.command not in self._handlers or frame.command == Command.NOP:
            return []
        if frame.options or frame.status:
            return []
        return [frame.reply(status=EncapsulationStatus.BAD_LENGTH).encode()]

    # -- results --------------------------------------------------------------------------------------

    def _complain(self, link: Link, sentence: str) -> None:
        self._complaints.append(Complaint(link.peer[0], sentence))

    def _take_complaints(self) -> tuple[Complaint, ...]:
        if not self._complaints:
            return ()
        taken, self._complaints = tuple(self._complaints), []
        return taken

    def _taken(self, link: Link, replies: list[bytes]) -> Taken:
        if self.links.get(link.number) is not link:
            return Taken(complaints=self._take_complaints())  # closed by its owner meanwhile
        outgoing: tuple[Outgoing, ...] = ()
        if replies:
            outgoing = (SendTcp(link.number, b"".join(replies), self._dscp),)
        if not link.closing:
            return Taken(outgoing, self._take_complaints()) if outgoing or self._complaints else NOTHING
        self.closed(link.number)
        return Taken((*outgoing, CloseTcp(link.number)), self._take_complaints(), (link.number,))
