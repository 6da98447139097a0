"""The target's encapsulation layer: links, sessions, commands, and which mistake gets which answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from struct import Struct

from bench.eip.cpf import Item, ItemType, decode_unconnected, encode_items, encode_unconnected
from bench.eip.encapsulation import (
    PROTOCOL_VERSION,
    Command,
    EncapsulationStatus,
    Frame,
    FrameReader,
    decode_datagram,
)
from bench.eip.transport import Address
from bench.errors import RemoteError

_REGISTER = Struct("<HH")  # version, options
_SERVICES = Struct("<HH16s")  # version, capability flags, name
_TCP_AND_UDP_IO = 0x0120

Handled = Frame | None


@dataclass(slots=True)
class Link:
    """One accepted TCP connection; `session` 0 until it is registered."""

    number: int
    peer: Address
    session: int = 0
    closing: bool = False
    reader: FrameReader = field(default_factory=FrameReader)


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of the bytes received: frames to send, whether to close, what was wrong."""

    replies: bytes = b""
    close: bool = False
    complaints: tuple[str, ...] = ()


class Sessions:
    """Answers encapsulation frames; unconnected messages go to `unconnected`.

    Args:
        identity: data of the ListIdentity item, made when asked.
        unconnected: (link, message, other items, now_ns) to (response, items beside it).
        incarnation: upper 16 bits of every session handle.
    """

    def __init__(
        self,
        identity: Callable[[], bytes],
        unconnected: Callable[[Link, bytes, tuple[Item, ...], int], tuple[bytes, tuple[Item, ...]]],
        incarnation: int,
    ) -> None:
        self.links: dict[int, Link] = {}
        self._identity = identity
        self._unconnected = unconnected
        self._next_session = (incarnation & 0xFFFF) << 16 | 1
        self._complaints: list[str] = []
        self._over_udp: dict[int, Callable[[Frame], Frame]] = {
            Command.LIST_SERVICES: self._list_services,
            Command.LIST_IDENTITY: self._list_identity,
            Command.LIST_INTERFACES: self._list_interfaces,
        }
        self._over_tcp: dict[int, Callable[[Link, Frame, int], Handled]] = {
            Command.NOP: self._nop,
            Command.REGISTER_SESSION: self._register,
            Command.UNREGISTER_SESSION: self._unregister,
            Command.SEND_RR_DATA: self._send_rr_data,
            Command.SEND_UNIT_DATA: self._send_unit_data,
        }

    def opened(self, number: int, peer: Address) -> None:
        self.links[number] = Link(number, peer)

    def closed(self, number: int) -> None:
        self.links.pop(number, None)

    def received(self, number: int, data: bytes, now_ns: int) -> Taken:
        """Take bytes of a link; a link unknown or closing is ignored."""
        link = self.links.get(number)
        if link is None:
            return Taken()
        link.reader.feed(data)
        replies: list[bytes] = []
        self._complaints = []
        try:
            while not link.closing and (frame := link.reader.next_frame()):
                reply = self._handle(link, frame, now_ns)
                if reply is not None:
                    replies.append(reply.encode())
        except RemoteError as error:
            self._complaints.append(f"{error}; the link is closed")
            link.closing = True
        if link.closing:
            self.closed(number)
        return Taken(b"".join(replies), link.closing, tuple(self._complaints))

    def datagram(self, data: bytes) -> bytes | None:
        """The answer to a datagram on the explicit port: List commands only, silence for the rest.

        Raises:
            RemoteError: the datagram is no encapsulation frame.
        """
        frame = decode_datagram(data)
        handler = self._over_udp.get(frame.command)
        if handler is None or _is_ignored(frame):
            return None
        return _listed(frame, handler).encode()

    def _handle(self, link: Link, frame: Frame, now_ns: int) -> Handled:
        if _is_ignored(frame):
            return None
        listing = self._over_udp.get(frame.command)
        if listing is not None:
            return _listed(frame, listing)
        handler = self._over_tcp.get(frame.command)
        if handler is None:
            self._complaints.append(
                f"encapsulation command 0x{frame.command:04X} is not one of this adapter's"
            )
            return frame.reply(status=EncapsulationStatus.BAD_COMMAND)
        return handler(link, frame, now_ns)

    def _list_services(self, frame: Frame) -> Frame:
        data = _SERVICES.pack(PROTOCOL_VERSION, _TCP_AND_UDP_IO, b"Communications")
        return frame.reply(encode_items((Item(ItemType.SERVICES, data),)))

    def _list_identity(self, frame: Frame) -> Frame:
        return frame.reply(encode_items((Item(ItemType.IDENTITY, self._identity()),)))

    def _list_interfaces(self, frame: Frame) -> Frame:
        return frame.reply(encode_items(()))

    def _nop(self, link: Link, frame: Frame, now_ns: int) -> Handled:
        return None

    def _register(self, link: Link, frame: Frame, now_ns: int) -> Handled:
        if len(frame.data) != _REGISTER.size:
            return self._bad(frame, EncapsulationStatus.BAD_LENGTH, f"{_REGISTER.size} bytes of data")
        own = _REGISTER.pack(PROTOCOL_VERSION, 0)
        if frame.data != own:
            version, options = _REGISTER.unpack(frame.data)
            self._complaints.append(
                f"RegisterSession asked for version {version}, options {options}; expected 1, 0"
            )
            return frame.reply(own, status=EncapsulationStatus.BAD_VERSION, session=0)
        if link.session:
            self._complaints.append(
                f"RegisterSession on a link that has session 0x{link.session:08X} already"
            )
            return frame.reply(own, status=EncapsulationStatus.BAD_COMMAND, session=link.session)
        link.session = self._next_session
        self._next_session = link.session & 0xFFFF_0000 | (link.session + 1) & 0xFFFF or 1
        return frame.reply(own, session=link.session)

    def _unregister(self, link: Link, frame: Frame, now_ns: int) -> Handled:
        if (wrong := self._wrong_session(link, frame)) is not None:
            return wrong
        link.closing = True  # no reply: the target closes the TCP connection
        return None

    def _send_rr_data(self, link: Link, frame: Frame, now_ns: int) -> Handled:
        if (wrong := self._wrong_session(link, frame)) is not None:
            return wrong
        try:
            message, extra = decode_unconnected(frame.data)
            response, items = self._unconnected(link, message, extra, now_ns)
        except RemoteError as error:
            self._complaints.append(f"SendRRData: {error}")
            return frame.reply(status=EncapsulationStatus.INCORRECT_DATA)
        return frame.reply(encode_unconnected(response, items))

    def _send_unit_data(self, link: Link, frame: Frame, now_ns: int) -> Handled:
        if (wrong := self._wrong_session(link, frame)) is not None:
            return wrong
        self._complaints.append("SendUnitData for a connected message; no such connection is open")
        return None

    def _wrong_session(self, link: Link, frame: Frame) -> Frame | None:
        if link.session and frame.session == link.session:
            return None
        expected = f"session 0x{link.session:08X}" if link.session else "RegisterSession first"
        return self._bad(frame, EncapsulationStatus.BAD_SESSION, expected, f"0x{frame.session:08X}")

    def _bad(self, frame: Frame, status: int, expected: str, got: str = "") -> Frame:
        got = got or f"{len(frame.data)} bytes"
        self._complaints.append(f"command 0x{frame.command:04X}: expected {expected}, got {got}")
        return frame.reply(status=status)


def _listed(frame: Frame, handler: Callable[[Frame], Frame]) -> Frame:
    if frame.data:
        return frame.reply(status=EncapsulationStatus.BAD_LENGTH)
    return handler(frame)


def _is_ignored(frame: Frame) -> bool:
    # Options other than 0 are dropped in silence. So is a request whose status is not 0 (from memory).
    return frame.options != 0 or frame.status != 0
