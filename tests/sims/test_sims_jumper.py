"""A jumper: what an output drives, an input reads, in the same instant and as long as there is power."""

from __future__ import annotations

import pytest

from sims import (
    DeviceChange,
    InputWire,
    Jumper,
    LevelChange,
    ModelError,
    OutputWire,
    Parameters,
    Plant,
    Supply24,
)

DEVICES: dict[str, Parameters] = {"main": Supply24(), "loop": Jumper(2)}


def plant() -> Plant:
    inputs = {f"I{n}": InputWire(f"loop.{n}", "main") for n in range(2)}
    outputs = {f"Q{n}": OutputWire(f"loop.{n}", "main") for n in range(2)}
    return Plant(DEVICES, inputs, outputs)


def test_the_far_end_follows_at_once() -> None:
    changes = plant().drive("Q1", True, 7)
    assert changes == [DeviceChange(7, "loop.1", True), LevelChange(7, "I1", True)]


def test_without_power_the_far_end_is_low_and_comes_back_with_it() -> None:
    wires = plant()
    wires.drive("Q0", True, 1)
    levels = [
        change.level
        for on in (False, True)
        for change in wires.set("main", "on", on, 2)
        if isinstance(change, LevelChange)
    ]
    assert levels == [False, True]


@pytest.mark.parametrize("tag", ["Q0", "I0"])
def test_a_broken_wire_at_either_end_is_seen(tag: str) -> None:
    wires = plant()
    wires.drive("Q0", True, 1)
    levels = [
        change.level
        for active in (True, False)
        for change in wires.fault("wire_break", tag, active, 2)
        if isinstance(change, LevelChange)
    ]
    assert levels == [False, True]


def test_it_rests() -> None:
    wires = plant()
    wires.drive("Q0", True, 1)
    assert (wires.next_ns(), wires.read("loop.0", 1), wires.read("loop.1", 1)) == (None, True, False)


def test_no_cores_is_no_jumper() -> None:
    with pytest.raises(ModelError, match="points"):
        Jumper(0)
