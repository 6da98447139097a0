"""The one error of the plant model: a parameter, a name or a command that cannot be."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class ModelError(Exception):
    """The caller described or commanded a plant that cannot be; the plant is as before the call.

    Args:
        component: the device, tag or kind of device it concerns.
        parameter: the parameter, quantity or argument.
        expected: what may stand there.
        got: what stood there.
        nearest: the nearest valid word, empty when nothing is near.
    """

    def __init__(self, component: str, parameter: str, expected: str, got: object, nearest: str = "") -> None:
        self.component = component
        self.parameter = parameter
        self.expected = expected
        self.got = got
        self.nearest = nearest
        super().__init__(component, parameter, expected, got, nearest)

    def __str__(self) -> str:
        hint = f"; did you mean {self.nearest!r}?" if self.nearest else ""
        return f"{self.component}.{self.parameter}: expected {self.expected}, got {self.got!r}{hint}"


def unknown(component: str, parameter: str, expected: str, got: str, valid: Iterable[str]) -> ModelError:
    """A ModelError for a name nobody has, with the nearest of the `valid` ones."""
    near = get_close_matches(got, list(valid), n=1, cutoff=0.5)
    return ModelError(component, parameter, expected, got, near[0] if near else "")


def require(component: str, parameter: str, holds: bool, expected: str, got: object) -> None:
    """Raise ModelError unless `holds`."""
    if not holds:
        raise ModelError(component, parameter, expected, got)


def require_above(component: str, parameter: str, value: float, least: float) -> None:
    """Raise ModelError unless `value` is a finite number above `least`."""
    require(component, parameter, least < value < 1e300, f"a number above {least:g}", value)


def require_from(component: str, parameter: str, value: float, least: float, most: float = 1e300) -> None:
    """Raise ModelError unless least <= value <= most."""
    words = f"a number from {least:g}" + (f" to {most:g}" if most < 1e300 else " up")
    require(component, parameter, least <= value <= most, words, value)
