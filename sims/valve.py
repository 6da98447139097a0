"""Directional control valves: 3/2, 5/2 and 5/3, solenoid piloted.

Ports (ISO 11727): 1 supply, 2 and 4 outlets, 3 and 5 exhausts; 12 and 14 name the side that joins port 1 to
2 or to 4, 10 the side that shuts port 1. A spool stands somewhere from -1 (shifted to 12, of a 3/2 valve to
10) to +1 (shifted to 14, of a 3/2 valve to 12); 0 is the centre of a 5/3 valve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import ClassVar

from sims.errors import require, require_above, require_from

At = Callable[[int, Callable[[int], None]], None]  # at(t_ns, action): run action(t_ns) when it is due

Paths = tuple[float, float, float, float]
"""How far outlet 4 is open to port 1 and to its exhaust, and outlet 2 to port 1 and to its exhaust; 0..1."""

CENTRES = ("closed", "exhaust", "pressure")


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    """What the valves of every kind have in common.

    Args:
        supply: name of the AirSupply at port 1.
        c, b: ISO 6358 conductance m3/(s Pa) and critical ratio of every path.
        shift_delay_s: coil to first movement, 10-25 ms in practice (measured as in ISO 12238).
        ramp_s: duration of the shift, in which supply and exhaust are both partly open.
        release_delay_s, release_ramp_s: the same for the way a spring takes it; None = as the other way.
        pilot_min_pa: absolute pressure at port 1 below which the pilot does not move the spool; 0 = none,
            that is a valve with its pilot fed from elsewhere. 0.15-0.25 MPa gauge is common practice.
    """

    WORD: ClassVar[str] = "valve"
    ENDS: ClassVar[tuple[str, str]] = ("14", "12")
    """The sides that shift to +1 and to -1; each has a manual override, a spring's side too."""
    EDGE: ClassVar[float] = 0.0
    """Where the spool has to pass for the valve to be shifted to its first side."""
    WAY: ClassVar[float] = 2.0
    """How far the spool goes in `ramp_s`."""

    supply: str = field(kw_only=False)
    c: float = 0.8e-8
    b: float = 0.35
    shift_delay_s: float = 0.015
    ramp_s: float = 0.004
    release_delay_s: float | None = None
    release_ramp_s: float | None = None
    pilot_min_pa: float = 0.0

    def __post_init__(self) -> None:
        require_above(self.WORD, "c", self.c, 0.0)
        require_from(self.WORD, "b", self.b, 0.0, 0.9)
        require_from(self.WORD, "pilot_min_pa", self.pilot_min_pa, 0.0, 1e6)
        for name in ("shift_delay_s", "ramp_s", "release_delay_s", "release_ramp_s"):
            require_from(self.WORD, name, getattr(self, name) or 0.0, 0.0, 10.0)

    @property
    def sides(self) -> tuple[str, ...]:
        """Its coils, the one that shifts to +1 first."""
        raise NotImplementedError

    @property
    def rest(self) -> float:
        """Where its spring takes the spool, or where a valve without spring starts."""
        return -1.0

    @property
    def springs(self) -> bool:
        """Whether a spring moves the spool when no coil has current."""
        return True

    def paths(self, spool: float) -> Paths:
        """What is open at a position of the spool."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Valve52(Valve):
    """5/2 valve.

    Args:
        bistable: two coils and no spring; else one coil, 14, and a spring that returns it to 12.
    """

    WORD: ClassVar[str] = "5/2 valve"

    bistable: bool = False

    @property
    def sides(self) -> tuple[str, ...]:
        return self.ENDS if self.bistable else self.ENDS[:1]

    @property
    def springs(self) -> bool:
        return not self.bistable

    def paths(self, spool: float) -> Paths:
        o = 0.5 * (spool + 1.0)
        return o, 1.0 - o, 1.0 - o, o


@dataclass(frozen=True, slots=True)
class Valve53(Valve):
    """5/3 valve: two coils, springs to the centre.

    Args:
        centre: closed (all ports shut), exhaust (both outlets vented) or pressure (both fed).
    """

    WORD: ClassVar[str] = "5/3 valve"
    EDGE: ClassVar[float] = 0.5
    WAY: ClassVar[float] = 1.0

    centre: str = "closed"

    def __post_init__(self) -> None:
        require(self.WORD, "centre", self.centre in CENTRES, " or ".join(CENTRES), self.centre)
        Valve.__post_init__(self)

    @property
    def sides(self) -> tuple[str, ...]:
        return self.ENDS

    @property
    def rest(self) -> float:
        return 0.0

    def paths(self, spool: float) -> Paths:
        """The centre fades out as a side opens."""
        up, down = max(spool, 0.0), max(-spool, 0.0)
        middle = 1.0 - up - down
        fed = middle if self.centre == "pressure" else 0.0
        vented = middle if self.centre == "exhaust" else 0.0
        return up + fed, down + vented, down + fed, up + vented


@dataclass(frozen=True, slots=True)
class Valve32(Valve):
    """3/2 valve: one outlet, 2, fed or vented.

    Args:
        bistable: two coils and no spring.
        normally_open: its spring joins port 1 to 2; else it vents 2. Its coil 12 feeds the outlet of a
            normally closed one; coil 10 of a normally open or a bistable one vents it.
    """

    WORD: ClassVar[str] = "3/2 valve"
    ENDS: ClassVar[tuple[str, str]] = ("12", "10")

    bistable: bool = False
    normally_open: bool = False

    def __post_init__(self) -> None:
        require(
            self.WORD,
            "normally_open",
            not (self.bistable and self.normally_open),
            "false for a bistable one, which has no rest",
            self.normally_open,
        )
        Valve.__post_init__(self)

    @property
    def sides(self) -> tuple[str, ...]:
        if self.bistable:
            return self.ENDS
        return self.ENDS[1:] if self.normally_open else self.ENDS[:1]

    @property
    def rest(self) -> float:
        return 1.0 if self.normally_open else -1.0

    @property
    def springs(self) -> bool:
        return not self.bistable

    def paths(self, spool: float) -> Paths:
        """There is no outlet 4."""
        o = 0.5 * (spool + 1.0)
        return 0.0, 0.0, o, 1.0 - o


class ValveModel:
    """State of one valve: what its coils and overrides ask for, and where its spool is.

    Args:
        parameters: the valve.
        at: runs an action later.
        began: told when the spool starts to move.

    Attributes:
        coils, overrides: by side, whether it has current, whether it is held down.
        stuck: a fault: "" none, "slow", "not_shifting" or "not_returning".
        halfway: told when the spool passes the middle of its way to +1, or back.
    """

    def __init__(self, parameters: Valve, at: At, began: Callable[[int], None]) -> None:
        self.parameters = parameters
        self.coils = dict.fromkeys(parameters.sides, False)
        self.overrides = dict.fromkeys(parameters.ENDS, False)
        self.goal = parameters.rest  # where the spool is or is going
        self.stuck = ""
        self.halfway: Callable[[bool, int], None] = lambda shifted, t_ns: None
        self._pressed = True  # the pilot has pressure enough
        self._pending: tuple[int, float] | None = None  # (when the spool starts, where to)
        self._start_ns = 0
        self._end_ns = 0
        self._start_spool = self.goal
        self._before = (0, 0, self.goal, self.goal)  # the shift before: start, end, from, to
        self._at = at
        self._began = began

    def wish(self) -> float | None:
        """Where the valve is told to go; None: stay. An override wins over the coils and needs no pilot."""
        held = [side for side, on in self.overrides.items() if on]
        if held:
            return self._goal_of(held[0]) if len(held) == 1 else None
        live = [side for side, on in self.coils.items() if on] if self._pressed else []
        if len(live) == 1:
            return self._goal_of(live[0])
        if live or not self.parameters.springs:
            return None
        return self.parameters.rest

    def _goal_of(self, side: str) -> float:
        return 1.0 if side == self.parameters.ENDS[0] else -1.0

    def pressure(self, supply_pa: float, now_ns: int) -> None:
        """The pressure at port 1 is now this; a pilot without enough of it lets go."""
        pressed = supply_pa >= self.parameters.pilot_min_pa
        if pressed != self._pressed:
            self._pressed = pressed
            self.command(now_ns)

    def command(self, now_ns: int) -> None:
        """Take note that a coil, an override, the pilot or a fault changed at now_ns.

        A command taken back within the shift delay never moves the spool.
        """
        wish = self.wish()
        if self.stuck == "not_shifting" and wish != self.parameters.rest:
            wish = None
        if self.stuck == "not_returning" and wish == self.parameters.rest:
            wish = None
        if now_ns < self._start_ns and wish != self.goal:  # foretold, and now not to be
            self._start_ns, self._end_ns, self._start_spool, self.goal = self._before
        if wish is None or wish == self.goal:
            self._pending = None
        elif self._pending is None or self._pending[1] != wish:
            due = (now_ns + round(self._times_s(wish)[0] * 1e9), wish)
            self._pending = due
            self._at(due[0], lambda t_ns: self._begin(due, t_ns))

    def _times_s(self, goal: float) -> tuple[float, float]:
        """Delay and ramp of the way to *goal*; a spring may take others than a coil."""
        valve = self.parameters
        delay_s, ramp_s = valve.shift_delay_s, valve.ramp_s
        if valve.springs and goal == valve.rest:
            delay_s = delay_s if valve.release_delay_s is None else valve.release_delay_s
            ramp_s = ramp_s if valve.release_ramp_s is None else valve.release_ramp_s
        slow = 5.0 if self.stuck == "slow" else 1.0
        return slow * delay_s, slow * ramp_s

    def spool(self, t_ns: int) -> float:
        """Where the spool is, -1..1."""
        if t_ns >= self._end_ns:
            return self.goal
        if t_ns <= self._start_ns:
            return self._start_spool
        share = (t_ns - self._start_ns) / (self._end_ns - self._start_ns)
        return self._start_spool + (self.goal - self._start_spool) * share

    def paths(self, t_ns: int) -> Paths:
        """What is open at t_ns."""
        return self.parameters.paths(self.spool(t_ns))

    def settled(self, t_ns: int) -> bool:
        """Whether the spool stands still at t_ns; a start still ahead does not count."""
        return t_ns >= self._end_ns

    def _begin(self, due: tuple[int, float], t_ns: int) -> None:
        if self._pending is not due:
            return
        self._pending = None
        spool, goal = self.spool(t_ns), due[1]
        self._before = (self._start_ns, self._end_ns, self._start_spool, self.goal)
        self.goal = goal
        ramp_ns = self._times_s(goal)[1] * 1e9 / self.parameters.WAY
        self._start_ns, self._start_spool = t_ns, spool
        self._end_ns = t_ns + round(abs(goal - spool) * ramp_ns)
        self._began(t_ns)
        edge = self.parameters.EDGE
        if (spool > edge) != (goal > edge):
            half_ns = t_ns + round(abs(edge - spool) * ramp_ns)
            started_ns = t_ns
            self._at(half_ns, lambda at_ns: self._half(started_ns, at_ns))

    def _half(self, started_ns: int, t_ns: int) -> None:
        if self._start_ns == started_ns:
            self.halfway(self.goal > self.parameters.EDGE, t_ns)


def side_of(valve: Valve, word: str) -> str:
    """Check the word for a side of this valve that has an override.

    Raises:
        ModelError: any other word.
    """
    require("valve", "side", word in valve.ENDS, f"{valve.ENDS[0]!r} or {valve.ENDS[1]!r}", word)
    return word
