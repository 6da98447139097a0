from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from bench.report.picture import Mark, is_measured, timing_picture, unit_of
from bench.trace import Trace, Value

MS = 1_000_000

values = st.one_of(
    st.booleans(),
    st.integers(-(2**63), 2**63),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=6),
)
names = st.one_of(st.text(max_size=30), st.sampled_from(["a", "b_mm", "c_bar", "漢字"]))
entries = st.lists(st.tuples(st.integers(0, 10**10), names, values), max_size=30)
mark_lists = st.lists(
    st.builds(Mark, st.integers(-1, 10**11), st.text(max_size=4), st.booleans()), max_size=30
)


def drawn(
    changes: list[tuple[int, Value]], signal: str = "A", width: int = 24, ascii_only: bool = False
) -> list[str]:
    """The signal's rows over 1000 ms, without label."""
    trace = Trace()
    for t_ms, value in changes:
        trace.add(t_ms * MS, signal, value)
    lines = timing_picture(trace, [signal], 1000 * MS, width, ascii_only=ascii_only)
    return [line[3:].rstrip() for line in lines[:-2]]


@given(entries, st.integers(0, 10**10), st.integers(0, 130), mark_lists, st.booleans())
def test_every_line_has_the_width_asked_for(
    rows: list[tuple[int, str, Value]], end_ns: int, width: int, marks: list[Mark], ascii_only: bool
) -> None:
    trace = Trace()
    for t_ns, signal, value in sorted(rows, key=lambda row: row[0]):
        trace.add(t_ns, signal, value)
    signals = [*trace.signals(), "never seen"]
    lines = timing_picture(trace, signals, end_ns, width, marks, ascii_only=ascii_only)
    assert {cell_len(line) for line in lines} == {width}


@given(entries, mark_lists)
def test_an_ascii_picture_is_ascii(rows: list[tuple[int, str, Value]], marks: list[Mark]) -> None:
    trace = Trace()
    for t_ns, signal, value in sorted(rows, key=lambda row: row[0]):
        trace.add(t_ns, signal, value)
    lines = timing_picture(trace, trace.signals(), 10**9, 80, marks, ascii_only=True)
    assert all(line.isascii() and line.isprintable() for line in lines)


def test_a_boolean_stands_on_two_rows() -> None:
    assert drawn([(0, False), (100, True), (500, False)]) == [
        "  ┍━━━━━━━┑",
        "──┘       └──────────",
    ]


def test_ascii_edges() -> None:
    assert drawn([(0, False), (100, True), (500, False)], ascii_only=True) == [
        "   _______",
        "__|       |__________",
    ]


def test_a_pulse_shorter_than_a_cell_is_shown() -> None:
    rows = drawn([(0, False), (101, True), (102, False), (500, True), (700, False), (701, True)])
    assert rows == ["  ╷       ┍━━━┯━━━━━━", "──┴───────┘   ╵"]


def test_many_edges_in_a_cell_are_a_double_line() -> None:
    chatter: list[tuple[int, Value]] = [(500 + n, n % 2 == 1) for n in range(8)]
    assert drawn(chatter) == ["          ╓━━━━━━━━━━", "··········╜"]


def test_before_the_first_value_nothing_is_claimed() -> None:
    assert drawn([(500, True)]) == ["          ━━━━━━━━━━━", "··········"]


def test_eight_levels_with_range_and_unit() -> None:
    ramp: list[tuple[int, Value]] = [(100 * n, 2.0 * n) for n in range(8)]
    trace = Trace()
    for t_ms, value in ramp:
        trace.add(t_ms * MS, "p_bar", value)
    line = timing_picture(trace, ["p_bar"], 800 * MS, 40)[0]
    assert line == "p_bar ▁▁▁▂▂▂▃▃▃▄▄▄▅▅▅▆▆▆▇▇▇████ 0…14 bar"


def test_a_peak_inside_a_cell_is_not_lost() -> None:
    row = drawn([(0, 0.0), (500, 9.0), (501, 1.0)], signal="x", width=32)[0]
    assert row.startswith("▁▁▁▁▁▁▁▁▁▁▁▁█▂▂")


def test_a_constant_quantity_states_its_value() -> None:
    assert drawn([(0, 6.0)], signal="p", width=26)[0] == "▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁▁ 6"


def test_a_text_is_written_where_it_changed_and_cut_at_the_next() -> None:
    assert drawn([(0, "Idle"), (200, "Clamping"), (900, 3)]) == ["│Idl│Clamping     │3"]


def test_marks_share_a_row_unless_they_touch() -> None:
    marks = [Mark(100 * MS, "1"), Mark(150 * MS, "2"), Mark(700 * MS, "3"), Mark(1000 * MS, "4", failed=True)]
    lines = timing_picture(Trace(), [], 1000 * MS, 24, marks)
    assert [line[3:] for line in lines[:2]] == ["  ▲1          ▲3   4✗", "   ▲2                "]


def test_marks_beyond_the_rows_lose_their_label_only() -> None:
    marks = [Mark(500 * MS, str(n)) for n in range(1, 9)]
    lines = timing_picture(Trace(), [], 1000 * MS, 24, marks)
    assert [line[3:].strip() for line in lines[:-2]] == ["▲1", "▲2", "▲3", "▲4", "▲5", "▲6"]


@pytest.mark.parametrize(
    ("end_ms", "ruler", "ticks"),
    [
        (1000, "┴─────────┴─────────┴", "ms 0         500    1000"),
        (0, "┴────────────────────", "ms 0"),
        (60_000, "┴──────┴──────┴─────┴", "s  0      20     40   60"),
        (0.5, "┴───────┴───────┴────", "ms 0       0.2     0.4"),
    ],
)
def test_time_axis(end_ms: float, ruler: str, ticks: str) -> None:
    lines = timing_picture(Trace(), [], int(end_ms * MS), 24)
    assert [lines[-2][3:], lines[-1].rstrip()] == [ruler, ticks]


def test_a_long_name_keeps_its_end() -> None:
    line = timing_picture(Trace(), ["station.left.clamp"], MS, 30)[1]
    assert line.startswith("~ft.clamp ")


@pytest.mark.parametrize(
    ("signal", "value", "measured"),
    [("n", 3, False), ("n_mm", 3, True), ("x", 0.5, True), ("x_mm", "lost", False), ("x_mm", True, False)],
)
def test_what_is_a_quantity(signal: str, value: Value, measured: bool) -> None:
    trace = Trace()
    trace.add(0, signal, value)
    assert is_measured(trace, signal) is measured


def test_unit_of_a_name() -> None:
    assert [unit_of(name) for name in ("clamp.speed_mm_s", "air.flow_l_min", "Clamp")] == [
        "mm/s",
        "l/min",
        "",
    ]
