"""Double-acting cylinder with one-way speed controls: two gas chambers and a piston.

State: x, v, (p1, m1), (p2, m2); the temperature of a chamber is pV/(mR). Chamber 1 is the cap end, fed by
valve port 4; chamber 2 the rod end, fed by port 2. Equations as in Richer & Hurmuzlu, ASME J. Dyn. Syst.
Meas. Control 122 (2000) 416, with the temperature kept as a state and ISO 6358 flow.

One step is a Strang splitting: half a step of gas exchange at constant volume, a whole step of motion,
half a step of gas. The gas half is exponential in the pressure, so it has no stability limit (a chamber near
its port's pressure decays at 1e3 to 1e5 1/s) and keeps p and m positive; friction is set-valued, so
sticking needs no root finder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil, exp, expm1, pi, radians, sin, sqrt

from sims.air import B_LAM, GAMMA, P0_PA, PATM_PA, R_J_KG_K, T0_K, parallel, phi, series
from sims.errors import require, require_above, require_from
from sims.sensors import PositionSwitch
from sims.valve import Paths

STANDARD_GRAVITY_M_S2 = 9.80665
REST_PA = 1_000.0
STIFFEST_PA = 1e6  # chamber pressure for which the step is made short enough
MOST_PARTS = 200

_CV = R_J_KG_K / (GAMMA - 1.0)
_GAMMA_P0 = GAMMA * P0_PA
_PER_GAMMA_R_T0 = 1.0 / (GAMMA * R_J_KG_K * T0_K)
_PER_GAMMA = 1.0 / GAMMA
_CP = GAMMA * _CV
_COOLING = (GAMMA - 1.0) / (2.0 * GAMMA)  # d ln sqrt(T) / d ln p of the air that stays, isentropic
_ELLIPSE_TOP = 1e-6  # below this slope the flow counts as choked
# viscous friction over bore: common practice, no source
_VISCOUS = ((0.010, 8.0), (0.020, 30.0), (0.032, 80.0), (0.063, 150.0))


@dataclass(frozen=True, slots=True)
class Cylinder:
    """Double-acting cylinder with one-way speed controls at both ports.

    Args:
        valve: name of the Valve52; 14 extends.
        bore_m, rod_m, stroke_m: geometry (ISO 6432, ISO 15552 give bores and rods).
        load_kg: moving mass, piston and rod included.
        incline_deg: 90 lifts the load when extending, -90 lowers it.
        load_n: constant force against extending.
        throttle_out_c, _b: meter-out throttle at either port, on the air that leaves; C None = none.
        throttle_in_c, _b: meter-in throttle at either port, on the air that enters; C None = none.
        check_c, _b: the check valve past a throttle, for the other direction. C None = 0.75 of the valve's.
        dead_cap_m3, dead_rod_m3: volume at the stop with tube. None = 4 % of the stroke volume + 1 cm3.
        coulomb_n, static_n, stribeck_m_s, viscous_n_s_m: friction. None = common practice for the bore.
        heat_w_m2_k: to the wall, which is at T0. 50 is common practice, no source.
        switches: position switches by name.
    """

    valve: str
    bore_m: float
    rod_m: float
    stroke_m: float
    load_kg: float = 0.5
    incline_deg: float = 0.0
    load_n: float = 0.0
    throttle_out_c: float | None = None
    throttle_out_b: float = 0.35
    throttle_in_c: float | None = None
    throttle_in_b: float = 0.35
    check_c: float | None = None
    check_b: float = 0.35
    dead_cap_m3: float | None = None
    dead_rod_m3: float | None = None
    coulomb_n: float | None = None
    static_n: float | None = None
    stribeck_m_s: float = 0.02
    viscous_n_s_m: float | None = None
    heat_w_m2_k: float = 50.0
    switches: Mapping[str, PositionSwitch] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("bore_m", "stroke_m", "load_kg", "stribeck_m_s"):
            require_above("cylinder", name, getattr(self, name), 0.0)
        require("cylinder", "rod_m", 0.0 <= self.rod_m < self.bore_m, "less than the bore", self.rod_m)
        require_from("cylinder", "incline_deg", self.incline_deg, -90.0, 90.0)
        for name in ("throttle_out_b", "throttle_in_b", "check_b"):
            require_from("cylinder", name, getattr(self, name), 0.0, 0.9)
        for name in ("throttle_out_c", "throttle_in_c", "check_c", "coulomb_n", "viscous_n_s_m"):
            require_from("cylinder", name, getattr(self, name) or 0.0, 0.0)
        for name in ("dead_cap_m3", "dead_rod_m3"):
            if getattr(self, name) is not None:
                require_above("cylinder", name, getattr(self, name), 0.0)
        require_from("cylinder", "heat_w_m2_k", self.heat_w_m2_k, 0.0)
        if self.static_n is not None:
            require_from("cylinder", "static_n", self.static_n, self.coulomb_n or 0.0)

    @property
    def cap_area_m2(self) -> float:
        return 0.25 * pi * self.bore_m**2

    @property
    def rod_area_m2(self) -> float:
        """Ring area at the rod end."""
        return 0.25 * pi * (self.bore_m**2 - self.rod_m**2)

    def forces_n(self, supply_pa: float) -> tuple[float, float]:
        """Theoretical force (extend, retract) at an absolute pressure, without friction."""
        return (supply_pa - PATM_PA) * self.cap_area_m2, (supply_pa - PATM_PA) * self.rod_area_m2


def _viscous(bore_m: float) -> float:
    if bore_m <= _VISCOUS[0][0]:
        return _VISCOUS[0][1]
    for (b0, f0), (b1, f1) in pairwise(_VISCOUS):
        if bore_m <= b1:
            return f0 + (f1 - f0) * (bore_m - b0) / (b1 - b0)
    return _VISCOUS[-1][1] * bore_m / _VISCOUS[-1][0]


Element = tuple[float, float]  # C, b
Pair = tuple[float, float, float]  # C, b, slope of the laminar line


def _pair(c: float, b: float) -> Pair:
    return c, b, phi(B_LAM, b, 1.0) / (1.0 - B_LAM)


def port_pairs(
    valve: Element, out: Element | None, into: Element | None, check: Element
) -> tuple[Pair, Pair]:
    """(intake, exhaust) of a cylinder port with its valve path fully open, throttles as given or None.

    No node between valve and throttle: their air is too little to matter, and would make it stiff.
    """
    intake = exhaust = valve
    if out is not None:
        intake = series(*intake, *parallel(*check, *out))
        exhaust = series(*out, *exhaust)
    if into is not None:
        intake = series(*intake, *into)
        exhaust = series(*parallel(*check, *into), *exhaust)
    return _pair(*intake), _pair(*exhaust)


def exchange(
    p: float,
    m: float,
    volume: float,
    port: float,
    pairs: tuple[Pair, Pair],
    share: float,
    h: float,
    wall: float,
) -> tuple[float, float]:
    """Gas of one chamber after h seconds at constant volume, connected to a port at a pressure.

    Inflow (from a port at T0): p moves by the exponential Euler step of its own equation, m in
    proportion, which is exact. Outflow: p likewise, with the cooling of the air that stays inside in
    its slope, and m along the isentrope. Neither passes the port's pressure. Then heat, exactly.

    Args:
        p, m, volume, port: Pa absolute, kg, m3; port is the pressure behind the restriction.
        pairs: (intake, exhaust) restrictions; the direction of the flow decides, not the valve.
        share, h, wall: the valve's opening 0..1; seconds; heat transfer coefficient times area, W/K.
    """
    if port > p:
        c, b, line = pairs[0]
        r = p / port
        rate = h * _GAMMA_P0 * c * share / volume
        if r > B_LAM:
            dp = -expm1(-rate * line) * (port - p)
        elif r <= b:
            dp = rate * port
        else:
            u = (r - b) / (1.0 - b)
            f = sqrt(1.0 - u * u)
            slope = u / ((1.0 - b) * f)
            dp = -expm1(-rate * slope) * port * f / slope if slope > _ELLIPSE_TOP else rate * port
        if dp > port - p:
            dp = port - p
        p += dp
        m += dp * volume * _PER_GAMMA_R_T0
    elif port < p:
        c, b, line = pairs[1]
        r = port / p
        rate = h * _GAMMA_P0 * c * share / volume * sqrt(p * volume / (m * R_J_KG_K * T0_K))
        if r <= b:
            f, s = 1.0, 1.0 + _COOLING
        elif r > B_LAM:
            f = line * (1.0 - r)
            s = f * (1.0 + _COOLING) + r * line
        else:
            u = (r - b) / (1.0 - b)
            f = sqrt(1.0 - u * u)
            s = f * (1.0 + _COOLING) + r * u / ((1.0 - b) * f)
        ratio = 1.0 + expm1(-rate * s) * f / s
        if ratio < r:
            ratio = r
        p *= ratio
        m *= ratio**_PER_GAMMA
    if wall:
        t_wall = m * R_J_KG_K * T0_K / volume  # the pressure these kilograms have at T0
        p = t_wall + (p - t_wall) * exp(-wall * h / (m * _CV))
    return p, m


class CylinderModel:
    """State of one cylinder and its step of fixed length.

    Attributes:
        x, v: piston position m and speed m/s, positive when extending.
        p1, m1, p2, m2: the chambers, Pa absolute and kg.
        x0, v0, p10, p20: the same at the start of the last step.
        arrived: share of the last step at which the piston met a stop, 1.0 when it did not.
        impact_m_s: speed at the last arrival at a stop.
        drawn_kg, vented_kg: air taken from the supply and given to the exhaust so far (net of backflow).
    """

    def __init__(
        self, parameters: Cylinder, valve_c: float, valve_b: float, step_s: float, supply_pa: float
    ) -> None:
        self.parameters = parameters
        self._valve = (valve_c, valve_b)
        self.step_s = step_s
        self.a1 = parameters.cap_area_m2
        self.a2 = parameters.rod_area_m2
        self.stroke = parameters.stroke_m
        dead1, dead2 = parameters.dead_cap_m3, parameters.dead_rod_m3
        self.dead1 = 0.04 * self.a1 * self.stroke + 1e-6 if dead1 is None else dead1
        self.dead2 = 0.04 * self.a2 * self.stroke + 1e-6 if dead2 is None else dead2
        self._heat = parameters.heat_w_m2_k
        self._heat_per_m = self._heat * pi * parameters.bore_m
        self._set_friction(parameters)
        self.load_n = parameters.load_n
        self.load_kg = parameters.load_kg
        self.throttle_out_c = parameters.throttle_out_c
        self.throttle_in_c = parameters.throttle_in_c
        self.refresh()
        self.x = self.v = self.x0 = self.v0 = self.impact_m_s = 0.0
        self.arrived = 1.0
        self.drawn_kg = self.vented_kg = 0.0
        self.p1 = self.p10 = PATM_PA
        self.p2 = self.p20 = supply_pa
        self.m1 = PATM_PA * self.dead1 / (R_J_KG_K * T0_K)
        self.m2 = supply_pa * (self.dead2 + self.a2 * self.stroke) / (R_J_KG_K * T0_K)

    def _set_friction(self, parameters: Cylinder) -> None:
        # 5-10 % of the force at 6 bar from bore 32 up, 8-15 % below: common practice, no source
        share = 0.075 if parameters.bore_m >= 0.032 else 0.10
        coulomb, static, viscous = parameters.coulomb_n, parameters.static_n, parameters.viscous_n_s_m
        self.coulomb = share * 6e5 * self.a1 if coulomb is None else coulomb
        self.static = max(1.5 * self.coulomb if static is None else static, self.coulomb)
        self.viscous = _viscous(parameters.bore_m) if viscous is None else viscous
        self._stribeck = 1.0 / parameters.stribeck_m_s

    def refresh(self) -> None:
        """Take over changed throttle_out_c, throttle_in_c, load_kg or load_n."""
        parameters = self.parameters
        check_c = 0.75 * self._valve[0] if parameters.check_c is None else parameters.check_c
        check = (check_c, parameters.check_b)
        out_c, in_c = self.throttle_out_c, self.throttle_in_c
        out = None if out_c is None else (out_c, parameters.throttle_out_b)
        into = None if in_c is None else (in_c, parameters.throttle_in_b)
        self._pairs = port_pairs(self._valve, out, into, check)
        weight = self.load_kg * STANDARD_GRAVITY_M_S2 * sin(radians(parameters.incline_deg))
        self._against_n = PATM_PA * (self.a1 - self.a2) + self.load_n + weight
        # Verlet follows the piston on its air cushions while omega h < 2; a margin, for air gets stiffer
        stiff = self.a1**2 / self.dead1 + self.a2**2 / self.dead2
        omega = sqrt(GAMMA * STIFFEST_PA * stiff / self.load_kg)
        self._parts = min(max(ceil(2.0 * omega * self.step_s), 1), MOST_PARTS)
        self._part_s = self.step_s / self._parts
        k = self.viscous * self._part_s / self.load_kg
        self._keep = exp(-k)
        self._gain = -expm1(-k) / self.viscous if k > 1e-12 else self._part_s / self.load_kg

    def step(self, supply: float, first: Paths, second: Paths) -> None:
        """Advance by step_s.

        Args:
            supply: line pressure in the middle of the step, Pa absolute.
            first, second: what the valve has open, mean of the first and second half; outlet 4 feeds
                chamber 1, outlet 2 chamber 2.
        """
        self.x0, self.v0, self.p10, self.p20 = self.x, self.v, self.p1, self.p2
        if self._parts == 1:
            self._gas(supply, first, False)
            self._move()
            self._gas(supply, second, True)
        else:
            self._step_in_parts(supply, first, second)

    def _step_in_parts(self, supply: float, first: Paths, second: Paths) -> None:
        """A light piston on a small volume: the same step in shorter ones."""
        arrived = 1.0
        for part in range(self._parts):
            paths = first if 2 * part < self._parts else second
            self._gas(supply, paths, False)
            self._move()
            self._gas(supply, paths, True)
            if self.arrived < 1.0:
                arrived = (part + self.arrived) / self._parts
        self.arrived = arrived

    def _gas(self, supply: float, paths: Paths, mirrored: bool) -> None:
        h = 0.5 * self._part_s
        pairs = self._pairs
        x = self.x
        left = self.stroke - x
        a1, a2 = self.a1, self.a2
        volume1 = self.dead1 + a1 * x
        volume2 = self.dead2 + a2 * left
        wall1 = 2.0 * self._heat * a1 + self._heat_per_m * x
        wall2 = 2.0 * self._heat * a2 + self._heat_per_m * left
        fed1, vented1, fed2, vented2 = paths
        p1, m1, p2, m2 = self.p1, self.m1, self.p2, self.m2
        # closed altogether, too: a share of nothing leaves the heat alone
        if not vented1:
            self.p1, self.m1 = exchange(p1, m1, volume1, supply, pairs, fed1, h, wall1)
            self.drawn_kg += self.m1 - m1
        elif not fed1:
            self.p1, self.m1 = exchange(p1, m1, volume1, PATM_PA, pairs, vented1, h, wall1)
            self.vented_kg += m1 - self.m1
        else:
            self.p1, self.m1 = self._both(p1, m1, volume1, supply, fed1, vented1, h, wall1, mirrored)
        if not vented2:
            self.p2, self.m2 = exchange(p2, m2, volume2, supply, pairs, fed2, h, wall2)
            self.drawn_kg += self.m2 - m2
        elif not fed2:
            self.p2, self.m2 = exchange(p2, m2, volume2, PATM_PA, pairs, vented2, h, wall2)
            self.vented_kg += m2 - self.m2
        else:
            self.p2, self.m2 = self._both(p2, m2, volume2, supply, fed2, vented2, h, wall2, mirrored)

    def _both(
        self,
        p: float,
        m: float,
        volume: float,
        supply: float,
        fed: float,
        vented: float,
        h: float,
        wall: float,
        mirrored: bool,
    ) -> tuple[float, float]:
        """Both paths partly open: one after the other, the second half mirrored to stay second order."""
        for vents in (mirrored, not mirrored):
            before = m
            if vents:
                p, m = exchange(p, m, volume, PATM_PA, self._pairs, vented, h, wall)
                self.vented_kg += before - m
            else:
                p, m = exchange(p, m, volume, supply, self._pairs, fed, h, 0.0)
                self.drawn_kg += m - before
        return p, m

    def _move(self) -> None:
        """One step of the piston: half a drift, the kick of all forces, half a drift; isentropic gas."""
        x, v, stroke, half = self.x, self.v, self.stroke, 0.5 * self._part_s
        a1, a2, dead1, dead2 = self.a1, self.a2, self.dead1, self.dead2
        arrived = 1.0
        p1, p2 = self.p1, self.p2
        if v:
            volume1 = dead1 + a1 * x
            volume2 = dead2 + a2 * (stroke - x)
            middle = x + v * half
            if middle < 0.0 or middle > stroke:
                stop = 0.0 if v < 0.0 else stroke
                arrived = (stop - x) / (v * self._part_s)
                self.impact_m_s, middle, v = v, stop, 0.0
            p1 *= (volume1 / (dead1 + a1 * middle)) ** GAMMA
            p2 *= (volume2 / (dead2 + a2 * (stroke - middle))) ** GAMMA
        else:
            middle = x
        force = p1 * a1 - p2 * a2 - self._against_n
        v = self._kick(middle, v, force)
        if v:
            after = middle + v * half
            if after < 0.0 or after > stroke:
                stop = 0.0 if v < 0.0 else stroke
                arrived = 0.5 + 0.5 * (stop - middle) / (v * half)
                self.impact_m_s, after, v = v, stop, 0.0
            p1 *= ((dead1 + a1 * middle) / (dead1 + a1 * after)) ** GAMMA
            p2 *= ((dead2 + a2 * (stroke - middle)) / (dead2 + a2 * (stroke - after))) ** GAMMA
            middle = after
        self.x, self.v, self.p1, self.p2, self.arrived = middle, v, p1, p2, arrived

    def _kick(self, x: float, v: float, force: float) -> float:
        """Speed after one step of the force, with viscous friction exactly and dry friction set-valued."""
        gain = self._gain
        if v == 0.0:
            if self.holds_still(x, force):
                return 0.0
            return (force - self.static) * gain if force > 0.0 else (force + self.static) * gain
        dry = self.coulomb
        w = v * self._stribeck
        if -5.0 < w < 5.0:
            dry += (self.static - dry) * exp(-w * w)
        dry *= gain
        free = v * self._keep + force * gain
        # friction may stop the piston but not turn it round; a strong force may, against friction
        if v < 0.0:
            return free + dry if free + dry < 0.0 else max(free - dry, 0.0)
        return free - dry if free - dry > 0.0 else min(free + dry, 0.0)

    def holds_still(self, x: float, force: float) -> bool:
        """Whether a piston at rest stays: held by static friction, or pressed against its stop."""
        if force < 0.0:
            return x <= 0.0 or force >= -self.static
        return x >= self.stroke or force <= self.static

    def volumes(self) -> tuple[float, float]:
        """Both chambers, m3."""
        return self.dead1 + self.a1 * self.x, self.dead2 + self.a2 * (self.stroke - self.x)

    def _ports(self, supply: float, paths: Paths) -> tuple[float, float] | None:
        """The pressures both chambers are going to; None when a port is open to two of them.

        A closed chamber goes to the pressure its air has at T0.
        """
        fed1, vented1, fed2, vented2 = paths
        if (fed1 and vented1) or (fed2 and vented2):
            return None
        volume1, volume2 = self.volumes()
        port1 = supply if fed1 else (PATM_PA if vented1 else self.m1 * R_J_KG_K * T0_K / volume1)
        port2 = supply if fed2 else (PATM_PA if vented2 else self.m2 * R_J_KG_K * T0_K / volume2)
        return port1, port2

    def resting(self, supply: float, paths: Paths) -> bool:
        """Whether nothing more will happen: at rest, both chambers within 1 kPa of their ports."""
        if self.v:
            return False
        ports = self._ports(supply, paths)
        if ports is None:
            return False
        port1, port2 = ports
        if abs(self.p1 - port1) > REST_PA or abs(self.p2 - port2) > REST_PA:
            return False
        return self.holds_still(self.x, port1 * self.a1 - port2 * self.a2 - self._against_n)

    def idle(self, seconds: float, supply: float, paths: Paths) -> None:
        """Make up for time spent resting: pressures reach their ports, temperatures go on towards T0.

        At constant pressure the mass runs exponentially to that at T0, with the rate h A/(cp m).
        """
        ports = self._ports(supply, paths)
        if ports is None:
            return
        volume1, volume2 = self.volumes()
        m1, m2 = self.m1, self.m2
        wall1 = 2.0 * self._heat * self.a1 + self._heat_per_m * self.x
        wall2 = 2.0 * self._heat * self.a2 + self._heat_per_m * (self.stroke - self.x)
        fed1, vented1, fed2, vented2 = paths
        if fed1 or vented1:
            self.p1, self.m1 = _idle(self.p1, m1, volume1, ports[0], wall1, seconds)
        else:
            self.p1 = ports[0]
        if fed2 or vented2:
            self.p2, self.m2 = _idle(self.p2, m2, volume2, ports[1], wall2, seconds)
        else:
            self.p2 = ports[1]
        for taken, fed in ((self.m1 - m1, fed1), (self.m2 - m2, fed2)):
            if fed:
                self.drawn_kg += taken
            else:
                self.vented_kg -= taken


def _idle(p: float, m: float, volume: float, port: float, wall: float, seconds: float) -> tuple[float, float]:
    m *= (port / p) ** _PER_GAMMA
    settled = port * volume / (R_J_KG_K * T0_K)
    return port, settled + (m - settled) * exp(-wall * seconds / (_CP * settled))
