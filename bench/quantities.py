"""Names and values at the person's edge: `clamp.position_mm` there is `clamp.position_m` in the plant."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench.errors import LocalError
from bench.units import bar_gauge_from_pa, pa_from_bar_gauge


@dataclass(frozen=True, slots=True)
class Edge:
    """One kind of quantity: endings of its name inside and outside, and the way over."""

    inside: str
    outside: str
    out: Callable[[float], float]
    back: Callable[[float], float]


def _scaled(inside: str, outside: str, factor: float) -> Edge:
    return Edge(inside, outside, lambda value: value * factor, lambda value: value / factor)


# Longest ending first: `_m_s` must not be read as `_s`, nor `_m3_s` as `_m_s`.
EDGES = (
    _scaled("_m3_s", "_l_min", 60_000.0),
    _scaled("_m_s", "_mm_s", 1_000.0),
    _scaled("_m", "_mm", 1_000.0),
    _scaled("opening", "open_percent", 100.0),
    Edge("_pa", "_bar", bar_gauge_from_pa, pa_from_bar_gauge),
)


def outside_name(inside: str) -> str:
    """The person's name of a plant quantity; truth values keep theirs."""
    for edge in EDGES:
        if inside.endswith(edge.inside):
            return inside.removesuffix(edge.inside) + edge.outside
    return inside


def converter(inside: str) -> Callable[[float], float]:
    """The way of one plant quantity into the person's unit, to be looked up once."""
    return next((edge.out for edge in EDGES if inside.endswith(edge.inside)), float)


def outside_value(inside: str, value: bool | float) -> bool | float:
    """A plant value in the person's unit, rounded to what a person could read off (1e-6)."""
    return value if isinstance(value, bool) else round(converter(inside)(value), 6)


def inside_pair(outside: str, value: bool | float) -> tuple[str, bool | float]:
    """The plant's name and value for what the person set.

    Raises:
        LocalError: a truth value for a measured quantity, or the other way round.
    """
    for edge in EDGES:
        if outside.endswith(edge.outside):
            if isinstance(value, bool):
                raise LocalError(f"{outside} takes a number, not {str(value).lower()}")
            return outside.removesuffix(edge.outside) + edge.inside, edge.back(float(value))
    if not isinstance(value, bool):
        raise LocalError(f"{outside} takes true or false, not {value}")
    return outside, value
