"""A scenario as values: what is done, what is expected, what must always hold."""

from __future__ import annotations

from dataclasses import dataclass

from bench.logic import Condition
from bench.net.link import LinkQuality

DEFAULT_LIMIT_NS = 60_000_000_000


@dataclass(frozen=True, slots=True)
class Step:
    """One line of a scenario.

    `target` is a device, tag, quantity or fault target as the verb asks; `value` what it is set to.
    Durations are bench time; None where the line does not say.
    """

    number: int
    line: int
    verb: str
    text: str
    target: str = ""
    kind: str = ""  # of a fault
    value: bool | float | None = None
    condition: Condition | None = None
    at_ns: int | None = None
    within_ns: int | None = None
    for_ns: int | None = None
    over_ns: int = 0


@dataclass(frozen=True, slots=True)
class Rule:
    """A condition that must hold (`always`) or must not hold (`never`) at every instant."""

    text: str
    condition: Condition
    forbidden: bool
    because: str
    line: int


@dataclass(frozen=True, slots=True)
class Scenario:
    """One scenario, checked against its station and logic.

    `network` is how bad the link is between adapter and controller in virtual time; None is the usual one.
    """

    title: str
    file: str
    steps: tuple[Step, ...]
    rules: tuple[Rule, ...]
    limit_ns: int
    picture: tuple[str, ...]
    network: LinkQuality | None = None
