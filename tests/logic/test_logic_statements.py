"""Statements of IEC 61131-3 ed. 3, table 72."""

import pytest

from bench.errors import LogicFault
from bench.logic import Instance, compile_program

DECLARED = "PROGRAM P VAR I, J, N : INT; S : INT; Q : BOOL; K : USINT; END_VAR\n"


def run(body: str, scans: int = 1) -> Instance:
    instance = compile_program(DECLARED + body + "\nEND_PROGRAM", "p.st").instance()
    for scan in range(scans):
        instance.scan(scan)
    return instance


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("FOR I := 1 TO 4 DO N := N + I; END_FOR", 10),
        ("FOR I := 4 TO 1 BY -1 DO N := N * 10 + I; END_FOR;", 4321),
        ("FOR I := 3 TO 1 DO N := 1; END_FOR; N := N + I;", 3),
        ("FOR I := 32766 TO 32767 DO N := N + 1; END_FOR", 2),
        ("FOR K := 250 TO 255 DO N := N + 1; END_FOR", 6),
        ("FOR I := 1 TO 9 DO IF I = 4 THEN EXIT; END_IF N := I; END_FOR", 3),
        ("FOR I := 1 TO 5 DO IF I = 4 THEN CONTINUE; END_IF N := N + I; END_FOR", 11),
        ("J := 3; FOR I := 1 TO J DO J := 9; N := I; END_FOR", 3),
        ("FOR I := 1 TO 3 DO FOR J := 1 TO 3 DO N := N + 1; EXIT; END_FOR; END_FOR", 3),
        ("WHILE N < 7 DO N := N + 2; END_WHILE", 8),
        ("REPEAT N := N + 1; UNTIL N >= 5 END_REPEAT", 5),
        ("REPEAT N := N + 1; IF N < 3 THEN CONTINUE; END_IF UNTIL N > 1; END_REPEAT;", 2),
        ("N := 1; RETURN; N := 2;", 1),
        ("IF Q THEN N := 1; ELSIF NOT Q THEN N := 2; ELSE N := 3; END_IF", 2),
        ("IF Q THEN N := 1; ELSIF Q THEN ELSE N := 3; END_IF", 3),
        (";;; N := 4;;", 4),
        ("(* a (* nested *) b *) N := 5; // line\n /* c /* d */ e */ {pragma} ", 5),
    ],
)
def test_statement(body: str, expected: int) -> None:
    assert run(body).get("N") == expected


@pytest.mark.parametrize(
    ("selector", "expected"), [(1, 10), (2, 20), (3, 20), (5, 30), (9, 30), (10, 40), (-4, 50)]
)
def test_case(selector: int, expected: int) -> None:
    arms = "1: N := 10; 2, 3: N := 20; 5..9: N := 30; -4: N := 50; ELSE N := 40;"
    assert run(f"S := {selector}; CASE S OF {arms} END_CASE").get("N") == expected


def test_case_label_may_be_a_constant() -> None:
    text = "PROGRAM P VAR CONSTANT IDLE : INT := 5; END_VAR VAR S : INT := 5; N : INT; END_VAR"
    instance = compile_program(
        text + " CASE S OF IDLE: N := IDLE + 1; END_CASE END_PROGRAM", "p.st"
    ).instance()
    instance.scan(0)
    assert instance.get("N") == 6


@pytest.mark.parametrize(
    "loop",
    [
        "WHILE TRUE DO\nN := 1;\nEND_WHILE",
        "REPEAT\nN := 1;\nUNTIL FALSE END_REPEAT",
        "FOR I := 1 TO 1001 DO\nN := 1;\nEND_FOR",
    ],
)
def test_a_runaway_loop_stops_at_its_line(loop: str) -> None:
    instance = compile_program(f"{DECLARED}N := 0;\n{loop}\nEND_PROGRAM", "p.st").instance(loop_limit=1000)
    with pytest.raises(LogicFault) as caught:
        instance.scan(0)
    assert str(caught.value) == "p.st:3: P: the loop runs past its scan period"


def test_exactly_the_limit_is_allowed() -> None:
    program = compile_program(f"{DECLARED} FOR I := 1 TO 1000 DO N := I; END_FOR END_PROGRAM", "p.st")
    instance = program.instance(loop_limit=1000)
    instance.scan(0)
    instance.scan(1)
    assert instance.get("N") == 1000


def test_loops_of_blocks_count_for_the_scan_that_calls_them() -> None:
    block = "FUNCTION_BLOCK F VAR I : INT; END_VAR\nFOR I := 1 TO 60 DO ; END_FOR\nEND_FUNCTION_BLOCK\n"
    program = compile_program(f"{block}PROGRAM P VAR A, B : F; END_VAR A(); B(); END_PROGRAM", "p.st")
    with pytest.raises(LogicFault) as caught:
        program.instance(loop_limit=100).scan(0)
    assert (caught.value.line, caught.value.unit) == (2, "F")


def test_temporaries_start_anew_and_variables_do_not() -> None:
    text = "PROGRAM P VAR_TEMP T : INT := 5; END_VAR VAR V : INT; END_VAR T := T + 1; V := V + T; END_PROGRAM"
    instance = compile_program(text, "p.st").instance()
    instance.scan(0)
    instance.scan(1)
    assert instance.get("V") == 12
