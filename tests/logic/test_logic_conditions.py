"""Conditions of scenarios."""

import pytest

from bench.errors import LogicFault, WrongFiles
from bench.logic import compile_condition

KINDS = {
    "Start": "BOOL",
    "TrayClamped": "BOOL",
    "logic.Step": "INT",
    "logic.T1.ET": "TIME",
    "clamp.position_mm": "REAL",
    "air.pressure_bar": "LREAL",
    "Exit": "BOOL",
}
VALUES = {
    "Start": True,
    "TrayClamped": False,
    "logic.Step": 20,
    "logic.T1.ET": 5_000_000,
    "clamp.position_mm": 98.2,
    "air.pressure_bar": 6.0,
    "Exit": True,
}


@pytest.mark.parametrize(
    ("text", "names", "expected"),
    [
        ("start AND NOT trayclamped", ("Start", "TrayClamped"), True),
        ("Logic.STEP >= 20 & clamp.position_mm > 98", ("logic.Step", "clamp.position_mm"), True),
        ("logic.T1.ET < T#5ms", ("logic.T1.ET",), False),
        ("logic.T1.ET <= T#5ms XOR Start", ("logic.T1.ET", "Start"), False),
        ("ABS(air.pressure_bar - 6.1) < 0.2", ("air.pressure_bar",), True),
        ("clamp.position_mm = 98.2", ("clamp.position_mm",), True),
        ("logic.Step MOD 7 = 6 AND Exit", ("logic.Step", "Exit"), True),
        ("TRUE", (), True),
    ],
)
def test_condition(text: str, names: tuple[str, ...], expected: bool) -> None:
    condition = compile_condition(text, KINDS, file="s.yaml", line=4, column=11)
    assert (condition.names, condition.evaluate(VALUES)) == (names, expected)


@pytest.mark.parametrize(
    ("text", "mistakes"),
    [
        (
            "TrayClampd AND Start",
            "s.yaml:4:11: TrayClampd is not a point, logic variable or quantity known here;"
            " nearest is TrayClamped",
        ),
        (
            "Start OR clamp.positon_mm > 3",
            "s.yaml:4:20: clamp.positon_mm is not a point, logic variable or quantity known here;"
            " nearest is clamp.position_mm",
        ),
        ("Start AND", "s.yaml:4:20: expected a value, a variable or (, got the end of the text"),
        (
            "logic.Step",
            "s.yaml:4:11: condition: expected BOOL, got INT; compare it with a value, with = or >",
        ),
        ("Start == Exit", "s.yaml:4:18: == is not an operator; write ="),
        (
            "Start\n AND Stat",
            "s.yaml:5:6: Stat is not a point, logic variable or quantity known here; nearest is Start",
        ),
        ("(Start", "s.yaml:4:17: expected ) for the ( at line 1 column 1, got the end of the text"),
        ("Start Exit", "s.yaml:4:17: expected an operator or the end of the condition, got Exit"),
        ("logic.Step > 1 OR Start > 'x'", "s.yaml:4:37: 'x' is a text; texts are not supported"),
        ("logic.Step > T#1s", "s.yaml:4:22: > cannot join INT and TIME"),
        (
            "Start(TRUE)",
            "s.yaml:4:11: Start is a value, not a function; an operator may be missing before the (",
        ),
    ],
)
def test_wrong_condition(text: str, mistakes: str) -> None:
    with pytest.raises(WrongFiles) as caught:
        compile_condition(text, KINDS, file="s.yaml", line=4, column=11)
    assert str(caught.value) == mistakes


def test_all_mistakes_of_a_condition_at_once() -> None:
    with pytest.raises(WrongFiles) as caught:
        compile_condition("Nope AND Neither", KINDS, file="s.yaml", line=1, column=1)
    assert [mistake.column for mistake in caught.value.mistakes] == [1, 10]


def test_division_by_zero_is_a_fault_of_the_condition() -> None:
    condition = compile_condition("1 / logic.Step > 0", KINDS, file="s.yaml", line=4, column=11)
    with pytest.raises(LogicFault) as caught:
        condition.evaluate({"logic.Step": 0})
    assert str(caught.value) == "s.yaml:4: condition: division by zero in 1 / logic.Step > 0"
