"""5/2 directional control valve, solenoid piloted, with spring return or two coils.

Ports (ISO 11727): 1 supply, 4 and 2 outlets, 3 and 5 exhausts. Shifted to 14, port 1 feeds 4 and port 2
exhausts; at 12, port 1 feeds 2 and port 4 exhausts. The pilot's own need of pressure is not modelled.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sims.errors import require, require_above, require_from

At = Callable[[int, Callable[[int], None]], None]  # at(t_ns, action): run action(t_ns) when it is due


@dataclass(frozen=True, slots=True)
class Valve52:
    """5/2 valve.

    Args:
        supply: name of the AirSupply at port 1.
        bistable: two coils and no spring; else one coil, 14, and a spring that returns it to 12.
        c, b: ISO 6358 conductance m3/(s Pa) and critical ratio of every path.
        shift_delay_s: coil to first movement, 10-25 ms in practice (measured as in ISO 12238).
        ramp_s: duration of the shift, in which supply and exhaust are both partly open.
    """

    supply: str
    bistable: bool = False
    c: float = 0.8e-8
    b: float = 0.35
    shift_delay_s: float = 0.015
    ramp_s: float = 0.004

    def __post_init__(self) -> None:
        require_above("5/2 valve", "c", self.c, 0.0)
        require_from("5/2 valve", "b", self.b, 0.0, 0.9)
        require_from("5/2 valve", "shift_delay_s", self.shift_delay_s, 0.0, 10.0)
        require_from("5/2 valve", "ramp_s", self.ramp_s, 0.0, 10.0)


class ValveModel:
    """State of one 5/2 valve: what its coils and overrides ask for, and where its spool is."""

    def __init__(self, parameters: Valve52, at: At, began: Callable[[int], None]) -> None:
        self.parameters = parameters
        self.coil_14 = False
        self.coil_12 = False
        self.override_14 = False
        self.override_12 = False
        self.goal_14 = False  # where the spool is or is going
        self.halfway: Callable[[bool, int], None] = lambda shifted, t_ns: None
        self._pending: tuple[int, bool] | None = None  # (when the spool starts, where to)
        self._start_ns = 0
        self._end_ns = 0
        self._start_opening = 0.0
        self._before = (0, 0, 0.0)  # the same three of the shift before
        self._delay_ns = round(parameters.shift_delay_s * 1e9)
        self._at = at
        self._began = began

    def wish(self) -> bool | None:
        """What the valve is told: True 14, False 12, None stay. An override wins over the coils."""
        if self.override_14 != self.override_12:
            return self.override_14
        if self.override_14:
            return None
        if not self.parameters.bistable:
            return self.coil_14
        return self.coil_14 if self.coil_14 != self.coil_12 else None

    def command(self, now_ns: int) -> None:
        """Take note that a coil or an override changed at now_ns.

        A command taken back within the shift delay never moves the spool.
        """
        wish = self.wish()
        if now_ns < self._start_ns and wish != self.goal_14:  # foretold, and now not to be
            self.goal_14 = not self.goal_14
            self._start_ns, self._end_ns, self._start_opening = self._before
        if wish is None or wish == self.goal_14:
            self._pending = None
        elif self._pending is None:
            due = (now_ns + self._delay_ns, wish)
            self._pending = due
            self._at(due[0], lambda t_ns: self._begin(due, t_ns))

    def opening(self, t_ns: int) -> float:
        """How far port 1 is open to port 4, 0..1; port 1 to port 2 is the rest."""
        goal = 1.0 if self.goal_14 else 0.0
        if t_ns >= self._end_ns:
            return goal
        if t_ns <= self._start_ns:
            return self._start_opening
        share = (t_ns - self._start_ns) / (self._end_ns - self._start_ns)
        return self._start_opening + (goal - self._start_opening) * share

    def settled(self, t_ns: int) -> bool:
        """Whether the spool stands still at t_ns; a start still ahead does not count."""
        return t_ns >= self._end_ns

    def _begin(self, due: tuple[int, bool], t_ns: int) -> None:
        if self._pending is not due:
            return
        self._pending = None
        opening = self.opening(t_ns)
        self._before = (self._start_ns, self._end_ns, self._start_opening)
        self.goal_14 = due[1]
        goal = 1.0 if self.goal_14 else 0.0
        ramp_ns = self.parameters.ramp_s * 1e9
        self._start_ns, self._start_opening = t_ns, opening
        self._end_ns = t_ns + round(abs(goal - opening) * ramp_ns)
        self._began(t_ns)
        if (opening >= 0.5) != self.goal_14:
            half_ns = t_ns + round(abs(0.5 - opening) * ramp_ns)
            started_ns = t_ns
            self._at(half_ns, lambda at_ns: self._half(started_ns, at_ns))

    def _half(self, started_ns: int, t_ns: int) -> None:
        if self._start_ns == started_ns:
            self.halfway(self.goal_14, t_ns)


def side_of(word: str) -> str:
    """Check the word for a side of a valve, `14` or `12`.

    Raises:
        ModelError: any other word.
    """
    require("5/2 valve", "side", word in ("14", "12"), "'14' or '12'", word)
    return word
