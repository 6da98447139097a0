"""Directional control valves: 3/2, 5/2 and 5/3, solenoid piloted.

Ports (ISO 11727): 1 supply, 2 and 4 outlets, 3 and 5 exhausts; 12 and 14 name the side that joins port 1 to
2 or to 4, 10 the side that shuts port 1. A spool stands somewhere from -1 (shifted to 12, of a 3/2 valve to
10) to +1 (shifted to 14, of a 3/2 valve to 12); 0 is the centre of a 5/3 valve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sims.errors import require, require_above, require_from

At = Callable[[int, Callable[[int], None]], None]  # at(t_ns, action): run action(t_ns) when it is due

Paths = tuple[float, float, float, float]
"""How far outlet 4 is open to port 1 and to its exhaust, and outlet 2 to port 1 and to its exhaust; 0..1."""

CENTRES = ("closed", "exhaust", "pressure")


@dataclass(frozen=True, slots=True)
class Valve52:
    """5/2 valve.

    Args:
        supply: name of the AirSupply at port 1.
        bistable: two coils and no spring; else one coil, 14, and a spring that returns it to 12.
        c, b: ISO 6358 conductance m3/(s Pa) and critical ratio of every path.
        shift_delay_s: coil to first movement, 10-25 ms in practice (measured as in ISO 12238).
        ramp_s: duration of the shift, in which supply and exhaust are both partly open.
        release_delay_s, release_ramp_s: the same for the way a spring takes it; None = as the other way.
        pilot_min_pa: absolute pressure at port 1 below which the pilot does not move the spool; 0 = none,
            that is a valve with its pilot fed from elsewhere. 0.15-0.25 MPa gauge is common practice.
    """

    supply: str
    bistable: bool = False
    c: float = 0.8e-8
    b: float = 0.35
    shift_delay_s: float = 0.015
    ramp_s: float = 0.004
    release_delay_s: float | None = None
    release_ramp_s: float | None = None
    pilot_min_pa: float = 0.0

    def __post_init__(self) -> None:
        _check(self)

    @property
    def sides(self) -> tuple[str, ...]:
        """Its coils and overrides, the one that shifts to +1 first."""
        return ("14", "12") if self.bistable else ("14",)

    @property
    def rest(self) -> float:
        """Where its spring takes the spool, or where a valve without spring starts."""
        return -1.0

    @property
    def springs(self) -> bool:
        """Whether a spring moves the spool when no coil has current."""
        return not self.bistable

    def paths(self, spool: float) -> Paths:
        """What is open at a position of the spool."""
        o = 0.5 * (spool + 1.0)
        return o, 1.0 - o, 1.0 - o, o


@dataclass(frozen=True, slots=True)
class Valve53:
    """5/3 valve: two coils, springs to the centre. Parameters as of Valve52.

    Args:
        centre: closed (all ports shut), exhaust (both outlets vented) or pressure (both fed).
    """

    supply: str
    centre: str = "closed"
    c: float = 0.8e-8
    b: float = 0.35
    shift_delay_s: float = 0.015
    ramp_s: float = 0.004
    release_delay_s: float | None = None
    release_ramp_s: float | None = None
    pilot_min_pa: float = 0.0

    def __post_init__(self) -> None:
        require("5/3 valve", "centre", self.centre in CENTRES, " or ".join(CENTRES), self.centre)
        _check(self)

    @property
    def sides(self) -> tuple[str, ...]:
        return ("14", "12")

    @property
    def rest(self) -> float:
        return 0.0

    @property
    def springs(self) -> bool:
        return True

    def paths(self, spool: float) -> Paths:
        """What is open at a position of the spool; its centre fades out as a side opens."""
        up, down = max(spool, 0.0), max(-spool, 0.0)
        middle = 1.0 - up - down
        fed = middle if self.centre == "pressure" else 0.0
        vented = middle if self.centre == "exhaust" else 0.0
        return up + fed, down + vented, down + fed, up + vented


@dataclass(frozen=True, slots=True)
class Valve32:
    """3/2 valve: one outlet, 2, fed or vented. Parameters as of Valve52.

    Args:
        normally_open: its spring joins port 1 to 2; else it vents 2. Its coil 12 feeds the outlet of a
            normally closed one; coil 10 of a normally open or a bistable one vents it.
    """

    supply: str
    bistable: bool = False
    normally_open: bool = False
    c: float = 0.8e-8
    b: float = 0.35
    shift_delay_s: float = 0.015
    ramp_s: float = 0.004
    release_delay_s: float | None = None
    release_ramp_s: float | None = None
    pilot_min_pa: float = 0.0

    def __post_init__(self) -> None:
        require(
            "3/2 valve",
            "normally_open",
            not (self.bistable and self.normally_open),
            "false for a bistable one, which has no rest",
            self.normally_open,
        )
        _check(self)

    @property
    def sides(self) -> tuple[str, ...]:
        if self.bistable:
            return ("12", "10")
        return ("10",) if self.normally_open else ("12",)

    @property
    def rest(self) -> float:
        return 1.0 if self.normally_open else -1.0

    @property
    def springs(self) -> bool:
        return not self.bistable

    def paths(self, spool: float) -> Paths:
        """What is open at a position of the spool; there is no outlet 4."""
        o = 0.5 * (spool + 1.0)
        return 0.0, 0.0, o, 1.0 - o


Valve = Valve52 | Valve53 | Valve32

GOALS = {"14": 1.0, "12": -1.0, "10": -1.0}  # of a 3/2 valve side 12 is the other way round


def _check(valve: Valve) -> None:
    kind = {Valve52: "5/2 valve", Valve53: "5/3 valve", Valve32: "3/2 valve"}[type(valve)]
    require_above(kind, "c", valve.c, 0.0)
    require_from(kind, "b", valve.b, 0.0, 0.9)
    require_from(kind, "pilot_min_pa", valve.pilot_min_pa, 0.0, 1e6)
    for name in ("shift_delay_s", "ramp_s", "release_delay_s", "release_ramp_s"):
        require_from(kind, name, getattr(valve, name) or 0.0, 0.0, 10.0)


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
        self.overrides = dict.fromkeys(override_sides(parameters), False)
        self.goal = parameters.rest  # where the spool is or is going
        self.stuck = ""
        self.halfway: Callable[[bool, int], None] = lambda shifted, t_ns: None
        self._pressed = True  # the pilot has pressure enough
        self._pending: tuple[int, float] | None = None  # (when the spool starts, where to)
        self._start_ns = 0
        self._end_ns = 0
        self._start_spool = self.goal
        self._before = (0, 0, self.goal, self.goal)  # the shift before: start, end, from, to
        self._edge = 0.5 if isinstance(parameters, Valve53) else 0.0
        self._at = at
        self._began = began

    @property
    def shifted(self) -> bool:
        """Whether the spool is, or is going, to the side of its first coil."""
        return self.goal > self._edge

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
        if isinstance(self.parameters, Valve32):
            return 1.0 if side == "12" else -1.0
        return GOALS[side]

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
            due = (now_ns + round(self._delay_s(wish) * 1e9), wish)
            self._pending = due
            self._at(due[0], lambda t_ns: self._begin(due, t_ns))

    def _delay_s(self, goal: float) -> float:
        slow = 5.0 if self.stuck == "slow" else 1.0
        valve = self.parameters
        released = valve.springs and goal == valve.rest and valve.release_delay_s is not None
        return slow * (valve.release_delay_s or 0.0 if released else valve.shift_delay_s)

    def _ramp_s(self, goal: float) -> float:
        slow = 5.0 if self.stuck == "slow" else 1.0
        valve = self.parameters
        released = valve.springs and goal == valve.rest and valve.release_ramp_s is not None
        return slow * (valve.release_ramp_s or 0.0 if released else valve.ramp_s)

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
        # the ramp is that of the way from one end to the other; a 5/3 valve has half of it to go
        way = 1.0 if isinstance(self.parameters, Valve53) else 2.0
        ramp_ns = self._ramp_s(goal) * 1e9 / way
        self._start_ns, self._start_spool = t_ns, spool
        self._end_ns = t_ns + round(abs(goal - spool) * ramp_ns)
        self._began(t_ns)
        edge = self._edge
        if (spool > edge) != (goal > edge):
            half_ns = t_ns + round(abs(edge - spool) * ramp_ns)
            started_ns = t_ns
            self._at(half_ns, lambda at_ns: self._half(started_ns, at_ns))

    def _half(self, started_ns: int, t_ns: int) -> None:
        if self._start_ns == started_ns:
            self.halfway(self.goal > self._edge, t_ns)


def override_sides(valve: Valve) -> tuple[str, str]:
    """The sides with a manual override; a spring's side has one too."""
    return ("12", "10") if isinstance(valve, Valve32) else ("14", "12")


def side_of(valve: Valve, word: str) -> str:
    """Check the word for a side of this valve that has an override.

    Raises:
        ModelError: any other word.
    """
    sides = override_sides(valve)
    require("valve", "side", word in sides, f"{sides[0]!r} or {sides[1]!r}", word)
    return word
