"""Programs and instances as the caller sees them."""

import pytest

from bench.errors import LocalError
from bench.logic import Instance, Program, Variable, compile_program

TEXT = """PROGRAM Clamp
VAR_GLOBAL Mode : UINT; END_VAR
VAR_EXTERNAL Mode : UINT; END_VAR
VAR_INPUT
  Start AT %IX0.3 : BOOL;
END_VAR
VAR_OUTPUT RETAIN Lamp AT %q1.0 : BOOL := TRUE; END_VAR
VAR CONSTANT Preset : TIME := T#1s; Half : REAL := 1.0 / 2.0; END_VAR
VAR T1 : TON; Level, Other : INT := -(3 + 4); END_VAR
T1(IN := Start, PT := Preset);
END_PROGRAM
"""


@pytest.fixture
def program() -> Program:
    return compile_program(TEXT, "clamp.st")


@pytest.fixture
def instance(program: Program) -> Instance:
    return program.instance()


def test_variables_keep_section_address_and_place(program: Program) -> None:
    expected = Variable("Lamp", "BOOL", "VAR_OUTPUT", "%Q1.0", 7, 19)
    assert (program.name, program.file, program.find("LAMP")) == ("Clamp", "clamp.st", expected)


def test_names_in_declared_order(instance: Instance) -> None:
    assert instance.names() == (
        "Mode", "Start", "Lamp", "Preset", "Half", "T1.Q", "T1.ET", "Level", "Other",
    )  # fmt: skip


def test_initial_values(instance: Instance) -> None:
    assert [instance.get(name) for name in ("lamp", "Half", "Other", "Preset")] == [True, 0.5, -7, 10**9]


def test_types_of_pins(instance: Instance) -> None:
    assert (instance.types("T1.ET"), instance.types("start")) == ("TIME", "BOOL")


def test_bound_accessors(instance: Instance) -> None:
    write, read = instance.setter("Level"), instance.getter("level")
    write(12)
    assert (read(), instance.get("Level")) == (12, 12)


def test_instances_do_not_share_memory(program: Program) -> None:
    first, second = program.instance(), program.instance()
    first.set("Level", 1)
    assert second.get("Level") == -7


def test_two_instances_run_the_same(program: Program) -> None:
    runs = []
    for instance in (program.instance(), program.instance()):
        instance.set("Start", True)
        instance.scan(0)
        instance.scan(10**9)
        runs.append([instance.get(name) for name in instance.names()])
    assert runs[0] == runs[1]


@pytest.mark.parametrize(
    ("name", "value", "sentence"),
    [
        ("Levle", 1, "Clamp has no variable Levle; nearest is Level"),
        ("T1.X", 1, "Clamp has no variable T1.X"),
        ("T1", 1, "T1 of Clamp is a TON, not a value"),
        ("Preset", 1, "Preset of Clamp cannot be written"),
        ("T1.Q", True, "T1.Q of Clamp cannot be written"),
        ("Level", 40_000, "Level: 40000 does not fit INT (-32768..32767)"),
        ("Level", 1.5, "Level: 1.5 has a fraction; INT holds whole numbers"),
        ("Level.x", 1, "Clamp has no variable Level.x"),
    ],
)
def test_wrong_access_is_the_callers_fault(
    instance: Instance, name: str, value: float, sentence: str
) -> None:
    with pytest.raises(LocalError) as caught:
        instance.set(name, value)
    assert sentence in str(caught.value)


def test_loop_limit_below_one_is_refused(program: Program) -> None:
    with pytest.raises(LocalError, match="loop_limit is 0"):
        program.instance(loop_limit=0)
