"""Which variable stands for which bit, and what one scan does with the images."""

from __future__ import annotations

import pytest

from bench.controller import Controller
from bench.errors import WrongFiles
from bench.logic import compile_program
from bench.station import LoadedStation, load_station

MS = 1_000_000
STATION = """\
station: Bits
adapter:
  identity: {product_name: Bits, serial: 1}
  assemblies: {input: 100, output: 150, configuration: 151}
  rpi_ms: {default: 10, minimum: 2}
modules:
  - {name: DI, kind: digital_input, points: 16}
  - {name: DQ, kind: digital_output, points: 8, power: supply}
points:
  Start: {at: DI.0, from: start_button}
  Stop:  {at: DI.9, from: stop_button}
  Lamp:  {at: DQ.0, to: green_lamp}
  Horn:  {at: DQ.3, to: red_lamp}
devices:
  supply: {kind: supply_24v}
  start_button: {kind: push_button, contact: NO}
  stop_button: {kind: push_button, contact: NC}
  green_lamp: {kind: lamp, colour: green}
  red_lamp: {kind: lamp, colour: red}
"""


@pytest.fixture(scope="module")
def station() -> LoadedStation:
    return load_station(STATION, "station.yaml")


def controller(station: LoadedStation, declared: str, body: str = ";") -> Controller:
    program = compile_program(f"PROGRAM P\n{declared}\n{body}\nEND_PROGRAM\n", "p.st")
    return Controller(program, station.layout, 10 * MS)


def test_tag_ties_a_variable_to_its_bit_whatever_the_case(station: LoadedStation) -> None:
    declared = "VAR_INPUT START, Stop : BOOL; END_VAR VAR_OUTPUT lamp, Horn : BOOL; END_VAR"
    unit = controller(station, declared, "Lamp := Start; Horn := Stop;")
    images = [
        unit.scan(image, True, n * MS) for n, image in enumerate((b"\x01\x00", b"\x00\x02", b"\x01\x02"))
    ]
    assert images == [b"\x01", b"\x08", b"\x09"]


def test_address_ties_a_variable_to_its_bit(station: LoadedStation) -> None:
    declared = "VAR A AT %IX1.1 : BOOL; B AT %QX0.3 : BOOL; END_VAR"
    assert controller(station, declared, "B := A;").scan(b"\x00\x02", True, 0) == b"\x08"


def test_inputs_read_false_while_the_adapter_is_away(station: LoadedStation) -> None:
    declared = "VAR_INPUT Stop, AdapterOnline : BOOL; END_VAR VAR_OUTPUT Lamp, Horn : BOOL; END_VAR"
    unit = controller(station, declared, "Lamp := Stop; Horn := AdapterOnline;")
    assert [unit.scan(b"\x00\x02", online, 0) for online in (True, False)] == [b"\x09", b"\x00"]


def test_program_need_not_ask_whether_the_adapter_is_there(station: LoadedStation) -> None:
    unit = controller(station, "VAR_OUTPUT Lamp : BOOL; END_VAR", "Lamp := TRUE;")
    assert unit.scan(b"\x00\x00", False, 0) == b"\x01"


def test_loops_are_bounded_by_the_scan(station: LoadedStation) -> None:
    body = "FOR I := 1 TO 10000 DO Lamp := TRUE; END_FOR;"
    unit = controller(station, "VAR_OUTPUT Lamp : BOOL; END_VAR VAR I : INT; END_VAR", body)
    assert unit.scan(b"\x00\x00", True, 0) == b"\x01"


MISFITS = {
    "VAR_INPUT Start : INT; END_VAR": (
        "p.st:2:11: Start: stands for the point Start, so it must be a BOOL, not INT"
    ),
    "VAR_OUTPUT Start : BOOL; END_VAR": "p.st:2:12: Start: Start is an input point; declare it in VAR_INPUT",
    "VAR_INPUT Lamp : BOOL; END_VAR": "p.st:2:11: Lamp: Lamp is an output point; declare it in VAR_OUTPUT",
    "VAR_OUTPUT Lamp : BOOL; END_VAR VAR A AT %QX0.0 : BOOL; END_VAR": (
        "p.st:2:37: A: the point Lamp is already written by Lamp"
    ),
    "VAR A AT %IX2.0 : BOOL; END_VAR": (
        "p.st:2:5: A: %IX2.0 is outside the input image: bytes 0 to 1, bits 0 to 7"
    ),
    "VAR_INPUT AdapterOnline : INT; END_VAR": (
        "p.st:2:11: AdapterOnline: tells whether the adapter is connected, so it must be a BOOL, not INT"
    ),
}


@pytest.mark.parametrize(("declared", "sentence"), list(MISFITS.items()))
def test_misfit_is_refused_with_its_place(station: LoadedStation, declared: str, sentence: str) -> None:
    with pytest.raises(WrongFiles) as wrong:
        controller(station, declared)
    assert str(wrong.value) == sentence


def test_warnings_name_loose_ends(station: LoadedStation) -> None:
    declared = "VAR_INPUT Strat : BOOL; END_VAR VAR_OUTPUT Lamp, Hron : BOOL; END_VAR "
    declared += "VAR A AT %IX1.7 : BOOL; END_VAR"
    assert [f"{w.path}: {w.sentence}" for w in controller(station, declared).warnings] == [
        "Horn: no variable drives this output point",
        "Strat: no point has this tag, so this input never changes",
        "Hron: no point has this tag, so this output goes nowhere",
        "A: no point stands at %IX1.7",
    ]


@pytest.mark.parametrize("address", ["%IX2.0", "%IX0.9", "%QX1.0"])
def test_address_outside_the_image_is_a_mistake(station: LoadedStation, address: str) -> None:
    with pytest.raises(WrongFiles, match=r"is outside the (input|output) image: bytes 0 to"):
        controller(station, f"VAR Bit AT {address} : BOOL; END_VAR")
