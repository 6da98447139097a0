"""A scanner told to close stays closed."""

from __future__ import annotations

import pytest
from eip_link import Link

from bench.eip.encapsulation import Command, Frame
from bench.eip.scanner import State


@pytest.mark.parametrize("status", [1, 0x65])
def test_scanner_that_closes_does_not_start_again_after_a_bad_answer(status: int) -> None:
    link = Link().connect()
    scanner = link.scanner
    scanner.close(link.now_ns)
    context = scanner._context.to_bytes(8, "little")
    answer = Frame(Command.SEND_RR_DATA, scanner._session, status, context, 0, b"")
    scanner.tcp_received(1, answer.encode(), link.now_ns)
    assert (scanner.state, scanner.next_deadline_ns()) == (State.CLOSED, None)
