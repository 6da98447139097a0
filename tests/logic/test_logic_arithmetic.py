"""Arithmetic of the elementary types: wrap, truncation, rounding, faults."""

import math
import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import LogicFault
from bench.logic import compile_program

Value = bool | int | float


def result(type_name: str, expression: str, declarations: str = "") -> Value:
    text = f"PROGRAM P VAR {declarations} X : {type_name}; END_VAR X := {expression}; END_PROGRAM"
    instance = compile_program(text, "p.st").instance()
    instance.scan(0)
    return instance.get("X")


@pytest.mark.parametrize(
    ("type_name", "high", "low"),
    [
        ("SINT", 127, -128),
        ("INT", 32_767, -32_768),
        ("DINT", 2**31 - 1, -(2**31)),
        ("LINT", 2**63 - 1, -(2**63)),
        ("USINT", 255, 0),
        ("UINT", 65_535, 0),
        ("UDINT", 2**32 - 1, 0),
        ("ULINT", 2**64 - 1, 0),
    ],
)
def test_integers_wrap_in_both_directions(type_name: str, high: int, low: int) -> None:
    up = result(type_name, "A + 1", f"A : {type_name} := {high};")
    assert (up, result(type_name, "A - 1", f"A : {type_name} := {low};")) == (low, high)


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("A / 2", -3),
        ("7 / -2", -3),
        ("A MOD 4", -3),
        ("A MOD Z", 0),
        ("-A * 3 - 1", 20),
        ("LOW / -1", -32_768),
        ("-LOW", -32_768),
        ("ABS(LOW)", -32_768),
        ("BIG + BIG - BIG", 32_767),
        ("(BIG + BIG) / 2", -1),
        ("MIN(A, 3, 12)", -7),
        ("MAX(A, Z)", 0),
        ("LIMIT(-5, A, 5)", -5),
        ("SEL(A < 0, 1, 2)", 2),
        ("16#FF + 2#1010_0101 + 8#17", 435),
        ("INT#16#7F", 127),
        ("REAL_TO_INT(2.5) + REAL_TO_INT(1.5) * 10 + REAL_TO_INT(-1.5) * 100", -178),
        ("DINT_TO_INT(70000)", 4464),
        ("BOOL_TO_INT(TRUE) + TIME_TO_INT(T#1s5ms)", 1006),
    ],
)
def test_int_expressions(expression: str, expected: int) -> None:
    declared = "A : INT := -7; Z : INT; LOW : INT := -32768; BIG : INT := 32767;"
    assert result("INT", expression, declared) == expected


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("NOT W", 0xFF00),
        ("W AND 16#0F0F", 0x000F),
        ("W & 16#0F0F OR 16#8000", 0x800F),
        ("W XOR 16#FFFF", 0xFF00),
        ("BOOL_TO_WORD(TRUE)", 1),
    ],
)
def test_word_expressions(expression: str, expected: int) -> None:
    assert result("WORD", expression, "W : WORD := 16#00FF;") == expected


def test_real_rounds_to_32_bits_after_each_operation() -> None:
    single: Callable[[float], float] = lambda x: struct.unpack("<f", struct.pack("<f", x))[0]  # noqa: E731
    a, b = single(0.1), single(0.7)
    expected = single(single(a * b) + single(a / b))
    assert result("REAL", "A * B + A / B", "A : REAL := 0.1; B : REAL := 0.7;") == expected


def test_real_overflow_is_an_infinity() -> None:
    assert result("REAL", "A * A", "A : REAL := 3.0E38;") == math.inf


def test_lreal_keeps_64_bits() -> None:
    assert result("LREAL", "A / 3", "A : LREAL := 0.1;") == 0.1 / 3


@pytest.mark.parametrize(
    ("expression", "expected"),
    [("-2 ** 2", 4.0), ("2.0 ** 3 ** 2", 64.0), ("3 + 4 * 2.0", 11.0), ("I / 2 + 0.5", 3.5)],
)
def test_real_expressions(expression: str, expected: float) -> None:
    assert result("REAL", expression, "I : INT := 7;") == expected


@pytest.mark.parametrize(
    ("literal", "expected"),
    [
        ("T#1s500ms", 1_500_000_000),
        ("TIME#25h_15m", 90_900_000_000_000),
        ("T#-14ms", -14_000_000),
        ("t#1.5s", 1_500_000_000),
        ("T#2us + T#3ns", 2_003),
        ("T#10ms * 2.5", 25_000_000),
        ("T#10ms / 4 - T#1ms", 1_500_000),
        ("DINT_TO_TIME(20)", 20_000_000),
        ("MAX(T#1s, T#2s)", 2_000_000_000),
    ],
)
def test_time(literal: str, expected: int) -> None:
    assert result("TIME", literal) == expected


@pytest.mark.parametrize("expression", ["1 / I", "U / U", "1.0 / R", "REAL_TO_INT(1.0 / R)", "R ** -1"])
def test_division_by_zero_names_file_line_and_unit(expression: str) -> None:
    kind = "UINT" if "U" in expression else "INT" if "I" in expression else "REAL"
    declared = f"VAR I : INT; U : UINT; R : REAL; X : {kind}; END_VAR"
    text = f"PROGRAM Mill\n{declared}\n\nX := {expression};\nEND_PROGRAM"
    with pytest.raises(LogicFault) as caught:
        compile_program(text, "mill.st").instance().scan(0)
    assert (caught.value.file, caught.value.line, caught.value.unit) == ("mill.st", 4, "Mill")


def test_fault_inside_a_block_names_the_block() -> None:
    block = "FUNCTION_BLOCK F VAR A : INT; END_VAR\nA := 1 / A;\nEND_FUNCTION_BLOCK\n"
    text = block + "PROGRAM P VAR B : F; END_VAR B(); END_PROGRAM"
    with pytest.raises(LogicFault) as caught:
        compile_program(text, "p.st").instance().scan(0)
    assert str(caught.value) == "p.st:2: F: division by zero"


# generated expressions against a naive evaluator of the same tree

Tree = tuple[object, ...]
LEAVES = {"a": 32_767, "b": -7, "c": 3, "d": 0}


def trees() -> st.SearchStrategy[Tree]:
    leaf = st.one_of(
        st.sampled_from(sorted(LEAVES)).map(lambda name: ("name", name)),
        st.integers(0, 32_767).map(lambda value: ("int", value)),
    )
    return st.recursive(
        leaf,
        lambda inner: st.one_of(
            st.tuples(st.sampled_from(["+", "-", "*", "MOD"]), inner, inner),
            st.tuples(st.just("neg"), inner),
        ),
        max_leaves=12,
    )


def text_of(tree: Tree) -> str:
    match tree:
        case ("name", str(name)):
            return name
        case ("int", int(value)):
            return f"INT#{value}"
        case ("neg", tuple(inner)):
            return f"-({text_of(inner)})"
        case (str(op), tuple(left), tuple(right)):
            return f"({text_of(left)} {op} {text_of(right)})"
    raise AssertionError(tree)


def naive(tree: Tree) -> int:
    """Each operation on its own, wrapped at once."""
    match tree:
        case ("name", str(name)):
            return LEAVES[name]
        case ("int", int(value)):
            return value
        case ("neg", tuple(inner)):
            return wrap(-naive(inner))
        case ("+", tuple(left), tuple(right)):
            return wrap(naive(left) + naive(right))
        case ("-", tuple(left), tuple(right)):
            return wrap(naive(left) - naive(right))
        case ("*", tuple(left), tuple(right)):
            return wrap(naive(left) * naive(right))
        case ("MOD", tuple(left), tuple(right)):
            divisor = naive(right)
            return 0 if divisor == 0 else int(math.fmod(naive(left), divisor))
    raise AssertionError(tree)


def wrap(value: int) -> int:
    return (value + 32_768) % 65_536 - 32_768


@given(trees())
def test_integer_expressions_agree_with_a_naive_evaluator(tree: Tree) -> None:
    declared = " ".join(f"{name} : INT := {value};" for name, value in LEAVES.items())
    assert result("INT", text_of(tree), declared) == naive(tree)


WORDS = {"AND": "and", "OR": "or", "=": "==", "<>": "!=", "XOR": "!="}


@st.composite
def boolean_texts(draw: st.DrawFn, depth: int = 4) -> tuple[str, str]:
    """The same expression in both languages; Python's with a parenthesis for every operator."""
    kind = draw(st.sampled_from(["leaf", "not", *WORDS])) if depth else "leaf"
    if kind == "leaf":
        name = draw(st.sampled_from(["p", "q", "r"]))
        return name, name
    left, python_left = draw(boolean_texts(depth - 1))
    if kind == "not":
        return f"NOT ({left})", f"(not {python_left})"
    right, python_right = draw(boolean_texts(depth - 1))
    return f"({left}) {kind} ({right})", f"({python_left} {WORDS[kind]} {python_right})"


@given(boolean_texts(), st.tuples(st.booleans(), st.booleans(), st.booleans()))
def test_boolean_expressions_agree_with_python(
    texts: tuple[str, str], levels: tuple[bool, bool, bool]
) -> None:
    values = dict(zip("pqr", levels, strict=True))
    declared = " ".join(f"{name} : BOOL := {value};" for name, value in values.items())
    assert result("BOOL", texts[0], declared) is eval(texts[1], {}, values)


@pytest.mark.parametrize(
    ("expression", "expected"),
    [
        ("NOT p AND q", False),
        ("p OR q XOR q AND q", True),
        ("p XOR q OR p", True),
        ("NOT p = q", True),
        ("1 + 1 = 2 AND 3 > 2 * 1", True),
        ("p = q = q", True),
        ("1 < 2 = p", True),
        ("p & NOT q", True),
    ],
)
def test_precedence(expression: str, expected: bool) -> None:
    assert result("BOOL", expression, "p : BOOL := TRUE; q : BOOL;") is expected
