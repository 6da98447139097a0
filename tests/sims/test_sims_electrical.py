"""Emergency stop, safety relay, wires, coils: what loses power and what does not."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sims_station import INPUTS, MS, OUTPUTS, S, devices, make, run, when

from sims import ModelError, OutputWire, Plant, SafetyRelay


@pytest.fixture
def plant() -> Plant:
    station = make()
    station.start()
    return station


@pytest.fixture
def stopped(plant: Plant) -> Plant:
    """Both outputs were on, then the emergency stop was pressed; 0.1 s later."""
    plant.drive("Clamp", True, 0)
    plant.drive("Lamp", True, 0)
    plant.press("e_stop", 100 * MS)
    run(plant, 200 * MS)
    return plant


def test_emergency_stop_drops_coils_after_the_drop_out_time(plant: Plant) -> None:
    plant.drive("Clamp", True, 0)
    changes = plant.press("e_stop", 100 * MS + 7) + run(plant, S)
    assert when(changes, "clamp_valve.14", False) == [120 * MS + 7]


def test_inputs_and_unswitched_outputs_stay_alive(stopped: Plant) -> None:
    truths = [stopped.read(name, 200 * MS) for name in ("switched_24v.on", "clamp_valve.14", "lamp.lit")]
    level = when(stopped.press("stop_button", 200 * MS), "CycleStop", False)
    assert (truths, level) == ([False, False, True], [200 * MS])


def test_power_on_signal_follows_the_relay(plant: Plant) -> None:
    changes = plant.press("e_stop", 100 * MS) + run(plant, S)
    assert when(changes, "PowerOn", False) == [120 * MS]


def test_reset_does_nothing_while_the_stop_is_pressed(stopped: Plant) -> None:
    stopped.press("reset", 200 * MS)
    assert stopped.read("switched_24v.on", 200 * MS) is False


def test_reset_held_down_does_not_count(stopped: Plant) -> None:
    stopped.press("reset", 200 * MS)
    stopped.release("e_stop", 210 * MS)
    assert stopped.read("switched_24v.on", 300 * MS) is False


def test_fresh_press_after_release_restores_power(stopped: Plant) -> None:
    stopped.release("e_stop", 210 * MS)
    changes = stopped.press("reset", 300 * MS)
    assert when(changes, "switched_24v.on", True) == [300 * MS]


def test_one_welded_channel_blocks_the_next_reset(plant: Plant) -> None:
    plant.fault("stuck_on", "e_stop.ch1", True, 0)
    plant.press("e_stop", 10 * MS)
    run(plant, 100 * MS)
    plant.release("e_stop", 100 * MS)
    plant.press("reset", 110 * MS)
    assert plant.read("switched_24v.on", 200 * MS) is False


def test_relay_is_off_at_start_unless_told() -> None:
    plant = make(switched_24v=SafetyRelay("main_24v", "e_stop", "reset"))
    assert when(plant.start(), "switched_24v.on", False) == [0]


def test_loss_of_24_v_takes_levels_and_then_the_relay(plant: Plant) -> None:
    changes = plant.set("main_24v", "on", False, 5 * MS) + run(plant, S)
    assert (when(changes, "CycleStop", False), when(changes, "PowerOn", False)) == ([5 * MS], [5 * MS])


def test_normally_closed_contact_is_true_at_rest(plant: Plant) -> None:
    assert when(plant.start(), "CycleStop", True) == [0]


FAULTS: list[tuple[str, str, str, bool]] = [
    ("wire_break", "CycleStop", "CycleStop", False),
    ("stuck_off", "stop_button", "CycleStop", False),
    ("stuck_on", "clamp.extended", "Extended", True),
    ("stuck_off", "eye", "Eye", False),
]


@pytest.mark.parametrize(("kind", "target", "tag", "faulty"), FAULTS)
def test_input_fault_comes_and_goes(plant: Plant, kind: str, target: str, tag: str, faulty: bool) -> None:
    if tag == "Eye":
        plant.set("eye", "blocked", True, 0)
        run(plant, MS)
    comes = when(plant.fault(kind, target, True, 10 * MS), tag, faulty)
    goes = when(plant.fault(kind, target, False, 20 * MS), tag, not faulty)
    assert (comes, goes) == ([10 * MS], [20 * MS])


@pytest.mark.parametrize(("kind", "target"), [("wire_break", "Clamp"), ("coil_open", "clamp_valve.14")])
def test_output_fault_comes_and_goes(plant: Plant, kind: str, target: str) -> None:
    plant.drive("Clamp", True, 0)
    comes = when(plant.fault(kind, target, True, 10 * MS), "clamp_valve.14", False)
    goes = when(plant.fault(kind, target, False, 20 * MS), "clamp_valve.14", True)
    assert (comes, goes) == ([10 * MS], [20 * MS])


def test_eye_sees_what_lasts_longer_than_its_response(plant: Plant) -> None:
    changes = plant.set("eye", "blocked", True, 0) + plant.set("eye", "blocked", False, MS // 2)
    changes += run(plant, 5 * MS) + plant.set("eye", "blocked", True, 5 * MS) + run(plant, 10 * MS)
    assert when(changes, "Eye", True) == [6 * MS]


WRONG: list[tuple[str, Callable[[Plant], object]]] = [
    ("did you mean 'Clamp'", lambda plant: plant.drive("Clampp", True, 0)),
    ("did you mean 'reset'", lambda plant: plant.press("rest", 0)),
    ("did you mean 'clamp.extended'", lambda plant: plant.fault("stuck_on", "clamp.extend", True, 0)),
    ("did you mean 'wire_break'", lambda plant: plant.fault("wire_brake", "Clamp", True, 0)),
    ("did you mean 'clamp.p1_pa'", lambda plant: plant.read("clamp.p1", 0)),
    ("did you mean 'pressure_pa'", lambda plant: plant.set("air", "pressure", 5e5, 0)),
    ("expected a number", lambda plant: plant.set("air", "pressure_pa", True, 0)),
    ("expected '14' or '12'", lambda plant: plant.override("clamp_valve", "4", True, 0)),
]


@pytest.mark.parametrize(("words", "command"), WRONG)
def test_wrong_command_names_the_nearest_word(
    plant: Plant, words: str, command: Callable[[Plant], object]
) -> None:
    with pytest.raises(ModelError, match=words):
        command(plant)


def test_load_with_two_outputs_is_refused() -> None:
    with pytest.raises(ModelError, match="without another output"):
        Plant(devices(), INPUTS, {**OUTPUTS, "Again": OutputWire("lamp", "main_24v")})
