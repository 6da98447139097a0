"""Nothing of the source text reaches Python, and no text makes the compiler fall over."""

import contextlib
import random
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.errors import LogicFault, WrongFiles
from bench.logic import compile_condition, compile_program

HOSTILE = (
    "__class__",
    "import",
    "lambda",
    "s",
    "v0",
    "now_ns",
    "n",
    "divide",
    "Instance",
    "self",
    "None",
    "exec",
    "T",
)


@pytest.mark.parametrize("name", HOSTILE)
def test_python_words_are_ordinary_names(name: str) -> None:
    text = f"PROGRAM {name}x VAR {name} : INT := 3; T1 : TON; END_VAR {name} := {name} + 1; T1(); END_PROGRAM"
    instance = compile_program(text, "p.st").instance()
    instance.scan(0)
    assert instance.get(name) == 4


def test_generated_code_holds_no_name_of_the_source() -> None:
    text = "PROGRAM Foo VAR Secret : INT; Evil : TON; END_VAR Evil(IN := Secret > 1); (* Foo *) END_PROGRAM"
    words = set(re.findall(r"[A-Za-z_]\w*", compile_program(text, "Secret.st").source))
    assert not words & {"Foo", "Secret", "Evil"}


def test_a_dotted_name_reaches_no_python_attribute() -> None:
    with pytest.raises(WrongFiles, match="TON has no __class__"):
        compile_program("PROGRAM P VAR T1 : TON; X : BOOL; END_VAR X := T1.__class__; END_PROGRAM", "p.st")


def test_texts_of_conditions_are_never_evaluated() -> None:
    name = "__import__('os').system"
    with pytest.raises(WrongFiles):
        compile_condition(f"{name}('x')", {name: "BOOL"}, file="s", line=1, column=1)


@pytest.mark.parametrize(
    "expression",
    [
        "(" * 5_000 + "Q" + ")" * 5_000,
        "NOT " * 5_000 + "Q",
        "ABS(" * 3_000,
        " AND ".join(["Q"] * 5_000),
        " = ".join(["Q"] * 190),
        "(Q = " * 50 + " = ".join(["Q"] * 140) + ")" * 50,
    ],
)
def test_deep_expressions_are_refused_not_fatal(expression: str) -> None:
    with pytest.raises(WrongFiles, match="split"):
        compile_program(f"PROGRAM P VAR Q : BOOL; END_VAR Q := {expression}; END_PROGRAM", "p.st")


@pytest.mark.parametrize(
    "expression",
    [
        "(" * 60 + "Q" + ")" * 60,
        " OR ".join(["Q"] * 190),
        "NOT (" * 60 + "Q" + ")" * 60,
        " = ".join(["Q"] * 100),
    ],
)
def test_what_the_limits_allow_compiles(expression: str) -> None:
    text = f"PROGRAM P VAR Q : BOOL := TRUE; END_VAR Q := {expression}; END_PROGRAM"
    instance = compile_program(text, "p.st").instance()
    instance.scan(0)
    assert instance.get("Q") is True


def test_deep_statements_are_refused() -> None:
    with pytest.raises(WrongFiles, match="statements are nested deeper than 40"):
        compile_program("PROGRAM P VAR Q : BOOL; END_VAR " + "IF Q THEN " * 3_000, "p.st")


def test_deep_loops_are_refused() -> None:
    body = "WHILE TRUE DO " * 16 + "END_WHILE " * 16
    with pytest.raises(WrongFiles, match="loops are nested deeper than 15"):
        compile_program(f"PROGRAM P {body} END_PROGRAM", "p.st")


def test_as_deep_as_allowed_compiles() -> None:
    body = "WHILE Q DO " * 15 + "IF Q THEN " * 25 + "END_IF " * 25 + "END_WHILE " * 15
    compile_program(f"PROGRAM P VAR Q : BOOL; END_VAR {body} END_PROGRAM", "p.st").instance().scan(0)


WORDS = (
    "PROGRAM P END_PROGRAM FUNCTION_BLOCK F END_FUNCTION_BLOCK VAR VAR_INPUT VAR_OUTPUT CONSTANT END_VAR "
    "A B C T1 : ; := => , . .. ( ) + - * / ** MOD AND OR XOR NOT = <> < >= IF THEN ELSIF ELSE END_IF CASE OF "
    "END_CASE FOR TO BY DO END_FOR WHILE END_WHILE REPEAT UNTIL END_REPEAT EXIT CONTINUE RETURN BOOL INT "
    "REAL TIME TON SR 1 0 2.5 T#1s 16#F INT#5 TRUE FALSE %IX0.0 AT 'x' (* *) // [ ] ^ ABS MAX SEL LIMIT "
    "INT_TO_REAL REAL_TO_INT ARRAY TYPE é \x00 \n { }"
).split(" ")


def attempt(text: str) -> None:
    with contextlib.suppress(WrongFiles, LogicFault):
        compile_program(text, "p.st").instance(loop_limit=50).scan(0)


@given(st.text(max_size=200))
def test_random_text_gives_only_wrong_files(text: str) -> None:
    attempt(text)
    with pytest.raises(WrongFiles):
        compile_program("PROGRAM P\n'" + text, "p.st")


@settings(max_examples=400)
@given(st.lists(st.sampled_from(WORDS), max_size=60))
def test_random_words_give_only_wrong_files(words: list[str]) -> None:
    attempt("PROGRAM P VAR A, B : INT; C : BOOL; T1 : TON; END_VAR " + " ".join(words) + " END_PROGRAM")


SAMPLE = """PROGRAM P VAR A, B : INT; C : BOOL; T1 : TON; R : REAL; END_VAR
IF C AND A > 3 THEN A := A + 1; ELSIF NOT C THEN B := A / 2; ELSE R := A * 1.5; END_IF
CASE A OF 1: B := 2; 3, 4..6: T1(IN := C, PT := T#1s); ELSE C := T1.Q; END_CASE
FOR A := 1 TO 5 BY 2 DO B := B + MAX(A, 3); END_FOR
REPEAT A := A + 1; UNTIL A > 4 END_REPEAT
END_PROGRAM"""


@pytest.mark.parametrize("seed", range(300))
def test_damaged_programs_give_only_wrong_files(seed: int) -> None:
    chance = random.Random(seed)
    words = re.findall(r"\s+|\w+|\W", SAMPLE)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(words))
        words[at : at + chance.randint(0, 2)] = [chance.choice(words)] * chance.randint(0, 2)
    attempt("".join(words))
