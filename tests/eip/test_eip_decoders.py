"""Every decoder, fed whole, byte by byte, truncated and with a tail."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import pytest
from eip_link import OPEN, PATH
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.cpf import (
    Item,
    decode_items,
    decode_sockaddr,
    decode_unconnected,
    encode_items,
    encode_sockaddr,
    encode_unconnected,
)
from bench.eip.cyclic import decode_cyclic, encode_cyclic
from bench.eip.encapsulation import MAX_DATA_BYTES, Frame, FrameReader, decode_datagram
from bench.eip.epath import (
    DataSegment,
    ElectronicKey,
    Inhibit,
    Kind,
    Logical,
    Segment,
    decode_path,
    encode_path,
)
from bench.eip.forward_open import ForwardClose, ForwardOpen, NetworkParameters, OpenReply, decode_tail
from bench.eip.message import Response, decode_request, decode_response, encode_request, encode_response
from bench.errors import LocalError, RemoteError

u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
frames = st.builds(
    Frame,
    command=u16,
    session=u32,
    status=u32,
    context=st.binary(min_size=8, max_size=8),
    options=u32,
    data=st.binary(max_size=80),
)
segments = st.one_of(
    st.builds(Logical, st.sampled_from(Kind), u16),
    st.builds(ElectronicKey, u16, u16, u16, st.integers(0, 127), u8, st.booleans()),
    st.builds(DataSegment, st.binary(max_size=20).map(lambda data: data + bytes(len(data) % 2))),
    st.builds(Inhibit, u32),
)
parameters = st.builds(NetworkParameters, st.integers(0, 511), st.integers(0, 3), st.integers(0, 3))
opens = st.builds(
    ForwardOpen,
    ot_id=u32,
    to_id=u32,
    serial=u16,
    vendor_id=u16,
    originator_serial=u32,
    multiplier_code=u8,
    ot_rpi_us=u32,
    ot=parameters,
    to_rpi_us=u32,
    to=parameters,
    path=st.binary(max_size=20).map(lambda data: data * 2),
    class_trigger=u8,
    large=st.booleans(),
)

WHOLE: list[tuple[str, Callable[[bytes], object], bytes]] = [
    ("datagram", decode_datagram, Frame(0x63, data=b"abc").encode()),
    ("items", decode_items, encode_items((Item(0), Item(0xB2, b"abc")))),
    ("unconnected", decode_unconnected, encode_unconnected(b"\x0e\x00")),
    ("sockaddr", decode_sockaddr, encode_sockaddr("10.0.0.1", 2222)),
    ("forward open", ForwardOpen.decode, OPEN.encode()),
    ("forward close", ForwardClose.decode, ForwardClose(1, 2, 3, PATH).encode()),
    ("cyclic", decode_cyclic, encode_cyclic(1, 2, 3, b"abcd")),
]


@pytest.mark.parametrize(("decode", "data"), [case[1:] for case in WHOLE], ids=[case[0] for case in WHOLE])
def test_every_truncation_is_refused(decode: Callable[[bytes], object], data: bytes) -> None:
    decode(data)
    for size in range(len(data)):
        with pytest.raises(RemoteError):
            decode(data[:size])


@pytest.mark.parametrize(("decode", "data"), [case[1:] for case in WHOLE], ids=[case[0] for case in WHOLE])
def test_a_tail_is_refused(decode: Callable[[bytes], object], data: bytes) -> None:
    with pytest.raises(RemoteError):
        decode(data + b"\x00")


@given(st.lists(frames, max_size=5), st.lists(st.integers(1, 60), min_size=1, max_size=8))
def test_a_stream_however_split_gives_the_same_frames(sent: list[Frame], sizes: list[int]) -> None:
    reader, got, stream = FrameReader(), [], b"".join(frame.encode() for frame in sent)
    at = turn = 0
    while at < len(stream):
        size = sizes[turn % len(sizes)]
        reader.feed(stream[at : at + size])
        at, turn = at + size, turn + 1
        while frame := reader.next_frame():
            got.append(frame)
    assert got == sent


def test_a_stream_byte_by_byte() -> None:
    reader, frame = FrameReader(), Frame(0x65, data=b"\x01\0\0\0")
    got = []
    for byte in frame.encode():
        reader.feed(bytes((byte,)))
        got.append(reader.next_frame())
    assert got == [None] * 27 + [frame]


def test_a_frame_too_long_is_an_error_not_a_wait() -> None:
    reader = FrameReader()
    reader.feed(bytes.fromhex("6F00") + (MAX_DATA_BYTES + 1).to_bytes(2, "little") + bytes(20))
    with pytest.raises(RemoteError, match="at most 4096, got 4097"):
        reader.next_frame()


@given(st.lists(st.builds(Item, u16, st.binary(max_size=30)), max_size=5).map(tuple))
def test_items_come_back(items: tuple[Item, ...]) -> None:
    assert decode_items(encode_items(items)) == items


@given(st.lists(segments, max_size=6).map(tuple))
def test_paths_come_back(path: tuple[Segment, ...]) -> None:
    assert decode_path(encode_path(path)) == path


@given(opens)
def test_forward_opens_come_back(asked: ForwardOpen) -> None:
    assert ForwardOpen.decode(asked.encode(), asked.large) == asked


@given(st.builds(OpenReply, u32, u32, st.tuples(u16, u16, u32), u32, u32))
def test_forward_open_replies_come_back(reply: OpenReply) -> None:
    assert OpenReply.decode(reply.encode() + b"application data") == reply


@given(u16, u32, u16, st.binary(max_size=60))
def test_cyclic_frames_come_back(connection_id: int, seq32: int, seq16: int, body: bytes) -> None:
    frame = encode_cyclic(connection_id, seq32, seq16, body)
    assert decode_cyclic(frame) == (connection_id, seq32, seq16, body)


@given(st.integers(0, 127), u8, st.lists(u16, max_size=4).map(tuple), st.binary(max_size=20))
def test_responses_come_back(service: int, status: int, extended: tuple[int, ...], data: bytes) -> None:
    response = Response(status, extended, data)
    assert decode_response(encode_response(service, response)) == (service, response)


@given(st.binary(max_size=60))
def test_decoders_raise_nothing_but_remote_errors(data: bytes) -> None:
    decoders: list[Callable[[bytes], object]] = [case[1] for case in WHOLE]
    for decode in [*decoders, decode_path, decode_request, decode_response, OpenReply.decode, decode_tail]:
        with contextlib.suppress(RemoteError):
            decode(data)


def test_a_path_error_names_the_byte() -> None:
    with pytest.raises(RemoteError, match=r"byte 2: expected a port .* got 0xE1"):
        decode_path(bytes.fromhex("2001 E100"))


def test_a_request_path_cut_short_has_the_path_status() -> None:
    with pytest.raises(RemoteError) as caught:
        decode_request(encode_request(0x0E, PATH)[:-2])
    assert caught.value.status == 0x04


@pytest.mark.parametrize("address", ["localhost", "1.2.3", "1.2.3.256", "1.2.3.-4", ""])
def test_an_address_that_is_not_ipv4(address: str) -> None:
    with pytest.raises(LocalError, match="four numbers"):
        encode_sockaddr(address, 1)
