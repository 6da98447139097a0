"""Hostile links in memory: the generator's check values, what each quality does, and the same run twice."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from net_ears import IO_PORT, MS, Keen, Ticker

from bench.clock import Timeline
from bench.eip.transport import TCP_PORT, ConnectTcp, JoinGroup, LeaveGroup, SendTcp, SendUdp
from bench.errors import LocalError
from bench.net.link import Dice, LinkQuality
from bench.net.memory import HELD_NS, MemoryHost, MemoryNetwork

FAR, NEAR, THIRD = "127.0.0.1", "127.0.0.2", "127.0.0.3"


def test_dice_gives_the_published_numbers() -> None:
    """Seed 1234567; numbers from the public list of splitmix64 implementations, rosettacode.org."""
    dice = Dice(1234567)
    assert [dice.roll() for _ in range(5)] == [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ]


def run(quality: LinkQuality, frames: int = 400) -> tuple[Keen, MemoryNetwork]:
    """A ticker at 1 ms over a link of *quality*."""
    timeline = Timeline()
    network = MemoryNetwork(timeline, quality=quality)
    ear = Keen()
    network.attach(ear, FAR, ear.heard.append)
    ticker = Ticker(1 * MS, (FAR, IO_PORT))
    network.attach(ticker, NEAR, ticker.heard.append).pump()
    timeline.run_until((frames - 1) * MS)
    ticker.due_ns = 10**18
    timeline.run_until(frames * 10 * MS + HELD_NS)
    return ear, network


def numbers(ear: Keen) -> list[int]:
    return [int.from_bytes(data, "little") for data in ear.data]


def test_clean_link_only_delays() -> None:
    ear, network = run(LinkQuality(latency_ns=70_000))
    late = {now_ns - index * MS for index, (_, _, now_ns, _) in enumerate(ear.frames)}
    assert (numbers(ear), late, network.lost_datagrams) == (list(range(1, 401)), {70_000}, 0)


def test_loss_takes_its_share_and_counts_it() -> None:
    ear, network = run(LinkQuality(loss=0.25, seed=3))
    assert (len(ear.frames) + network.lost_datagrams, 70 < network.lost_datagrams < 130) == (400, True)


def test_jitter_keeps_the_order() -> None:
    ear, _ = run(LinkQuality(jitter_ns=5 * MS, seed=3))
    late = [now_ns - index * MS for index, (_, _, now_ns, _) in enumerate(ear.frames)]
    assert (numbers(ear), max(late) - min(late) > 3 * MS) == (list(range(1, 401)), True)


def test_duplication_delivers_twice() -> None:
    ear, _ = run(LinkQuality(duplication=0.1, seed=3))
    times = Counter(Counter(numbers(ear)).values())
    assert (times[1] + times[2], 20 < times[2] < 60) == (400, True)


def test_reordered_one_comes_right_after_the_next() -> None:
    ear, _ = run(LinkQuality(reordering=0.1, seed=3))
    got = numbers(ear)
    swapped = [index for index in range(399) if got[index] == got[index + 1] + 1]
    assert (sorted(got), 20 < len(swapped) < 60) == (list(range(1, 401)), True)


def test_reordered_last_one_still_comes() -> None:
    ear, _ = run(LinkQuality(reordering=1.0), frames=1)
    assert numbers(ear) == [1]


BAD = LinkQuality(jitter_ns=3 * MS, loss=0.1, duplication=0.1, reordering=0.1, seed=11)


def test_same_seed_is_the_same_run_and_another_seed_another() -> None:
    first, again, other = run(BAD)[0], run(BAD)[0], run(LinkQuality(jitter_ns=3 * MS, loss=0.1, seed=12))[0]
    assert (first.frames == again.frames, first.frames == other.frames) == (True, False)


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.integers(0, 2**64), st.integers(0, 20 * MS))
def test_nothing_comes_that_was_not_sent(
    loss: float, twice: float, swap: float, seed: int, jitter: int
) -> None:
    quality = LinkQuality(1000, jitter, loss, twice, swap, seed)
    ear, network = run(quality, frames=20)
    assert (set(numbers(ear)) <= set(range(1, 21)), len(set(numbers(ear))) + network.lost_datagrams) == (
        True,
        20,
    )


@pytest.mark.parametrize("wrong", [{"loss": 1.1}, {"jitter_ns": -1}, {"reordering": -0.1}])
def test_quality_out_of_range_names_the_range(wrong: dict[str, int]) -> None:
    with pytest.raises(LocalError, match=r"expected 0 (or more|to 1)"):
        LinkQuality(**wrong)


# --- many hosts ---


class Room:
    """Three hosts that only listen."""

    def __init__(self) -> None:
        self.timeline = Timeline()
        self.network = MemoryNetwork(self.timeline)
        self.ears = {address: Keen() for address in (FAR, NEAR, THIRD)}
        self.hosts: dict[str, MemoryHost] = {
            address: self.network.attach(ear, address, ear.heard.append) for address, ear in self.ears.items()
        }

    def say(self, address: str, *said: SendUdp | SendTcp | ConnectTcp | JoinGroup | LeaveGroup) -> None:
        self.ears[address].to_say += said
        self.hosts[address].pump()
        self.settle()

    def settle(self) -> None:
        while self.timeline.next_ns() is not None:
            self.timeline.run_next()

    def heard(self) -> dict[str, list[tuple[bytes, str, bool]]]:
        return {
            address: [(data, peer, many) for data, peer, _, many in ear.frames]
            for address, ear in self.ears.items()
            if ear.frames
        }


@pytest.fixture
def three() -> Room:
    return Room()


@pytest.mark.parametrize("target", ["127.255.255.255", "255.255.255.255"])
def test_broadcast_reaches_everybody_else(three: Room, target: str) -> None:
    three.say(NEAR, SendUdp(TCP_PORT, (target, TCP_PORT), b"who"))
    assert three.heard() == {FAR: [(b"who", NEAR, True)], THIRD: [(b"who", NEAR, True)]}


def test_group_reaches_members_until_they_leave(three: Room) -> None:
    group = "239.192.1.32"
    three.say(FAR, JoinGroup(group, IO_PORT))
    three.say(THIRD, JoinGroup(group, IO_PORT))
    three.say(THIRD, LeaveGroup(group, IO_PORT))
    three.say(NEAR, SendUdp(IO_PORT, (group, IO_PORT), b"data"), SendUdp(IO_PORT, (group, 9), b"other port"))
    assert three.heard() == {FAR: [(b"data", NEAR, True)]}


def test_partition_parts_one_pair_and_keeps_its_streams(three: Room) -> None:
    three.say(NEAR, ConnectTcp(1, (FAR, TCP_PORT)))
    three.network.set_partition([(NEAR, FAR)])
    three.say(NEAR, SendTcp(1, b"kept"), SendUdp(IO_PORT, (FAR, IO_PORT), b"lost"))
    three.say(THIRD, SendUdp(IO_PORT, (FAR, IO_PORT), b"passes"))
    parted = [heard[0] for heard in three.ears[FAR].heard]
    three.network.set_partition([])
    three.settle()
    healed = [heard[2] for heard in three.ears[FAR].heard[1:]]
    assert (parted, healed, three.heard()) == (["opened"], [b"kept"], {FAR: [(b"passes", THIRD, False)]})


def test_one_direction_may_be_worse_than_the_rest(three: Room) -> None:
    three.network.set_quality(LinkQuality(loss=1.0), NEAR, FAR)
    three.say(NEAR, SendUdp(IO_PORT, (FAR, IO_PORT), b"lost"))
    three.say(FAR, SendUdp(IO_PORT, (NEAR, IO_PORT), b"passes"))
    assert three.heard() == {NEAR: [(b"passes", FAR, False)]}


def test_stream_keeps_its_order_on_a_bad_link_and_when_it_gets_better(three: Room) -> None:
    three.network.set_quality(LinkQuality(jitter_ns=50 * MS, loss=0.5, seed=5))
    three.say(NEAR, ConnectTcp(1, (FAR, TCP_PORT)))
    three.ears[NEAR].to_say += [SendTcp(1, bytes([number])) for number in range(20)]
    three.hosts[NEAR].pump()
    three.network.set_quality(LinkQuality(0))
    three.say(NEAR, SendTcp(1, b"\x14"))
    assert [heard[2][0] for heard in three.ears[FAR].heard[1:]] == list(range(21))
