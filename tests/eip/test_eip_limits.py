"""Token buckets and the log limiter."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.eip.limits import LogLimiter, TokenBuckets

SECOND = 1_000_000_000


def test_a_burst_then_the_rate() -> None:
    buckets = TokenBuckets(50)
    at_once = sum(buckets.take("a", 0) for _ in range(200))
    later = sum(buckets.take("a", SECOND // 10) for _ in range(200))
    assert (at_once, later, buckets.refused) == (50, 5, 345)


def test_a_rest_fills_the_bucket_no_further_than_the_burst() -> None:
    buckets = TokenBuckets(50)
    assert sum(buckets.take("a", 3600 * SECOND) for _ in range(200)) == 50


def test_sources_do_not_share() -> None:
    buckets = TokenBuckets(2)
    assert [buckets.take(source, 0) for source in "aaabbb"] == [True, True, False] * 2


def test_no_rate_refuses_all() -> None:
    assert not any(TokenBuckets(0).take("a", now_ns) for now_ns in range(0, 9 * SECOND, SECOND))


@given(
    st.integers(1, 7),
    st.lists(st.tuples(st.integers(0, SECOND), st.sampled_from("abc")), max_size=60),
)
def test_no_span_passes_more_than_burst_and_rate(per_s: int, asks: list[tuple[int, str]]) -> None:
    buckets, now_ns, passed = TokenBuckets(per_s), 0, []
    for step_ns, source in asks:
        now_ns += step_ns
        if buckets.take(source, now_ns):
            passed.append((now_ns, source))
    for at, (start_ns, source) in enumerate(passed):
        times = [t_ns for t_ns, other in passed[at:] if other == source]
        assert all(n + 1 <= per_s + (t_ns - start_ns) * per_s / SECOND for n, t_ns in enumerate(times))


def test_invented_sources_are_bounded_in_number_and_in_sum() -> None:
    buckets = TokenBuckets(10, most_sources=4)
    passed = sum(buckets.take(str(number), 0) for number in range(10_000))
    assert (passed, len(buckets)) == (4 * 10, 4)


def test_the_source_that_asked_longest_ago_makes_way() -> None:
    buckets = TokenBuckets(1, most_sources=2)
    turns = [("a", 0), ("b", 1), ("a", 2), ("c", 2 * SECOND), ("a", 2 * SECOND), ("a", 2 * SECOND)]
    assert [buckets.take(*turn) for turn in turns] == [True, True, False, True, True, False]


def lines(limiter: LogLimiter, times_ns: list[int]) -> list[str]:
    written = []
    for t_ns in times_ns:
        written += [more] if (more := limiter.overdue(t_ns)) else []
        written += ["line"] if limiter.passes(t_ns) else []
    return written


def test_lines_beyond_the_limit_become_a_count() -> None:
    written = lines(LogLimiter(2), [0, 1, 2, 3, SECOND - 1, SECOND])
    assert written == ["line", "line", "3 more in this second", "line"]


def test_the_count_comes_by_the_timer_too() -> None:
    limiter = LogLimiter(1)
    assert [limiter.passes(5), limiter.next_deadline_ns(), limiter.passes(6)] == [True, None, False]
    due_ns = limiter.next_deadline_ns()
    assert due_ns == 5 + SECOND
    assert (limiter.overdue(due_ns - 1), limiter.overdue(due_ns)) == ("", "1 more in this second")
    assert (limiter.overdue(due_ns), limiter.next_deadline_ns(), limiter.held_back) == ("", None, 1)


@pytest.mark.parametrize("per_s", [0, 1, 20])
def test_no_line_is_lost_from_the_count(per_s: int) -> None:
    limiter = LogLimiter(per_s)
    written = lines(limiter, [n * SECOND // 100 for n in range(1000)])
    written += [limiter.overdue(99 * SECOND)]
    counted = sum(int(line.split()[0]) for line in written if line.endswith("second"))
    assert (written.count("line"), written.count("line") + counted) == (10 * per_s, 1000)


@given(st.integers(0, 3), st.lists(st.integers(0, SECOND), max_size=50))
def test_every_line_is_written_or_counted(per_s: int, steps_ns: list[int]) -> None:
    limiter, times_ns = LogLimiter(per_s), [sum(steps_ns[:at]) for at in range(len(steps_ns))]
    written = [*lines(limiter, times_ns), limiter.overdue(100 * SECOND)]
    counted = sum(int(line.split()[0]) for line in written if line.endswith("second"))
    assert written.count("line") + counted == len(times_ns)
