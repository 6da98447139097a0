"""Valves of every kind: what is open where, and a cylinder behind them."""

from __future__ import annotations

import pytest
from sims_station import MS, SUPPLY_PA, S, cylinder

from sims import AirSupply, Plant, Valve32, Valve52, Valve53
from sims.air import PATM_PA
from sims.errors import ModelError
from sims.plant import Parameters
from sims.valve import Valve

# ports as in ISO 11727: outlet 4 fed, 4 vented, 2 fed, 2 vented, at 12 (or 10), in the middle, at 14 (or 12)
PATHS: list[tuple[Valve, tuple[float, ...], tuple[float, ...], tuple[float, ...]]] = [
    (Valve52("air"), (0, 1, 1, 0), (0.5, 0.5, 0.5, 0.5), (1, 0, 0, 1)),
    (Valve53("air", "closed"), (0, 1, 1, 0), (0, 0, 0, 0), (1, 0, 0, 1)),
    (Valve53("air", "exhaust"), (0, 1, 1, 0), (0, 1, 0, 1), (1, 0, 0, 1)),
    (Valve53("air", "pressure"), (0, 1, 1, 0), (1, 0, 1, 0), (1, 0, 0, 1)),
    (Valve32("air"), (0, 0, 0, 1), (0, 0, 0.5, 0.5), (0, 0, 1, 0)),
]


@pytest.mark.parametrize(("valve", "down", "middle", "up"), PATHS)
def test_what_is_open(
    valve: Valve, down: tuple[float, ...], middle: tuple[float, ...], up: tuple[float, ...]
) -> None:
    assert tuple(valve.paths(spool) for spool in (-1.0, 0.0, 1.0)) == (down, middle, up)


def plant(valve: Valve, **other: float) -> Plant:
    devices: dict[str, Parameters] = {
        "air": AirSupply(SUPPLY_PA, vent_s=0.0),
        "clamp_valve": valve,
        "clamp": cylinder(**other),
    }
    made = Plant(devices, {}, {})
    made.start()
    return made


def push(made: Plant, side: str, from_ms: int, to_ms: int) -> None:
    """Hold the override of one side from one time to another, then let it go and run 1 s more."""
    made.advance(from_ms * MS)
    made.override("clamp_valve", side, True, from_ms * MS)
    made.advance(to_ms * MS)
    made.override("clamp_valve", side, False, to_ms * MS)
    made.advance(to_ms * MS + S)


def at(made: Plant, quantity: str) -> float:
    return float(made.read(f"clamp.{quantity}", made.now_ns))


def test_a_closed_centre_traps_the_air_and_the_piston() -> None:
    made = plant(Valve53("air", "closed"))
    push(made, "14", 0, 250)
    stopped_m = at(made, "position_m")
    made.advance(made.now_ns + 5 * S)
    assert at(made, "p2_pa") > 3 * PATM_PA
    assert at(made, "position_m") == pytest.approx(stopped_m, abs=1e-4)


def test_an_exhaust_centre_lets_the_air_go() -> None:
    made = plant(Valve53("air", "exhaust"))
    push(made, "14", 0, 250)
    made.advance(made.now_ns + 2 * S)
    assert (at(made, "p1_pa"), at(made, "p2_pa")) == pytest.approx((PATM_PA, PATM_PA), abs=2_000)


def test_a_pressure_centre_creeps_out_by_the_area_ratio() -> None:
    made = plant(Valve53("air", "pressure"))
    made.advance(5 * S)
    assert at(made, "position_m") == pytest.approx(0.1)


def test_a_bistable_valve_stays_where_it_was_put() -> None:
    made = plant(Valve52("air", bistable=True))
    push(made, "14", 0, 100)
    assert at(made, "position_m") == pytest.approx(0.1)


def test_a_valve_without_pilot_pressure_does_not_shift() -> None:
    made = plant(Valve52("air", pilot_min_pa=300_000.0))
    made.set("air", "pressure_pa", 250_000.0, 0)
    made.advance(100 * MS)
    made.fault("coil_open", "clamp_valve.14", False, 100 * MS)
    made._coil("clamp_valve", "14", True, 100 * MS)
    made.advance(S)
    still_m = at(made, "position_m")
    made.set("air", "pressure_pa", SUPPLY_PA, S)
    made.advance(3 * S)
    assert (still_m, at(made, "position_m")) == pytest.approx((0.0, 0.1))


def test_a_spring_takes_a_valve_back_when_its_pilot_fails() -> None:
    made = plant(Valve52("air", pilot_min_pa=300_000.0))
    made._coil("clamp_valve", "14", True, 0)
    made.advance(S)
    made.set("air", "pressure_pa", 250_000.0, S)
    made.advance(4 * S)
    assert at(made, "position_m") == 0.0


def shifted_ms(fault: str) -> float | None:
    """When the spool passes its middle after a command at 0."""
    made = plant(Valve52("air", shift_delay_s=0.010, ramp_s=0.004))
    if fault:
        made.fault(fault, "clamp_valve", True, 0)
    made.override("clamp_valve", "14", True, 0)
    changes = made.advance(200 * MS)
    return next((c.t_ns / MS for c in changes if getattr(c, "name", "") == "clamp_valve.position"), None)


@pytest.mark.parametrize(
    ("fault", "at_ms"),
    [("", 12.0), ("valve_slow", 60.0), ("valve_not_shifting", None), ("valve_not_returning", 12.0)],
)
def test_a_sticking_valve(fault: str, at_ms: float | None) -> None:
    assert shifted_ms(fault) == at_ms


def test_a_valve_that_did_not_return_does_when_the_fault_is_mended() -> None:
    made = plant(Valve52("air"))
    made.fault("valve_not_returning", "clamp_valve", True, 0)
    push(made, "14", 0, 600)
    stays_m = at(made, "position_m")
    made.fault("valve_not_returning", "clamp_valve", False, made.now_ns)
    made.advance(made.now_ns + 2 * S)
    assert (stays_m, at(made, "position_m")) == pytest.approx((0.1, 0.0))


def test_the_spring_may_take_another_time_than_the_coil() -> None:
    made = plant(Valve52("air", shift_delay_s=0.010, ramp_s=0.0, release_delay_s=0.030, release_ramp_s=0.0))
    made.override("clamp_valve", "14", True, 0)
    made.advance(100 * MS)
    made.override("clamp_valve", "14", False, 100 * MS)
    changes = made.advance(200 * MS)
    assert [c.t_ns / MS for c in changes if getattr(c, "name", "") == "clamp_valve.position"] == [130.0]


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: Valve53("air", "open"), "closed or exhaust or pressure"),
        (lambda: Valve32("air", bistable=True, normally_open=True), "false for a bistable one"),
        (lambda: Valve52("air", pilot_min_pa=2e6), "0 to 1e+06"),
    ],
)
def test_a_valve_that_cannot_be(make: object, told: str) -> None:
    with pytest.raises(ModelError) as caught:
        make()  # type: ignore[operator]
    assert told in str(caught.value)
