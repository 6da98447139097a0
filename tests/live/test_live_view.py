"""The view of a served station: nothing cut that matters, in a small terminal and in a wide one."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from bench.clock import Timeline
from bench.eip.config import Limits
from bench.eip.events import BadFrame, ConnectionTimedOut, OutputsChanged, Refused
from bench.live.view import banner, screen, summary
from bench.live.words import limits_text, log_line, status_text
from bench.net.memory import MemoryNetwork
from bench.suite import Served, read_served
from bench.world import World

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BENCH = SCENARIOS / "two_stations.bench.yaml"
SMALL, LARGE = (80, 24), (160, 48)
SENTENCE = "originator 127.0.0.2 asked for 36 output bytes; " + "output assembly 150 takes 32 + 4 header " * 3


def world(served: Served) -> World:
    timeline = Timeline()
    own = "127.0.0.9"
    one = World(served.station, timeline, served.program, address=served.address, own=own)
    one.join_memory(MemoryNetwork(timeline))
    one.start()
    timeline.run_until(300_000_000)
    return one


@pytest.fixture(scope="module")
def worlds() -> list[World]:
    return [world(served) for served in read_served(BENCH)]


def drawn(worlds: list[World], size: tuple[int, int]) -> list[str]:
    console = Console(file=io.StringIO(), width=size[0], height=size[1], color_system=None)
    console.print(screen(worlds, 1_500_000_000, 400_000, size))
    assert isinstance(console.file, io.StringIO)
    return [line.rstrip() for line in console.file.getvalue().splitlines()]


def test_the_dibbler_fits_a_small_terminal(worlds: list[World]) -> None:
    lines = drawn(worlds[:1], SMALL)
    assert (len(lines) <= 24, max(map(len, lines)) <= 80, any("…" in line for line in lines)) == (
        True,
        True,
        False,
    )


@pytest.mark.parametrize("size", [SMALL, LARGE])
def test_both_stations_fit(worlds: list[World], size: tuple[int, int]) -> None:
    lines = drawn(worlds, size)
    said = " ".join(lines)
    wanted = ("Seed-tray dibbler at 127.0.0.1", "Loopback at 127.0.0.3", "in run", "no connection")
    assert ([w for w in wanted if w not in said], len(lines) <= size[1]) == ([], True)


@pytest.mark.parametrize("size", [SMALL, LARGE])
def test_a_connection_is_shown_with_its_kind_and_state(worlds: list[World], size: tuple[int, int]) -> None:
    row = next(line for line in drawn(worlds[:1], size) if line.startswith("127.0.0.9"))
    assert row.split()[:3] == ["127.0.0.9", "owner", "run"]


def test_a_refusal_is_wrapped_and_never_cut(worlds: list[World]) -> None:
    one = world(read_served(BENCH)[1])
    one._from_adapter(Refused(12_300_000_000, "127.0.0.2", 1, (0x109,), SENTENCE.strip()))
    said = " ".join(" ".join(drawn([one], SMALL)).split())
    assert "12.3 s " + " ".join(SENTENCE.split()) in said


def test_the_points_without_a_tag_are_bytes(worlds: list[World]) -> None:
    one = world(read_served(BENCH)[1])
    one.force("DQ2.17", True)
    one.timeline.run_until(one.timeline.now_ns + 1)
    lines = drawn([one], SMALL)
    assert "DI2  00 00 02 00 00 00 00 00" in lines


def test_an_adapter_without_power_says_so() -> None:
    one = world(read_served(BENCH)[1])
    one.fault("power_loss", "adapter", True)
    assert "the adapter has no power" in drawn([one], SMALL)


def test_a_missing_module_is_named() -> None:
    one = world(read_served(BENCH)[1])
    one.fault("module_missing", "DQ2", True)
    said = "\n".join(drawn([one], SMALL))
    assert ("modules missing or faulted: DQ2" in said, "minor recoverable fault" in said) == (True, True)


@pytest.mark.parametrize(
    ("word", "text"),
    [
        (0x0030, "0x0030 no connection"),
        (0x0061, "0x0061 owned, in run"),
        (0x0171, "0x0171 owned, idle, minor recoverable fault"),
        (0x0020, "0x0020 a connection timed out"),
    ],
)
def test_the_status_in_words(word: int, text: str) -> None:
    assert status_text(word) == text


def test_the_banner_lists_every_address() -> None:
    text = banner(["127.0.0.1", "192.0.2.7"]).plain
    wanted = ("on 127.0.0.1:", "on 192.0.2.7:", "no access control", "The network can reach 192.0.2.7")
    assert [words for words in wanted if words not in text] == []


def test_every_limit_is_stated() -> None:
    limits = Limits(
        io_connections=7_001, message_connections=7_002, sessions=7_003, sessions_per_source=7_004
    )
    text = limits_text(limits) + limits_text(
        Limits(frame_bytes=7_005, quiet_s=7_006, inactivity_s=7_007, datagrams_per_s=7_008)
    )
    text += limits_text(Limits(complaints_per_s=7_009, rpi_max_ns=7_010_000_000))
    assert [number for number in range(7_001, 7_011) if str(number) not in text] == []


def test_log_lines_are_for_what_went_wrong() -> None:
    events = (
        Refused(1_000_000, "127.0.0.2", 8, (), "asked"),
        ConnectionTimedOut(2_000_000, "127.0.0.2", "no frame"),
        BadFrame(3_000_000, "127.0.0.2", "cut"),
        OutputsChanged(4_000_000, b"", True),
    )
    lines = [log_line("127.0.0.1", event) for event in events]
    assert [line[:26] for line in lines] == [
        "0.001 s  127.0.0.1  refuse",
        "0.002 s  127.0.0.1  timed ",
        "0.003 s  127.0.0.1  bad fr",
        "",
    ]


def test_the_summary_counts_each_station(worlds: list[World]) -> None:
    lines = summary(worlds, 1_000_000_000, 0).splitlines()
    assert (lines[0], lines[1].split()[0], lines[3]) == (
        "Served 1.0 s at 127.0.0.1.",
        "1",
        "Served 1.0 s at 127.0.0.3.",
    )
