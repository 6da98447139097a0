"""Every decoder on any bytes: it reads them, or says whose fault it is; what was read comes back the same."""

from __future__ import annotations

from collections.abc import Callable

from bench.eds import connections, describe, read_eds
from bench.eip.cpf import (
    decode_connected,
    decode_identity_item,
    decode_items,
    decode_sockaddr,
    decode_unconnected,
    encode_connected,
    encode_items,
    encode_unconnected,
)
from bench.eip.cyclic import decode_cyclic, decode_frame, encode_cyclic
from bench.eip.encapsulation import FrameReader, decode_datagram
from bench.eip.epath import decode_path, encode_path
from bench.eip.forward_open import ForwardClose, ForwardOpen, OpenReply, decode_tail
from bench.eip.message import decode_request, decode_response, encode_response
from bench.eip.open_request import resolve_path
from bench.eip.originator import read_answer, refusal_hint, route_of
from bench.eip.routing import decode_wrapped, is_wrapped, refuse_route
from bench.eip.services import split_packet
from bench.errors import RemoteError, WrongFiles
from tests.fuzz.scanner_session import config_of
from tests.fuzz.tape import Tape

_SCANNER = config_of(4)
_LIMIT = 64


def _stream(data: bytes) -> None:
    """Cut anywhere, the same frames come out."""
    tape = Tape(data)
    cut = 1 + tape.byte()
    stream = tape.rest()
    whole, parts = FrameReader(_LIMIT), FrameReader(_LIMIT)
    pieces = [stream[at : at + cut] for at in range(0, len(stream), cut)]
    assert _frames(whole, [stream]) == _frames(parts, pieces)
    held = len(parts._data)
    assert held <= _LIMIT + 24 + cut, f"{held} bytes held back"


def _frames(reader: FrameReader, pieces: list[bytes]) -> list[object]:
    found: list[object] = []
    try:
        for piece in pieces:
            reader.feed(piece)
            while (frame := reader.next_frame()) is not None:
                found.append(frame)
    except RemoteError as error:
        found.append(str(error))
    return found


def _datagram(data: bytes) -> None:
    assert decode_datagram(data).encode() == data


def _items(data: bytes) -> None:
    assert encode_items(decode_items(data)) == data


def _unconnected(data: bytes) -> None:
    message, extra = decode_unconnected(data)
    assert decode_unconnected(encode_unconnected(message, extra)) == (message, extra)


def _connected(data: bytes) -> None:
    connection_id, payload = decode_connected(data)
    assert decode_connected(encode_connected(connection_id, payload)) == (connection_id, payload)


def _path(data: bytes) -> None:
    resolve_path(data)
    segments = decode_path(data)
    assert decode_path(encode_path(segments)) == segments


def _open(data: bytes) -> None:
    large = bool(data[:1] and data[0] & 1)
    asked = ForwardOpen.decode(data[1:], large)
    assert ForwardOpen.decode(asked.encode(), large) == asked


def _close(data: bytes) -> None:
    asked = ForwardClose.decode(data)
    assert ForwardClose.decode(asked.encode()) == asked


def _open_reply(data: bytes) -> None:
    reply = OpenReply.decode(data)
    assert OpenReply.decode(reply.encode()) == reply


def _response(data: bytes) -> None:
    service, response = decode_response(data)
    assert decode_response(encode_response(service, response)) == (service, response)


def _wrapped(data: bytes) -> None:
    is_wrapped(data)
    refusal = refuse_route(decode_wrapped(data), "127.0.0.1")
    assert refusal is None or refusal.sentence


def _packet(data: bytes) -> None:
    messages = split_packet(data)
    assert b"".join(messages) == data[2 + 2 * len(messages) :]
    assert min(map(len, messages)) >= 2


def _cyclic(data: bytes) -> None:
    connection_id, sequence, body = decode_frame(data)
    assert encode_cyclic(connection_id, sequence, None, body) == data
    assert encode_cyclic(*decode_cyclic(data)) == data


def _answer(data: bytes) -> None:
    """What a scanner makes of the answer to its Forward Open."""
    response, items = read_answer(data)
    assert isinstance(refusal_hint(response.extended, _SCANNER), str)
    route = route_of(items, _SCANNER)
    assert route.ot_peer[0] == _SCANNER.target[0]


def _eds(data: bytes) -> None:
    try:
        eds = read_eds(data.decode("latin-1"))
        for connection in connections(eds):
            assert connection.path_text or not connection.path
        describe(eds)
    except WrongFiles as wrong:
        _told(wrong)


def _told(wrong: WrongFiles) -> None:
    """Mistakes are bounded, and each says where and what."""
    assert 1 <= len(wrong.mistakes) <= 100
    assert all(mistake.sentence and mistake.line >= 1 for mistake in wrong.mistakes)
    assert str(wrong)


DECODERS: dict[str, Callable[[bytes], object]] = {
    "stream": _stream,
    "datagram": _datagram,
    "items": _items,
    "unconnected": _unconnected,
    "connected": _connected,
    "sockaddr": decode_sockaddr,
    "identity": decode_identity_item,
    "path": _path,
    "request": decode_request,
    "response": _response,
    "packet": _packet,
    "wrapped": _wrapped,
    "open": _open,
    "close": _close,
    "open reply": _open_reply,
    "tail": decode_tail,
    "cyclic": _cyclic,
    "answer": _answer,
    "eds": _eds,
}
_EACH = tuple(DECODERS.values())
_NAMES = tuple(DECODERS)


def run(data: bytes, log: list[str] | None = None) -> None:
    """The first byte says which decoder, the rest is for it."""
    number = data[0] % len(_EACH) if data else 0
    if log is not None:
        log.append(f"{_NAMES[number]}({data[1:].hex()})")
    refusal: RemoteError | None = None
    try:
        _EACH[number](data[1:])
    except RemoteError as error:
        refusal = error
    assert refusal is None or (refusal.field and refusal.expected)
