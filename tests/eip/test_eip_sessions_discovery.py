"""The List commands over UDP: at once or after the delay, how often, and how much for how little."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from eip_sessions import IDENTITY_DATA, SECOND, Echo, answers
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.cpf import Item, decode_items, encode_items, encode_sockaddr
from bench.eip.discovery import LARGEST_ANSWER_RATIO, MOST_WAITING, most_delay_ms, spread
from bench.eip.encapsulation import Command, Frame, decode_datagram
from bench.eip.sessions import Taken
from bench.eip.transport import SendUdp

MS = 1_000_000
LISTS = (Command.LIST_SERVICES, Command.LIST_IDENTITY, Command.LIST_INTERFACES)
OTHERS = sorted({*range(0x80), 0xC8, 0xFFFF} - {*LISTS})


def list_identity(delay_ms: int = 0, command: int = Command.LIST_IDENTITY) -> bytes:
    return Frame(command, context=delay_ms.to_bytes(2, "little") + b"-rest-").encode()


@pytest.mark.parametrize(
    ("command", "items"),
    [
        (Command.LIST_IDENTITY, (Item(0x0C, IDENTITY_DATA),)),
        (Command.LIST_SERVICES, (Item(0x100, bytes.fromhex("01002001") + b"Communications\0\0"),)),
        (Command.LIST_INTERFACES, ()),
    ],
)
def test_a_question_to_one_is_answered_at_once(command: int, items: tuple[Item, ...]) -> None:
    (answer,) = answers(Echo().ask(Frame(command, 0, 0, b"12345678").encode()))
    assert decode_datagram(answer) == Frame(command, 0, 0, b"12345678", 0, encode_items(items))


def test_the_answer_goes_back_to_the_port_it_came_from() -> None:
    (sent,) = Echo().ask(list_identity()).outgoing
    assert isinstance(sent, SendUdp)
    assert (sent.local_port, sent.peer) == (44818, ("127.0.0.9", 40_000))


@pytest.mark.parametrize("command", OTHERS)
@pytest.mark.parametrize("to_many", [False, True])
def test_other_commands_over_udp_are_dropped_in_words(command: int, to_many: bool) -> None:
    echo = Echo()
    taken = echo.ask(Frame(command, data=b"\x01\0\0\0").encode(), to_many=to_many)
    assert (taken.outgoing, echo.wait(10 * SECOND), echo.sessions.discovery.ignored) == ((), [], 1)
    assert "all others over TCP" in echo.complaints[0]


@pytest.mark.parametrize(("status", "options"), [(0, 1), (1, 0)])
def test_options_or_a_status_are_silence(status: int, options: int) -> None:
    assert Echo().ask(Frame(Command.LIST_IDENTITY, status=status, options=options).encode()) == Taken()


def test_a_list_command_with_data() -> None:
    (answer,) = answers(Echo().ask(Frame(Command.LIST_IDENTITY, data=b"x").encode()))
    assert decode_datagram(answer) == Frame(Command.LIST_IDENTITY, status=0x65)


# -- to all -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked_ms", "most_ms"), [(0, 2000), (1, 500), (499, 500), (500, 500), (501, 501), (65535, 65535)]
)
def test_the_longest_delay(asked_ms: int, most_ms: int) -> None:
    assert most_delay_ms(Command.LIST_IDENTITY, asked_ms.to_bytes(2, "little") + bytes(6)) == most_ms


@pytest.mark.parametrize("command", [Command.LIST_SERVICES, Command.LIST_INTERFACES])
def test_the_context_of_other_lists_is_no_delay(command: int) -> None:
    assert most_delay_ms(command, b"remember") == 2000


@pytest.mark.parametrize("command", LISTS)
def test_whoever_names_no_delay_is_answered_within_a_second(command: int) -> None:
    # pycomm3 and others listen that long after a broadcast
    echo = Echo()
    delays = []
    for second in range(1, 50, 2):
        echo.ask(list_identity(0, command), now_ns=second * SECOND, to_many=True)
        delays += [t_ns - second * SECOND for t_ns, _ in echo.wait((second + 1) * SECOND)]
    assert (len(delays), max(delays) < SECOND) == (25, True)


@pytest.mark.parametrize("command", LISTS)
def test_a_question_to_all_is_answered_once_within_the_delay(command: int) -> None:
    echo = Echo()
    assert echo.ask(list_identity(600, command), now_ns=SECOND, to_many=True) == Taken()
    ((t_ns, taken),) = echo.wait(100 * SECOND)
    (answer,) = answers(taken)
    assert SECOND <= t_ns <= SECOND + (600 if command == Command.LIST_IDENTITY else 2000) * MS
    assert decode_datagram(answer).context == b"\x58\x02-rest-"


def test_a_question_to_all_with_data_is_dropped_in_words() -> None:
    echo = Echo()
    taken = echo.ask(Frame(Command.LIST_IDENTITY, data=b"x").encode(), to_many=True)
    assert (taken.outgoing, echo.wait(100 * SECOND)) == ((), [])
    assert echo.complaints == ["List command to all: expected no data, got 1 bytes"]


def test_the_delayed_answer_tells_the_state_of_its_moment() -> None:
    echo = Echo()
    echo.ask(list_identity(), to_many=True)
    echo.sessions.discovery._identity = lambda: b"later"
    ((_, taken),) = echo.wait(2 * SECOND)
    assert decode_items(decode_datagram(answers(taken)[0]).data) == (Item(0x0C, b"later"),)


def test_delays_are_spread_evenly_and_always_the_same() -> None:
    drawn = [spread(0x0D1B0001, number, 1999) for number in range(20_000)]
    bins = Counter(value // 200 for value in drawn)
    # Chi square of 10 bins: above 27.9 once in 1000 (any table, 9 degrees of freedom).
    chi2 = sum((bins[at] - 2000) ** 2 / 2000 for at in range(10))
    assert (min(drawn), max(drawn), chi2 < 27.9) == (0, 1999, True)
    assert drawn == [spread(0x0D1B0001, number, 1999) for number in range(20_000)]


def test_neighbouring_serial_numbers_do_not_answer_together() -> None:
    drawn = sorted(spread(serial, 1, 2000 * MS) for serial in range(100))
    gaps = [b - a for a, b in pairwise(drawn)]
    assert (max(gaps) < 200 * MS, len(set(drawn))) == (True, 100)


@given(st.integers(0, 2**32 - 1), st.integers(0, 2**40), st.integers(0, 2**40))
def test_a_delay_is_never_outside(serial: int, number: int, most: int) -> None:
    assert 0 <= spread(serial, number, most) <= most


def test_splitmix64_as_published() -> None:
    # First output of the reference implementation for seed 0 is 0xE220A8397B1DCDAF (splitmix64.c, Vigna).
    assert spread(0, 0, 2**64 - 1) == 0xE220A8397B1DCDAF


def test_waiting_answers_are_bounded() -> None:
    echo = Echo(datagrams_per_s=1000)
    for _ in range(MOST_WAITING + 5):
        echo.ask(list_identity(), to_many=True)
    sent = sum(len(answers(taken)) for _, taken in echo.wait(10 * SECOND))
    assert (sent, echo.sessions.discovery.crowded, len(echo.complaints)) == (MOST_WAITING, 5, 5)


def test_delayed_answers_and_links_share_the_timer() -> None:
    echo = Echo(quiet_s=1)
    echo.open()
    echo.ask(list_identity(), now_ns=SECOND // 2, to_many=True)
    kinds = [(bool(answers(taken)), taken.closed) for _, taken in echo.wait(10 * SECOND)]
    assert sorted(kinds) == [(False, (1,)), (True, ())]


# -- how often, how much, to whom ---------------------------------------------------------------------


def test_a_source_is_answered_only_so_often() -> None:
    echo = Echo(datagrams_per_s=50)
    sent = sum(len(answers(echo.ask(list_identity()))) for _ in range(200))
    other = len(answers(echo.ask(list_identity(), address="127.0.0.8")))
    assert (sent, other, echo.sessions.discovery.limited) == (50, 1, 150)
    assert echo.complaints[0] == "List command dropped; at most 50 a second are answered"


def test_frames_that_are_no_question_use_up_nothing() -> None:
    echo = Echo(datagrams_per_s=1)
    for _ in range(10):
        echo.ask(b"junk")
    assert len(answers(echo.ask(list_identity()))) == 1


@pytest.mark.parametrize(
    "peer",
    [
        ("255.255.255.255", 4000),
        ("127.0.0.255", 4000),
        ("239.192.1.0", 4000),
        ("0.0.0.0", 4000),
        ("127.0.0.9", 0),
    ],
)
@pytest.mark.parametrize("to_many", [False, True])
def test_nothing_goes_where_more_than_one_host_would_hear_it(peer: tuple[str, int], to_many: bool) -> None:
    sessions = Echo().sessions
    taken = sessions.datagram(44818, peer, list_identity(), 0, to_many)
    assert (taken.outgoing, sessions.next_deadline_ns(), len(taken.complaints)) == ((), None, 1)


@given(
    st.one_of(st.binary(max_size=120), st.sampled_from(LISTS).map(lambda command: Frame(command).encode())),
    st.booleans(),
)
def test_no_question_has_more_than_one_answer_of_four_times_its_bytes(data: bytes, to_many: bool) -> None:
    echo = Echo()
    longest = encode_sockaddr("127.0.0.1", 44818) + bytes(14) + bytes((32,)) + b"N" * 32 + b"\x03"
    echo.sessions.discovery._identity = lambda: b"\x01\0" + longest
    sent = answers(echo.ask(data, to_many=to_many))
    sent += [answer for _, taken in echo.wait(100 * SECOND) for answer in answers(taken)]
    assert (len(sent) <= 1, len(b"".join(sent)) <= LARGEST_ANSWER_RATIO * len(data)) == (True, True)


def test_two_adapters_cannot_be_set_on_each_other() -> None:
    one, two = Echo(), Echo()
    data, turns = list_identity(), 0
    while sent := answers((one, two)[turns % 2].ask(data)):
        (data,) = sent
        turns += 1
    assert turns == 2
