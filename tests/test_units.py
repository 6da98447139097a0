"""Conversions: exact or refused."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench import quantities
from bench.errors import LocalError
from bench.units import (
    bar_gauge_from_pa,
    conductance_si,
    ms_text,
    ns_from_ms,
    ns_from_s,
    pa_from_bar_gauge,
)

WEEK_NS = 604_800_000_000_000


@pytest.mark.parametrize(
    ("value_ms", "ns"),
    [(0, 0), (1, 1_000_000), (0.1, 100_000), ("0.000001", 1), (Decimal("2.5"), 2_500_000), (1e3, 10**9)],
)
def test_milliseconds_are_exact(value_ms: int | float | str | Decimal, ns: int) -> None:
    assert ns_from_ms(value_ms) == ns


def test_seconds_are_exact() -> None:
    assert (ns_from_s(0.1), ns_from_s("1.000000001"), ns_from_s(3)) == (10**8, 10**9 + 1, 3 * 10**9)


@pytest.mark.parametrize(
    "value",
    [
        "0.0000001",
        "1.00000000000000000000000000000000001",  # 28 digits, the usual precision, would round it away
        "1e-9999",
        "1e999999",
        float("nan"),
        float("inf"),
    ],
)
def test_finer_than_a_nanosecond_or_endless_is_refused(value: float | str) -> None:
    with pytest.raises(LocalError, match="is not a whole number of nanoseconds"):
        ns_from_ms(value)


@pytest.mark.parametrize("value", ["", "ten", "1 ms", True])
def test_what_is_no_number_is_refused(value: str) -> None:
    with pytest.raises(LocalError, match="is not a number"):
        ns_from_ms(value)


@given(st.integers(0, WEEK_NS))
def test_every_nanosecond_comes_back(ns: int) -> None:
    assert ns_from_ms(Decimal(ns) / 1_000_000) == ns_from_s(Decimal(ns) / 1_000_000_000) == ns


@given(st.integers(10**28, 10**40))
def test_large_numbers_are_not_rounded(value: int) -> None:
    assert ns_from_ms(value) == value * 1_000_000


def test_milliseconds_for_people() -> None:
    assert (ms_text(0), ms_text(12_345_678), ms_text(10**12)) == ("0.000", "12.346", "1000000.000")


def test_gauge_pressure_is_above_the_atmosphere() -> None:
    assert (pa_from_bar_gauge(0.0), pa_from_bar_gauge(6.0)) == (101_325.0, 701_325.0)


@given(st.floats(-1.0, 20.0))
def test_pressure_comes_back(pressure_bar: float) -> None:
    assert bar_gauge_from_pa(pa_from_bar_gauge(pressure_bar)) == pytest.approx(pressure_bar, abs=1e-9)


def test_sonic_conductance() -> None:
    assert conductance_si(1.0) == pytest.approx(1e-3 / 1e5)  # 1 dm3/(s bar)


@pytest.mark.parametrize(
    ("inside", "outside", "value", "shown"),
    [
        ("clamp.position_m", "clamp.position_mm", 0.05, 50.0),
        ("clamp.velocity_m_s", "clamp.velocity_mm_s", -0.25, -250.0),
        ("jet.flow_m3_s", "jet.flow_l_min", 0.001, 60.0),
        ("pin_jet.opening", "pin_jet.open_percent", 0.6, 60.0),
        ("air.pressure_pa", "air.pressure_bar", 701_325.0, 6.0),
        ("clamp.extended", "clamp.extended", True, True),
    ],
)
def test_names_and_values_at_the_edge(
    inside: str, outside: str, value: bool | float, shown: bool | float
) -> None:
    assert (quantities.outside_name(inside), quantities.outside_value(inside, value)) == (outside, shown)


@given(st.sampled_from([edge.outside for edge in quantities.EDGES]), st.floats(0.0, 100.0))
def test_what_a_person_sets_reads_back(ending: str, value: float) -> None:
    inside, inner = quantities.inside_pair(ending, value)
    shown = quantities.outside_value(inside, inner)
    assert quantities.outside_name(inside) == ending
    assert shown == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "value", "sentence"),
    [
        ("pressure_bar", True, "pressure_bar takes a number, not true"),
        ("blocked", 1.0, "blocked takes true or false, not 1.0"),
    ],
)
def test_the_wrong_kind_of_value_is_refused(name: str, value: bool | float, sentence: str) -> None:
    with pytest.raises(LocalError) as refusal:
        quantities.inside_pair(name, value)
    assert str(refusal.value) == sentence
