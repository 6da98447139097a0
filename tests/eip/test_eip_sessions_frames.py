"""Frames on a link: every command and status, connected messages, and any cutting of the stream."""

from __future__ import annotations

from itertools import pairwise

import pytest
from eip_sessions import REGISTER, Echo, frames, message
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.cpf import Item, decode_connected, decode_unconnected, encode_connected, encode_items
from bench.eip.encapsulation import Command, Frame
from bench.eip.sessions import Taken

SESSION = 0x00AB_0001  # of the first link to register
CONTEXT = b"remember"


def unit(data: bytes, session: int = SESSION) -> bytes:
    return Frame(Command.SEND_UNIT_DATA, session, context=CONTEXT, data=data).encode()


@pytest.fixture
def echo() -> Echo:
    echo = Echo()
    echo.register()
    return echo


def test_a_message_and_its_items_go_through(echo: Echo) -> None:
    item = Item(0x8001, bytes(16))
    (frame,) = frames(echo.feed(message(SESSION, b"abc", (item,))))
    assert (frame.command, frame.session, frame.status, frame.context) == (0x6F, SESSION, 0, CONTEXT)
    assert decode_unconnected(frame.data) == (b"cba", (item,))


def test_the_reply_byte_by_byte(echo: Echo) -> None:
    (sent,) = echo.feed(message(SESSION, b"\x0e\x00")).outgoing
    header = "6F00 1200 0100AB00 00000000" + CONTEXT.hex() + "00000000"
    body = "00000000 0000 0200 0000 0000 B200 0200 000E"
    assert sent.data.hex() == bytes.fromhex(header + body).hex()  # type: ignore[union-attr]


def test_a_connected_message_is_answered_on_its_connection(echo: Echo) -> None:
    (frame,) = frames(echo.feed(unit(encode_connected(5, b"\x01\x00abc"))))
    assert (frame.command, frame.session, frame.status, frame.context) == (0x70, SESSION, 0, CONTEXT)
    assert decode_connected(frame.data) == (7, b"\x01\x00cba")


def test_a_connected_message_nobody_answers(echo: Echo) -> None:
    assert (echo.feed(unit(encode_connected(6, b"\x01\x00abc"))), echo.complaints) == (Taken(), [])


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "interface handle and timeout, 6 bytes"),
        (bytes(6), "item count: expected 2 bytes"),
        (b"\x01" + encode_connected(5, b"\0\0")[1:], "interface handle: expected 0 (CIP), got 1"),
        (encode_connected(5, b"\0"), "a 2-byte sequence count"),
        (encode_connected(5, b"\0\0") + b"x", "for 2 items"),
        (bytes(6) + encode_items((Item(0xA1, b"\x05\0"), Item(0xB1, b"\0\0"))), "expected 4 bytes"),
        (bytes(6) + encode_items((Item(0), Item(0xB2, b"\0\0"))), "0x00A1 and 0x00B1, got 0x0000, 0x00B2"),
    ],
)
def test_a_wrong_connected_packet_is_dropped_in_words(echo: Echo, data: bytes, sentence: str) -> None:
    taken = echo.feed(unit(data))
    assert (taken.outgoing, [sentence in complaint for complaint in echo.complaints]) == ((), [True])


@pytest.mark.parametrize(
    ("sent", "status", "sentence"),
    [
        (Frame(0x00C8), 0x01, "no secure sessions; expected RegisterSession"),
        (Frame(0x0099), 0x01, "expected NOP, ListServices"),
        (Frame(0x65, data=b"\x01\0\0\0"), 0x01, "has session 0x00AB0001 already"),
        (Frame(0x65, data=b"\x02\0\0\0"), 0x69, "expected 1, 0"),
        (Frame(0x65, data=b"\x01\0\x01\0"), 0x69, "expected 1, 0"),
        (Frame(0x65, data=b"\x01\0\0"), 0x65, "expected 4 bytes, got 3"),
        (Frame(0x65, data=b"\x01\0\0\0\0"), 0x65, "expected 4 bytes, got 5"),
        (Frame(0x63, data=b"x"), 0x65, "expected no data"),
        (Frame(0x04, data=b"x"), 0x65, "expected no data"),
        (Frame(0x64, data=b"x"), 0x65, "expected no data"),
        (Frame(0x6F, SESSION), 0x03, "6 bytes, got 0"),
        (Frame(0x6F, SESSION, data=b"\x01" + bytes(5)), 0x03, "expected 0 (CIP), got 1"),
        (Frame(0x6F, SESSION + 1), 0x64, "expected session 0x00AB0001, got session 0x00AB0002"),
        (Frame(0x6F, 0), 0x64, "expected session 0x00AB0001, got session 0x00000000"),
        (Frame(0x70, SESSION + 1), 0x64, "expected session 0x00AB0001"),
        (Frame(0x66, SESSION + 1), 0x64, "expected session 0x00AB0001"),
    ],
)
def test_every_mistake_has_its_status_and_words(echo: Echo, sent: Frame, status: int, sentence: str) -> None:
    taken = echo.feed(Frame(sent.command, sent.session, 0, CONTEXT, 0, sent.data).encode())
    (frame,) = frames(taken)
    assert (frame.command, frame.status, frame.context, taken.closed) == (sent.command, status, CONTEXT, ())
    assert sentence in echo.complaints[0]


@pytest.mark.parametrize("command", [0x6F, 0x70, 0x66])
def test_another_links_session_is_not_this_links(echo: Echo, command: int) -> None:
    echo.open(2)
    (frame,) = frames(echo.feed(Frame(command, SESSION).encode(), 2))
    assert (frame.status, "expected RegisterSession first" in echo.complaints[0]) == (0x64, True)


@pytest.mark.parametrize("command", [*Command, 0x99])
@pytest.mark.parametrize(("status", "options"), [(0, 1), (1, 0)])
def test_options_or_a_status_in_a_request_are_silence(
    echo: Echo, command: int, status: int, options: int
) -> None:
    sent = Frame(command, SESSION, status, CONTEXT, options)
    assert (echo.feed(sent.encode()), echo.complaints) == (Taken(), [])


@pytest.mark.parametrize("data", [b"", b"any", bytes(4096)])
def test_nop_has_no_reply(echo: Echo, data: bytes) -> None:
    assert echo.feed(Frame(Command.NOP, data=data).encode()) == Taken()


@pytest.mark.parametrize("command", [Command.SEND_RR_DATA, Command.LIST_IDENTITY, Command.REGISTER_SESSION])
def test_a_header_that_announces_too_much_is_answered_and_the_link_closed(command: int) -> None:
    echo = Echo(frame_bytes=600)
    echo.open()
    taken = echo.feed(Frame(command, 9, context=CONTEXT, data=bytes(601)).encode()[:24])
    (frame,) = frames(taken)
    assert (frame, taken.closed) == (Frame(command, 9, 0x65, CONTEXT), (1,))
    assert echo.complaints == ["encapsulation length: expected at most 600, got 601; the link is closed"]


@pytest.mark.parametrize(("status", "options"), [(0, 1), (1, 0)])
def test_a_header_too_long_that_wants_no_answer_gets_none(status: int, options: int) -> None:
    echo = Echo(frame_bytes=600)
    echo.open()
    taken = echo.feed(Frame(0x6F, 9, status, CONTEXT, options, bytes(601)).encode()[:24])
    assert (frames(taken), taken.closed) == ([], (1,))


@pytest.mark.parametrize(
    "data", [b"GET / HTTP/1.1\r\nHost: bench\r\n\r\n", bytes.fromhex("0000 FFFF") + bytes(20)]
)
def test_garbage_closes_without_an_answer(echo: Echo, data: bytes) -> None:
    taken = echo.feed(data)
    assert (frames(taken), taken.closed) == ([], (1,))


def test_a_frame_as_long_as_the_limit_is_taken() -> None:
    echo = Echo(frame_bytes=600)
    session = echo.register()
    (frame,) = frames(echo.feed(message(session, bytes(600 - 16))))
    assert (frame.status, len(frame.data)) == (0, 600)


def test_no_more_than_a_frame_and_a_segment_is_kept() -> None:
    echo = Echo(frame_bytes=600)
    echo.register()
    reader = echo.sessions.links[1].reader
    echo.feed(message(SESSION) * 100 + message(SESSION, bytes(500))[:400])
    kept = len(reader._data)
    echo.feed(message(SESSION, bytes(500))[400:])
    assert (kept, len(reader._data)) == (400, 0)


def test_a_buffer_the_shell_uses_again_is_not_held(echo: Echo) -> None:
    segment = bytearray(message(SESSION, b"abc")[:30])
    echo.feed(segment)  # type: ignore[arg-type]
    segment[:] = bytes(30)
    (frame,) = frames(echo.feed(message(SESSION, b"abc")[30:]))
    assert decode_unconnected(frame.data)[0] == b"cba"


def test_sixteen_requests_in_one_segment_are_answered_in_order(echo: Echo) -> None:
    bodies = [bytes((number, 0)) for number in range(16)]
    replies = frames(echo.feed(b"".join(message(SESSION, body) for body in bodies)))
    assert [decode_unconnected(frame.data)[0][::-1] for frame in replies] == bodies


# -- any cutting of the stream gives the same replies ---------------------------------------------------

whole = st.one_of(
    st.just(REGISTER),
    st.binary(max_size=40).map(lambda body: message(SESSION, body)),
    st.binary(max_size=40).map(lambda body: unit(encode_connected(5, body))),
    st.builds(
        lambda command, session, status, options, data: Frame(
            command, session, status, CONTEXT, options, data
        ).encode(),
        st.sampled_from([*Command, 0x99]),
        st.sampled_from([0, SESSION]),
        st.sampled_from([0, 0, 0, 1]),
        st.sampled_from([0, 0, 0, 1]),
        st.binary(max_size=20),
    ),
)
streams = st.builds(
    lambda parts, tail: b"".join(parts) + tail, st.lists(whole, max_size=12), st.binary(max_size=60)
)


def outcome(pieces: list[bytes]) -> tuple[bytes, bool, list[str]]:
    echo = Echo()
    echo.open()
    sent, closed = b"", False
    for piece in pieces:
        taken = echo.feed(piece)
        sent += b"".join(frame.encode() for frame in frames(taken))
        closed |= bool(taken.closed)
    return sent, closed, echo.complaints


@given(streams, st.lists(st.integers(0, 600), max_size=12))
def test_cut_anywhere_the_replies_are_the_same(stream: bytes, cuts: list[int]) -> None:
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    assert outcome([stream[a:b] for a, b in pairwise(edges)]) == outcome([stream])


@given(streams)
def test_byte_by_byte_the_replies_are_the_same(stream: bytes) -> None:
    assert outcome([bytes((byte,)) for byte in stream]) == outcome([stream])


@given(st.lists(whole, min_size=1, max_size=5), st.integers(1, 23))
def test_a_frame_cut_short_waits_and_takes_nothing_of_the_others(parts: list[bytes], missing: int) -> None:
    stream = b"".join(parts)
    head, tail = stream[:-missing], stream[-missing:]
    replies, closed, _ = outcome([head])
    assert outcome([head, tail])[0].startswith(replies)
    assert closed <= outcome([head, tail])[1]


@given(st.binary(max_size=300))
def test_any_bytes_are_taken_without_an_error(data: bytes) -> None:
    sent, closed, complaints = outcome([REGISTER, data])
    assert sent.startswith(b"\x65\0\x04\0")
    assert len(complaints) >= closed - (b"\x66\0" in data)
