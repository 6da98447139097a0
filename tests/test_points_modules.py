"""Modules that are missing, and the cheap way through an output image."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bench.points import Point, PointChange, Rack

MS = 1_000_000


def rack(filter_ns: int = 0) -> Rack:
    points = [
        Point("A", 0, 0, True, filter_ns, module="DI"),
        Point("B", 1, 0, True, module="ST"),
        Point("Y", 0, 1, False, module="DQ"),
    ]
    return Rack(points, input_size=2, output_size=1)


def test_a_missing_input_module_reads_false() -> None:
    one = rack()
    one.level("A", True, 0)
    gone = one.set_absent(["DI"], 1)
    assert (gone, one.level("A", True, 2), one.input_image) == ([PointChange("A", False, True)], [], b"\0\0")


def test_a_missing_output_module_drives_nothing_and_drives_again_when_back() -> None:
    one = rack()
    one.set_absent(["DQ"], 0)
    changes = [one.outputs(b"\x02"), one.set_absent([], 1)]
    assert changes == [[], [PointChange("Y", True, False)]]


def test_a_force_waits_for_its_module() -> None:
    one = rack()
    one.set_absent(["DQ", "DI"], 0)
    quiet = one.force("Y", True) + one.force("A", True)
    back = one.set_absent([], 1)
    assert (quiet, [c.tag for c in back], one.forces) == ([], ["A", "Y"], ("A", "Y"))


def test_filters_start_anew_when_the_module_is_back() -> None:
    one = rack(filter_ns=3 * MS)
    one.level("A", True, 0)
    one.sample(3 * MS)
    one.set_absent(["DI"], 4 * MS)
    back = one.set_absent([], 9 * MS)
    assert (back, one.next_deadline_ns(), one.input_image) == ([], 12 * MS, b"\0\0")


@given(st.lists(st.binary(min_size=3, max_size=3), max_size=5))
def test_every_output_follows_the_image(images: list[bytes]) -> None:
    points = [Point(f"Y{n}", n // 8, n % 8, False) for n in range(0, 24, 3)]
    one = Rack(points, 0, 3)
    for image in images:
        before = {point.tag: point.light for point in points}
        changes = {change.tag: change.value for change in one.outputs(image)}
        wanted = {p.tag: bool(image[p.byte] >> p.bit & 1) for p in points}
        assert before | changes == wanted
        assert all(before[tag] != value for tag, value in changes.items())
