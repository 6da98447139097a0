"""Links that are too many, too quiet or idle, and the deadlines of all that."""

from __future__ import annotations

import pytest
from eip_sessions import REGISTER, SECOND, Echo, frames, message

from bench.eip.encapsulation import Command, Frame
from bench.eip.sessions import Taken
from bench.eip.transport import CloseTcp, SendTcp

NOP = Frame(Command.NOP).encode()


def test_links_beyond_the_limit_are_closed_at_once_with_words() -> None:
    echo = Echo(sessions=2)
    taken = [echo.open(number) for number in (1, 2, 3)]
    assert taken[:2] == [Taken(), Taken()]
    assert (taken[2].outgoing, taken[2].closed) == ((CloseTcp(3),), (3,))
    assert echo.complaints == ["TCP link refused; this adapter takes 2 in all"]


def test_one_address_cannot_take_every_link() -> None:
    echo = Echo(sessions=9, sessions_per_source=2)
    closed = [echo.open(number).closed for number in (1, 2, 3)]
    other = echo.open(4, address="127.0.0.10").closed
    assert (closed, other, sorted(echo.sessions.links)) == ([(), (), (3,)], (), [1, 2, 4])
    assert "takes 2 from one address" in echo.complaints[0]


def test_a_closed_link_makes_room() -> None:
    echo = Echo(sessions=1)
    echo.open(1)
    echo.sessions.closed(1)
    assert echo.open(2) == Taken()


def test_a_link_that_does_not_register_is_closed() -> None:
    echo = Echo(quiet_s=10)
    echo.open(1, now_ns=5)
    ((t_ns, taken),) = echo.wait(100 * SECOND)
    assert (t_ns, taken.outgoing, taken.closed) == (10 * SECOND + 5, (CloseTcp(1),), (1,))
    assert echo.complaints == ["no RegisterSession within 10 s; the link is closed"]


@pytest.mark.parametrize("sent", [b"\x65", REGISTER[:20]])
def test_half_a_frame_is_not_a_registration(sent: bytes) -> None:
    echo = Echo(quiet_s=10)
    echo.open()
    echo.feed(sent, now_ns=9 * SECOND)
    assert [t_ns for t_ns, _ in echo.wait(100 * SECOND)] == [10 * SECOND]


@pytest.mark.parametrize("sent", [NOP, Frame(Command.LIST_IDENTITY).encode(), REGISTER[:-1] + b"\1"])
def test_frames_without_a_session_gain_no_time(sent: bytes) -> None:
    echo = Echo(quiet_s=10)
    echo.open()
    echo.feed(sent, now_ns=9 * SECOND)
    assert [t_ns for t_ns, _ in echo.wait(100 * SECOND)] == [10 * SECOND]


def test_a_late_registration_counts_from_then_on() -> None:
    echo = Echo(quiet_s=10, inactivity_s=5)
    echo.open()
    echo.feed(REGISTER, now_ns=9 * SECOND)
    assert [t_ns for t_ns, _ in echo.wait(100 * SECOND)] == [14 * SECOND]


def test_a_registered_link_is_closed_when_idle() -> None:
    echo = Echo(quiet_s=10, inactivity_s=120)
    session = echo.register(now_ns=SECOND)
    echo.feed(message(session), now_ns=50 * SECOND)
    ((t_ns, taken),) = echo.wait(1000 * SECOND)
    assert (t_ns, taken.closed) == (170 * SECOND, (1,))
    assert "no frame for 120 s" in echo.complaints[0]


def test_an_inactivity_shorter_than_the_quiet_time() -> None:
    echo = Echo(quiet_s=10, inactivity_s=2)
    echo.register()
    assert [t_ns for t_ns, _ in echo.wait(100 * SECOND)] == [2 * SECOND]


def test_nop_keeps_a_link_awake_and_half_a_frame_does_not() -> None:
    echo = Echo(inactivity_s=10)
    echo.register()
    echo.feed(NOP, now_ns=9 * SECOND)
    echo.feed(NOP[:20], now_ns=18 * SECOND)
    assert [t_ns for t_ns, _ in echo.wait(100 * SECOND)] == [19 * SECOND]


def test_inactivity_zero_never_closes() -> None:
    echo = Echo(inactivity_s=0)
    echo.register()
    assert (echo.wait(10**6 * SECOND), echo.sessions.next_deadline_ns()) == ([], None)


def test_a_link_with_a_live_connection_is_not_idle() -> None:
    echo = Echo(inactivity_s=10)
    echo.register()
    echo.busy.add(1)
    assert echo.wait(95 * SECOND) == []
    echo.busy.clear()
    assert [t_ns for t_ns, _ in echo.wait(1000 * SECOND)] == [100 * SECOND]


@pytest.mark.parametrize(("before_s", "after_s", "closed_s"), [(0, 5, 6), (120, 3, 4), (3, 120, 121)])
def test_the_attribute_changes_by_a_message(before_s: int, after_s: int, closed_s: int) -> None:
    echo = Echo(inactivity_s=before_s)
    session = echo.register()
    echo.inactivity_s = after_s
    echo.feed(message(session), now_ns=SECOND)
    assert [t_ns for t_ns, _ in echo.wait(1000 * SECOND)] == [closed_s * SECOND]


def test_the_attribute_set_to_zero_by_a_message() -> None:
    echo = Echo(inactivity_s=10)
    session = echo.register()
    echo.inactivity_s = 0
    echo.feed(message(session), now_ns=SECOND)
    assert echo.wait(1000 * SECOND) == []


def test_the_timer_called_early_does_nothing() -> None:
    echo = Echo(quiet_s=10)
    echo.open()
    assert echo.sessions.handle_timer(10 * SECOND - 1) == Taken()
    assert echo.sessions.handle_timer(10 * SECOND).closed == (1,)


def test_one_call_of_the_timer_closes_all_that_are_due() -> None:
    echo = Echo(quiet_s=10)
    for number in range(5):
        echo.open(number, now_ns=number)
    assert echo.sessions.handle_timer(11 * SECOND).closed == (0, 1, 2, 3, 4)


def test_a_number_used_again_has_its_own_deadline() -> None:
    echo = Echo(quiet_s=10)
    echo.open(1, now_ns=0)
    echo.sessions.closed(1)
    echo.open(1, now_ns=5 * SECOND)
    assert [t_ns for t_ns, _ in echo.wait(100 * SECOND)] == [15 * SECOND]


def test_links_that_come_and_go_leave_nothing_behind() -> None:
    echo = Echo()
    for number in range(5000):
        echo.register(number)
        echo.sessions.closed(number)
    assert (len(echo.sessions.links), len(echo.sessions._deadlines) < 100) == (0, True)


def test_bytes_for_a_link_that_is_gone_are_ignored() -> None:
    echo = Echo()
    echo.open()
    echo.sessions.closed(1)
    echo.sessions.closed(1)
    assert echo.feed(REGISTER) == Taken()


def test_a_link_closed_by_its_owner_while_it_answers_sends_nothing_more() -> None:
    echo = Echo()
    session = echo.register()
    echo.sessions._unconnected = lambda *_: (echo.sessions.closed(1), (b"\0\0", ()))[1]  # type: ignore[func-returns-value]
    assert echo.feed(message(session) * 3) == Taken()


def test_handles_stay_different_over_the_turn_of_the_counter() -> None:
    echo = Echo()
    first = echo.register(1)
    seen = set()
    for _ in range(0xFFFF + 5):
        echo.open(2)
        seen.add(frames(echo.feed(REGISTER, 2))[0].session)
        echo.sessions.closed(2)
    assert (first in seen, len(seen), {session >> 16 for session in seen}) == (False, 0xFFFE, {0xAB})


def test_unregister_answers_what_came_before_and_closes() -> None:
    echo = Echo()
    session = echo.register()
    taken = echo.feed(message(session) + Frame(Command.UNREGISTER_SESSION, session).encode() + REGISTER)
    assert [type(sent) for sent in taken.outgoing] == [SendTcp, CloseTcp]
    assert ([frame.command for frame in frames(taken)], taken.closed) == ([0x6F], (1,))
