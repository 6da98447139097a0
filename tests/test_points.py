"""The adapter's points: filters, forces, lights and the two images."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import LocalError
from bench.points import Point, PointChange, Rack

MS = 1_000_000


@pytest.fixture
def rack() -> Rack:
    points = [
        Point("A", 0, 0, True, filter_ns=3 * MS),
        Point("B", 1, 7, True),
        Point("Y", 0, 1, False),
        Point("Z", 1, 0, False),
    ]
    return Rack(points, input_size=2, output_size=2)


def test_level_counts_once_it_has_held(rack: Rack) -> None:
    rack.level("A", True, 10 * MS)
    early = rack.sample(13 * MS - 1)
    assert (early, rack.next_deadline_ns(), rack.sample(13 * MS)) == (
        [],
        13 * MS,
        [PointChange("A", True, True)],
    )


def test_bounce_shorter_than_the_filter_is_ignored(rack: Rack) -> None:
    rack.level("A", True, 10 * MS)
    rack.level("A", False, 12 * MS)
    assert (rack.next_deadline_ns(), rack.sample(20 * MS), rack.input_image) == (None, [], b"\0\0")


def test_filter_starts_again_after_a_bounce(rack: Rack) -> None:
    for t_ms, level in ((10, True), (12, False), (12, True)):
        rack.level("A", level, t_ms * MS)
    assert rack.next_deadline_ns() == 15 * MS


def test_level_told_twice_has_held_since_the_first(rack: Rack) -> None:
    rack.level("A", True, 10 * MS)
    rack.level("A", True, 12 * MS)
    assert rack.next_deadline_ns() == 13 * MS


def test_unfiltered_input_counts_at_once(rack: Rack) -> None:
    changes = rack.level("B", True, 1)
    assert (changes, rack.input_image) == ([PointChange("B", True, True)], b"\x00\x80")


def test_forced_input_is_what_is_sent(rack: Rack) -> None:
    forced = rack.force("B", True)
    hidden = rack.level("B", True, 1)
    assert (forced, hidden, rack.input_image, rack.forces) == (
        [PointChange("B", True, True)],
        [],
        b"\x00\x80",
        ("B",),
    )


def test_removed_force_shows_the_level_of_the_meantime(rack: Rack) -> None:
    rack.force("B", False)
    rack.level("B", True, 1)
    assert (rack.force("B", None), rack.input_image, rack.forces) == (
        [PointChange("B", True, True)],
        b"\x00\x80",
        (),
    )


def test_outputs_follow_the_owner(rack: Rack) -> None:
    changes = rack.outputs(b"\x02\x01")
    assert (changes, rack.outputs(b"\x02\x01")) == (
        [PointChange("Y", True, False), PointChange("Z", True, False)],
        [],
    )


def test_forced_output_is_what_reaches_the_load(rack: Rack) -> None:
    rack.force("Y", False)
    assert (rack.outputs(b"\x02\x00"), rack.point("Y").value, rack.point("Y").light) == ([], True, False)


def test_unknown_point_is_refused(rack: Rack) -> None:
    with pytest.raises(LocalError, match="there is no point Q"):
        rack.force("Q", True)


Steps = st.lists(
    st.tuples(st.integers(0, 5), st.sampled_from("AB"), st.sampled_from([True, False])), max_size=40
)


@given(Steps, st.integers(0, 4))
def test_filter_agrees_with_a_plain_model(steps: list[tuple[int, str, bool]], filter_ns: int) -> None:
    """The model looks at every nanosecond: a level counts when it has been there for the filter's time."""
    rack = Rack([Point("A", 0, 0, True, filter_ns), Point("B", 0, 1, True, filter_ns)], 1, 0)
    levels, since, values = {"A": False, "B": False}, {"A": 0, "B": 0}, {"A": False, "B": False}
    now_ns = 0

    def settle() -> None:
        rack.sample(now_ns)
        for tag in "AB":
            if now_ns - since[tag] >= filter_ns:
                values[tag] = levels[tag]

    for gap_ns, tag, level in steps:
        for _ in range(gap_ns):
            now_ns += 1
            settle()
        rack.level(tag, level, now_ns)
        if level != levels[tag]:
            levels[tag], since[tag] = level, now_ns
        settle()
        assert {point.tag: point.value for point in rack} == values
    assert rack.input_image == bytes([values["A"] | values["B"] << 1])


Acts = st.lists(
    st.tuples(
        st.sampled_from("AB"), st.sampled_from(["level", "force"]), st.sampled_from([True, False, None])
    ),
    max_size=30,
)


@given(Acts)
def test_image_is_always_the_lights(acts: list[tuple[str, str, bool | None]]) -> None:
    rack = Rack([Point("A", 0, 3, True), Point("B", 1, 0, True)], 2, 0)
    for tag, what, value in acts:
        if what == "force":
            rack.force(tag, value)
        else:
            rack.level(tag, bool(value), 0)
    assert rack.input_image == bytes([rack.point("A").light << 3, rack.point("B").light])
