"""Behaviour beside the speed: what an adapter does when things go wrong, or are asked for in odd shapes.

The cases are those in which open adapter stacks were measured to differ from one another on loopback; the
answers here are the ones a person at the scanner can act on. Times are virtual, so they are exact.
"""

from __future__ import annotations

from typing import Any

import pytest
from eip_rules import (
    OT_ID,
    POINTS,
    TO_ID,
    Rig,
    cyclic,
    forward_close,
    forward_open,
    padded,
    sockaddr,
    spaced,
)

from bench.eip.transport import IO_PORT

MS = 1_000_000
FEED = b"\1\0\0\0" + padded("0A", 32)
KEY = "34 04 {} " + POINTS


@pytest.fixture
def rig() -> Rig:
    return Rig()


def opened(rig: Rig, who: str = "A", **fields: Any) -> tuple[int, ...]:
    """General status and extended words of the answer to a Forward Open."""
    reply, _ = rig.message(who, forward_open(**fields))
    words = (int.from_bytes(reply[4 + 2 * at : 6 + 2 * at], "little") for at in range(reply[3]))
    return reply[2], *words


def feed(rig: Rig, seq: int) -> None:
    rig.udp(IO_PORT, ("127.0.0.9", IO_PORT), cyclic(OT_ID, seq, FEED, seq))


@pytest.mark.parametrize(("rpi_ms", "code", "timeout_ms"), [(10, 2, 160), (20, 0, 80)])
def test_outputs_stop(rig: Rig, rpi_ms: int, code: int, timeout_ms: int) -> None:
    """The watchdog is exact; the last input frame leaves within the timeout, one interval before its end."""
    opened(rig, ot_us=rpi_ms * 1000, to_us=rpi_ms * 1000, code=code)
    for seq in range(1, 50):
        rig.advance((seq - 1) * rpi_ms * MS)
        feed(rig, seq)
    last_ns = rig.now_ns
    rig.advance(last_ns + timeout_ms * MS - 1)
    running = rig.adapter.io_open
    rig.advance(last_ns + 10_000 * MS)
    seen = (running, rig.adapter.io_open, rig.frames[-1][0] - last_ns, rig.wire("A").closed)
    assert seen == (True, False, (timeout_ms - rpi_ms) * MS, True)


def test_a_close_after_the_timeout_is_taken_as_such(rig: Rig) -> None:
    """The originator opens a new link, closes what it thinks is open, and gets no refusal."""
    opened(rig)
    rig.advance(10_000 * MS)
    reply, _ = rig.message("A2", forward_close())
    assert (reply[2], opened(rig, "A2")) == (0, (0,))


def test_outputs_never_start(rig: Rig) -> None:
    """20 ms x 16: inputs come for exactly 10 s, then the link is closed and the log says what to look for."""
    opened(rig, ot_us=20_000, to_us=20_000, code=2)
    rig.advance(30_000 * MS)
    times = [t_ns // MS for t_ns, _ in rig.frames]
    assert (times, rig.wire("A").closed) == (list(range(0, 10_000, 20)), True)
    assert rig.last_told == "no O->T frame ever came; look for a firewall or a wrong UDP port"


def test_multicast_has_a_group_and_says_which(rig: Rig) -> None:
    reply, items = rig.message("A", forward_open(to=0x2822, ids=(0, 0)))
    rig.advance(290 * MS)
    group = sockaddr(0x8001, "239.192.1.0")
    assert spaced(items).endswith(group)
    assert {sent.peer for _, sent in rig.frames} == {("239.192.1.0", 2222)}
    assert [sent.data[6:10] for _, sent in rig.frames] == [reply[8:12]] * 30


@pytest.mark.parametrize(
    ("key", "word"),
    [
        ("0500 0000 0000 00 00", 0x114),
        ("0000 0200 0000 00 00", 0x115),
        ("0000 0000 0800 00 00", 0x114),
        ("0000 0000 0000 01 03", 0x116),
        ("0000 0000 0000 02 02", 0x116),
    ],
    ids=["vendor", "type", "product", "major revision", "minor revision"],
)
def test_a_wrong_key(rig: Rig, key: str, word: int) -> None:
    assert opened(rig, path=KEY.format(key)) == (1, word)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"ot": 0x4828}, (0x127, 38)),
        ({"ot": 0x4822}, (0x127, 38)),
        ({"to": 0x4826}, (0x128, 34)),
    ],
    ids=["O->T two more", "O->T no header", "T->O four more"],
)
def test_a_wrong_size(rig: Rig, fields: dict[str, Any], words: tuple[int, ...]) -> None:
    assert opened(rig, **fields) == (1, *words)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"ot_us": 0}, (0x112, 2, 2000, 0, 10_000, 0)),
        ({"to_us": 100}, (0x112, 0x200, 10_000, 0, 2000, 0)),
        ({"code": 8}, (0x133,)),
        ({"ot": 0xC826}, (0x125,)),
        ({"ot": 0x2826}, (0x123,)),
    ],
    ids=["RPI 0", "RPI 0.1 ms", "multiplier 8", "redundant owner", "O->T multicast"],
)
def test_what_cannot_be_kept_is_not_promised(
    rig: Rig, fields: dict[str, Any], words: tuple[int, ...]
) -> None:
    assert (opened(rig, **fields), rig.adapter.open_connections) == ((1, *words), 0)


def test_the_application_trigger_is_kept(rig: Rig) -> None:
    """It is offered, so new inputs do go at once."""
    assert opened(rig, trigger=0x21) == (0,)
    rig.advance(4 * MS)
    rig.adapter.set_inputs(padded("0B", 32), rig.now_ns)
    rig.advance(10 * MS)
    assert [t_ns // MS for t_ns, _ in rig.frames] == [0, 4]


def test_class_0_is_taken_and_class_2_is_not(rig: Rig) -> None:
    taken = opened(rig, trigger=0x00, ot=0x4824, to=0x4820)
    rig.advance(0)
    frame = rig.frames[0][1].data
    assert (taken, opened(rig, serial=2, trigger=0x02)) == ((0,), (1, 0x11C))
    assert frame == cyclic(TO_ID, 1, bytes(32), None)


def test_a_null_open_is_answered_and_opens_nothing(rig: Rig) -> None:
    assert (opened(rig, ot=0, to=0), rig.adapter.open_connections) == ((0,), 0)


@pytest.mark.parametrize(
    ("path", "word"),
    [
        ("20 04 24 97 2C C8 2C 64", 0x12A),
        ("20 04 24 97 2C 96 2C C8", 0x12B),
        ("20 04 24 01 2C 96 2C 64", 0x129),
    ],
    ids=["O->T", "T->O", "configuration"],
)
def test_an_unknown_point_has_a_code_of_its_own(rig: Rig, path: str, word: int) -> None:
    assert opened(rig, path=path) == (1, word)
    assert "expected configuration 151, O->T one of 150" in rig.last_told or "expected 151" in rig.last_told


@pytest.mark.parametrize(
    "path",
    [
        "20 04 2C 96 2C 64",
        "20 04 24 97 20 04 2C 96 20 04 2C 64",
        "20 04 24 97 24 96 24 64",
    ],
    ids=["no configuration instance", "class before each path", "points as 24 xx"],
)
def test_a_path_of_another_shape_is_understood(rig: Rig, path: str) -> None:
    assert opened(rig, path=path) == (0,)


def test_a_port_segment_in_front_is_refused_with_the_remedy(rig: Rig) -> None:
    assert opened(rig, path="01 00 " + POINTS) == (1, 0x311)
    assert "start the path at the key or the class" in rig.last_told


def test_two_words_of_configuration_for_ten_bytes() -> None:
    rig = Rig(configuration=bytes(10))
    assert opened(rig, path=POINTS + " 80 02 00000000") == (1, 0x126, 5)
    assert "sent 4 bytes of configuration; assembly 151 takes 10" in rig.last_told


def test_a_large_open(rig: Rig) -> None:
    assert opened(rig, large=True, ot=0x4800_0026, to=0x4800_0022) == (0,)


def test_the_same_triad_and_a_second_owner(rig: Rig) -> None:
    opened(rig)
    answers = (opened(rig), opened(rig, "B", serial=2, originator=7))
    assert answers == ((1, 0x100), (1, 0x106))


def test_every_refusal_says_who_asked_what_and_what_is_right(rig: Rig) -> None:
    opened(rig, ot=0x4824)
    assert rig.last_told == (
        "originator 127.0.0.9 asked for 36 output bytes; "
        "output assembly 150 takes 32 + 4 header + 2 count = 38"
    )
