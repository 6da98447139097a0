"""The measuring tools themselves: their figures, and that their frames are what our codecs read."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.cyclic import decode_cyclic
from tests.bench.figures import Spread, Table, gaps_ms, missing, per_second, quantile
from tests.bench.originator import IO_PORT, Points, Stream


@pytest.mark.parametrize(("share", "expected"), [(0.5, 50), (0.99, 99), (0.991, 100), (1.0, 100), (0.0, 1)])
def test_quantile_is_the_nearest_rank(share: float, expected: int) -> None:
    assert quantile(range(1, 101), share) == expected


@given(st.lists(st.integers(0, 1000), min_size=1), st.floats(0, 1))
def test_quantile_is_a_sample_that_enough_others_do_not_exceed(samples: list[int], share: float) -> None:
    found = quantile(sorted(samples), share)
    assert sum(sample <= found for sample in samples) >= share * len(samples) - 1e-9


def test_no_samples_make_no_figure() -> None:
    assert math.isnan(Spread.of([]).p99)


def test_rate_counts_intervals_not_arrivals() -> None:
    arrivals_ns = [0, 10_000_000, 20_000_000]
    assert (per_second(arrivals_ns), gaps_ms(arrivals_ns)) == (100.0, [10.0, 10.0])


@pytest.mark.parametrize(
    ("numbers", "lost"),
    [([1, 2, 3], 0), ([1, 4], 2), ([0xFFFF_FFFF, 1], 1), ([5], 0), ([], 0), ([7, 8, 8], 0)],
)
def test_absent_sequence_numbers_are_lost_frames(numbers: list[int], lost: int) -> None:
    assert missing(numbers) == lost


def test_ratio_and_verdict_stand_at_the_end_of_a_row() -> None:
    lines: list[str] = []
    table = Table("title", ["ours", "bare"], "bare", lines.append)
    table.row("gap p99", {"ours": 10.5, "bare": 10.0}, goal=10.3)
    assert lines[0].split() == ["gap", "p99", "10.50", "10.00", "1.050", "MISS"]


def test_frames_step_both_counts_as_an_originator_must() -> None:
    stream = Stream(("127.0.0.1", IO_PORT), 0x1234, 0x5678)
    seen = [decode_cyclic(stream.frame(data)) for data in (b"\1\1", b"\1\1", b"\2\2")]
    run = b"\1\0\0\0"
    assert seen == [
        (0x1234, 1, 1, run + b"\1\1"),
        (0x1234, 2, 1, run + b"\1\1"),
        (0x1234, 3, 2, run + b"\2\2"),
    ]


def test_heartbeat_frame_has_a_count_only() -> None:
    stream = Stream(("127.0.0.1", IO_PORT), 1, 2, header=b"")
    assert decode_cyclic(stream.frame(b""))[3] == b""


def test_input_only_path_names_the_heartbeat_point() -> None:
    assert Points().path(152).hex(" ") == "20 04 24 97 2c 98 2c 64"
