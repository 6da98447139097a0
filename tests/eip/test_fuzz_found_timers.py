"""Found with the fuzzer's bounds on state: connections that came and went left their watchdogs behind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from eip_link import MANAGER, MS, PATH, Client, Link

from bench.eip.forward_open import ForwardClose, NetworkParameters
from bench.eip.message import Service, encode_request
from bench.eip.timers import Timers

INPUT_ONLY = bytes.fromhex("2004 2497 2C98 2C64")
LONGEST: dict[str, Any] = {"ot_rpi_us": 10_000_000, "to_rpi_us": 10_000_000, "multiplier_code": 7}  # 5120 s
CLOSE = encode_request(Service.FORWARD_CLOSE, MANAGER, ForwardClose(1, 0, 99, PATH).encode())


@dataclass(eq=False)
class Thing:
    deadline_ns: int | None
    armed_ns: int = -1


def test_an_owner_that_comes_and_goes_leaves_nothing_behind() -> None:
    client = Client(Link().adapter).register()
    client.open(serial=2, path=INPUT_ONLY, ot=NetworkParameters(2))
    statuses = set()
    for _ in range(500):
        statuses |= {client.open(**LONGEST).status, client.message(CLOSE).status}
    assert (statuses, len(client.adapter._manager._timers) < 100) == ({0}, True)


def test_what_is_watched_comes_in_order_whatever_was_let_go() -> None:
    timers, things = Timers[Thing](), [Thing(number) for number in range(1000)]
    for thing in reversed(things):
        timers.watch(thing)
        if thing.deadline_ns and thing.deadline_ns % 10:
            thing.deadline_ns = None
    taken = [timers.take_due(10_000) for _ in range(101)]
    assert taken == [*things[::10], None]


def test_a_thing_that_is_due_sooner_and_sooner_stands_once() -> None:
    timers, thing = Timers[Thing](), Thing(1000)
    while thing.deadline_ns:
        timers.watch(thing)
        thing.deadline_ns -= 1
    thing.deadline_ns = 1
    assert (len(timers) < 100, timers.take_due(MS), timers.take_due(MS)) == (True, thing, None)
