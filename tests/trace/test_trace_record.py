from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import LocalError, WrongFiles
from bench.trace import Change, Trace, Value, read_lines

HEADER = '{"format":"drycycle-trace","version":1,"time_unit":"ns"}'

values = st.one_of(
    st.booleans(), st.integers(-(2**63), 2**63), st.floats(allow_nan=False, allow_infinity=False), st.text()
)
entries = st.lists(st.tuples(st.integers(0, 10**9), st.text(max_size=8), values), max_size=40)


def filled(rows: list[tuple[int, str, Value]]) -> Trace:
    trace = Trace()
    for t_ns, signal, value in sorted(rows, key=lambda row: row[0]):
        trace.add(t_ns, signal, value)
    return trace


@pytest.fixture
def trace() -> Trace:
    return filled([(0, "A", False), (5, "A", True), (5, "B", 1.5), (7, "A", False), (9, "A", True)])


@given(entries)
def test_text_form_read_back_has_the_same_digest(rows: list[tuple[int, str, Value]]) -> None:
    trace = filled(rows)
    again = read_lines(trace.lines(), "x")
    assert (again.digest(), list(again.all_changes())) == (trace.digest(), list(trace.all_changes()))


@given(entries, st.integers(0, 10**9))
def test_value_at_is_the_last_change_not_after(rows: list[tuple[int, str, Value]], t_ns: int) -> None:
    trace = filled(rows)
    wanted = {c.signal: c.value for c in trace.all_changes() if c.t_ns <= t_ns}
    assert {s: v for s in trace.signals() if (v := trace.value_at(s, t_ns)) is not None} == wanted


def test_lines_have_a_fixed_form() -> None:
    trace = filled([(0, "Start", True), (1, "p_bar", 0.1), (2, "State", 'a"é')])
    assert list(trace.lines()) == [
        f'{HEADER[:-1]},"sha256":"{trace.digest()}"}}',
        '{"t_ns":0,"signal":"Start","value":true}',
        '{"t_ns":1,"signal":"p_bar","value":0.1}',
        '{"t_ns":2,"signal":"State","value":"a\\"\\u00e9"}',
    ]


def test_a_file_cut_off_is_refused(trace: Trace) -> None:
    lines = list(trace.lines())[:-1]
    with pytest.raises(WrongFiles, match=r"x:1:1: sha256: .* the file was changed or is cut off"):
        read_lines(lines, "x")


def test_digest_is_sha256_over_the_change_lines() -> None:
    # sha256sum of the one line below with its line feed, by coreutils
    trace = filled([(0, "Start", True)])
    assert trace.digest() == "2aa2b3841f8fe75c681a6f559ac66182235597fbc64b3ae357e2ee733b5abcf0"


def test_an_unchanged_value_is_ignored(trace: Trace) -> None:
    trace.add(11, "A", True)
    assert (len(trace), trace.changes("A", since_ns=7)) == (5, [(7, False), (9, True)])


def test_time_going_backwards_is_refused_and_changes_nothing(trace: Trace) -> None:
    with pytest.raises(LocalError, match="A: 8 ns is before 9 ns"):
        trace.add(8, "A", False)
    assert trace.value("A") is True


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_value_that_is_not_finite_is_refused(trace: Trace, value: float) -> None:
    with pytest.raises(LocalError, match="not a finite number"):
        trace.add(20, "B", value)
    assert trace.value("B") == 1.5


def test_edges_are_counted_without_the_starting_value(trace: Trace) -> None:
    counts = [trace.count("A", rising=True), trace.count("A", rising=False), trace.count("C", rising=True)]
    assert counts == [2, 1, 0]


def test_last_changes_are_merged_newest_last(trace: Trace) -> None:
    newest = trace.last_changes(["B", "A", "A", "unknown"], 3)
    assert newest == [Change(5, "B", 1.5), Change(7, "A", False), Change(9, "A", True)]


def test_no_last_changes_for_count_zero(trace: Trace) -> None:
    assert trace.last_changes(["A"], 0) == []


def test_signals_stand_in_first_seen_order(trace: Trace) -> None:
    assert (trace.signals(), trace.value("C"), trace.value_at("B", 4)) == (("A", "B"), None, None)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([], "x:1:1: the file is empty"),
        (['{"format":"other"}'], "x:1:1: not a trace"),
        (['{"format":"drycycle-trace","version":2}'], "x:1:1: trace version 2 is not known; expected 1"),
        ([HEADER, "", "{"], "x:3:2: not a JSON object"),
        ([HEADER, "[" * 100_000], "x:2:1: not a JSON object"),
        ([HEADER, "[]"], "x:2:1: expected a JSON object in braces"),
        ([HEADER, '{"t_ns":1}'], "x:2:1: expected the keys t_ns, signal, value; got t_ns"),
        ([HEADER, '{"t_ns":true,"signal":"A","value":1}'], "x:2:1: t_ns: expected a whole number"),
        ([HEADER, '{"t_ns":1,"signal":7,"value":1}'], "x:2:1: signal: expected a name, got 7"),
        ([HEADER, '{"t_ns":1,"signal":"A","value":null}'], "x:2:1: value: expected true, false"),
        ([HEADER, '{"t_ns":1,"signal":"A","value":NaN}'], "x:2:1: NaN is not a value"),
        ([HEADER, '{"t_ns":1,"signal":"A","value":1e999}'], "x:2:1: A at 1 ns: inf is not a finite"),
        ([HEADER, '{"t_ns":-1,"signal":"A","value":1}'], "x:2:1: A: -1 ns is before 0 ns"),
    ],
)
def test_a_bad_line_is_named(lines: list[str], message: str) -> None:
    with pytest.raises(WrongFiles) as caught:
        read_lines(lines, "x")
    assert str(caught.value).startswith(message)


def test_every_bad_line_is_reported() -> None:
    with pytest.raises(WrongFiles) as caught:
        read_lines([HEADER, "a", '{"t_ns":1,"signal":"A","value":1}', "b"], "x")
    assert [mistake.line for mistake in caught.value.mistakes] == [2, 4]


@given(st.lists(st.text(max_size=30), max_size=4))
def test_any_text_is_read_or_refused(lines: list[str]) -> None:
    try:
        read_lines([HEADER, *lines], "x")
        found = True
    except WrongFiles as wrong:
        found = bool(wrong.mistakes)
    assert found
