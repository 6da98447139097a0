"""What the compiler says, and where: every sentence with its position."""

import pytest

from bench.errors import WrongFiles
from bench.logic import compile_program


def mistakes(text: str) -> list[str]:
    with pytest.raises(WrongFiles) as caught:
        compile_program(text, "a.st")
    return [str(mistake) for mistake in caught.value.mistakes]


DECLARED = "PROGRAM P\nVAR Start : BOOL; A : INT; D : DINT; R : REAL; T1 : TON; W : WORD; t : TIME; END_VAR\n"

STATEMENTS = [
    ("Stat := TRUE;", "3:1: P: Stat is not declared; nearest is Start"),
    ("Start = TRUE;", "3:7: P: = compares; write := to assign to Start"),
    ("A := 1", "3:7: P: expected ; after the statement, got END_PROGRAM"),
    ("A := ;", "3:6: P: expected a value, a variable or (, got ;"),
    ("A := (1 + A;", "3:12: P: expected ) for the ( at line 3 column 6, got ;"),
    ("IF Start A := 1; END_IF", "3:9: P: expected THEN, got A"),
    ("IF Start THEN A := 1;", "4:1: P: expected END_IF for the IF at line 3 column 1, got END_PROGRAM"),
    ("END_IF", "3:1: P: END_IF does not belong to any open statement"),
    (
        "IF A THEN ; END_IF",
        "3:4: P: condition of IF: expected BOOL, got INT; compare it with a value, with = or >",
    ),
    ("A := D;", "3:6: P: value for A: expected INT, got DINT; write DINT_TO_INT(...)"),
    ("A := 40000;", "3:6: P: value for A: 40000 does not fit INT (-32768..32767)"),
    ("A := 1.5;", "3:6: P: value for A: 1.5 has a fraction; INT holds whole numbers"),
    ("t := 500;", "3:6: P: value for t: expected a duration such as T#500ms, got 500"),
    ("A := NOT A;", "3:6: P: NOT needs a BOOL or a bit string, got INT"),
    ("Start := A AND D;", "3:12: P: AND needs BOOL or bit strings, got DINT"),
    ("A := A + t;", "3:8: P: + cannot join INT and TIME"),
    ("A := A / 0;", "3:10: P: division by zero"),
    ("R := A ** 2;", "3:8: P: ** needs a REAL on its left, got INT"),
    ("T1.Q := TRUE;", "3:1: P: T1.Q is an output of the block; only the block writes it"),
    ("Start := T1;", "3:10: P: T1 is a TON, not a value; name an output, such as T1.Q"),
    ("Start := T1.Qq;", "3:10: P: TON has no Qq; it has Q, ET, IN, PT; nearest is Q"),
    ("T1(INN := Start);", "3:4: P: TON has no input INN; it has IN, PT; nearest is IN"),
    ("T1(IN := A);", "3:10: P: IN of T1: expected BOOL, got INT; compare it with a value, with = or >"),
    ("T1(Start, T#1s, 3);", "3:17: P: TON takes 2 inputs (IN, PT); this one is too many or given twice"),
    ("T1(EN := TRUE);", "3:4: P: T1: EN and ENO are not supported; write an IF"),
    ("TON(IN := Start);", "3:1: P: TON is a function block; declare an instance and call that"),
    (
        "Start := T1(IN := Start);",
        "3:10: P: T1 is a TON; call it in a statement of its own, then read its output",
    ),
    ("A := SQR(A);", "3:6: P: SQR is not a function known here"),
    ("A := LIMTI(1, A, 2);", "3:6: P: LIMTI is not a function known here; nearest is LIMIT"),
    ("A := LIMIT(1, A);", "3:6: P: LIMIT needs MN, IN, MX; MX is missing"),
    ("A[1] := 2;", "3:2: P: A[...]: arrays are not supported"),
    ("W.3 := TRUE;", "3:3: P: W.3: access to single bits is not supported"),
    (
        "%QX0.0 := TRUE;",
        "3:1: P: %QX0.0: addresses in statements are not supported; declare a variable AT %QX0.0",
    ),
    ("EXIT;", "3:1: P: EXIT stands outside of any loop"),
    (
        "FOR A := 1 TO 3 DO A := 2; END_FOR",
        "3:20: P: A controls a FOR that is open here; its body may not write it",
    ),
    ("FOR R := 1 TO 3 DO ; END_FOR", "3:5: P: FOR needs a variable of a whole number type, got REAL"),
    ("FOR A := 1 TO 3 BY 0 DO ; END_FOR", "3:20: P: FOR with BY 0 never ends"),
    ("FOR A = 1 TO 3 DO ; END_FOR", "3:6: P: expected := in the FOR, got ="),
    ("CASE R OF 1: ; END_CASE", "3:6: P: CASE needs a variable of a whole number type, got REAL"),
    ("CASE A OF D: ; END_CASE", "3:11: P: label: expected INT, got DINT; write DINT_TO_INT(...)"),
    ("CASE A OF 5..1: ; END_CASE", "3:11: P: the range 5..1 is empty"),
    ("A := 'x';", "3:6: P: 'x' is a text; texts are not supported"),
    ('A := "x', "3:6: the text literal is not closed on its line"),
    ("A := 1 ? 2;", "3:8: '?' is not part of Structured Text"),
    ("t := T#1s2h;", "3:6: P: T#1s2h: units go from d to ns, each once"),
    ("t := T#1h90m;", "3:6: P: T#1h90m: only the first unit may exceed its range; 90m does"),
    ("A := 3#12;", "3:6: P: 3#12: the base must be 2, 8 or 16"),
    ("A := 16#FG;", "3:6: P: 16#FG: FG is not a number of base 16"),
    ("W := WORD#70000;", "3:6: P: WORD#70000 does not fit WORD (0..65535)"),
    ("A := 1; VAR X : INT; END_VAR", "3:9: P: VAR must stand before the first statement"),
    ("Start := A <> 3 && Start;", "3:18: P: && is not an operator; write AND"),
    ("(* never closed", "3:1: the comment is not closed; expected *)"),
]


@pytest.mark.parametrize(("statement", "expected"), STATEMENTS)
def test_statement_message(statement: str, expected: str) -> None:
    assert f"a.st:{expected}" in mistakes(f"{DECLARED}{statement}\nEND_PROGRAM")


@pytest.mark.parametrize(("statement", "expected"), [row for row in STATEMENTS if "(*" not in row[0]])
def test_one_mistake_does_not_hide_the_next(statement: str, expected: str) -> None:
    found = mistakes(f"{DECLARED}{statement}\nEND_IF;\nUnheard := 1;\nEND_PROGRAM")
    assert "a.st:5:1: P: Unheard is not declared" in found


def test_a_stray_character_is_one_mistake() -> None:
    found = mistakes(f"{DECLARED}A := 1 ? 2; T1(IN := ?);\nEND_PROGRAM")
    assert [text[:9] for text in found if "warning" not in text] == ["a.st:3:8:", "a.st:3:22"]


DECLARATIONS = [
    (
        "A : ARRAY[1..3] OF INT;",
        "2:5: P: ARRAY: arrays are not supported; declare one variable for each element",
    ),
    ("A : STRING[10] := 'x';", "2:5: P: STRING: texts are not supported"),
    (
        "A : STRUCT B : INT; END_STRUCT;",
        "2:5: P: STRUCT: structures are not supported; declare one variable for each member",
    ),
    ("A : INTT;", "2:5: P: INTT is not a type known here; nearest is INT"),
    ("A : INT; a : BOOL;", "2:10: P: a is declared already, line 2"),
    ("A INT;", "2:2: P: expected : and a type after A, got INT"),
    ("A : INT := B;", "2:12: P: B is not declared"),
    ("B : INT; A : INT := B;", "2:10: P: initial value of A: only literals and constants may stand here"),
    ("A := 3;", "2:3: P: expected : and the type of A before the initial value"),
    ("IF : BOOL;", "2:1: P: expected the name of a variable, IF is a reserved word"),
    ("TON : BOOL;", "2:1: P: TON is the name of a standard function or block"),
    ("A AT %IW2 : BOOL;", "2:1: P: %IW2 holds 16 bits, BOOL needs 1"),
    ("A AT 12 : BOOL;", "2:6: P: expected an address such as %IX0.3 after AT, got 12"),
    ("A AT %ZZ : BOOL;", "2:1: P: %ZZ: expected an address such as %IX0.3, %QB1 or %IW2"),
    ("A : BOOL R_EDGE;", "2:10: P: R_EDGE is not supported; use an R_TRIG"),
    ("A : INT", "2:8: P: expected ; after the declaration of A, got END_VAR"),
    (
        "A : TON := (PT := T#1s);",
        "2:12: P: initial values inside a TON are not supported; set them in the call",
    ),
    ("A : INT (0..5);", "2:9: P: INT(...): subranges and enumerations are not supported"),
]


@pytest.mark.parametrize(("declaration", "expected"), DECLARATIONS)
def test_declaration_message(declaration: str, expected: str) -> None:
    assert f"a.st:{expected}" in mistakes(f"PROGRAM P VAR\n{declaration}\nEND_VAR END_PROGRAM")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "a.st:1:1: the file holds no PROGRAM"),
        (
            "PROGRAMM P END_PROGRAM",
            "a.st:1:1: expected PROGRAM, FUNCTION_BLOCK or VAR_GLOBAL, got PROGRAMM; nearest is PROGRAM",
        ),
        (
            "PROGRAM P VAR A : INT; A := 1; END_PROGRAM",
            "a.st:1:32: P: expected END_VAR for the VAR at line 1 column 11, got END_PROGRAM",
        ),
        (
            "PROGRAM P END_PROGRAM PROGRAM Q END_PROGRAM",
            "a.st:1:23: a second PROGRAM, Q; one file holds one PROGRAM",
        ),
        (
            "PROGRAM P A := 1;",
            "a.st:1:18: P: expected END_PROGRAM for the PROGRAM at line 1 column 1, got the end of the text",
        ),
        (
            "FUNCTION F : INT END_FUNCTION PROGRAM P END_PROGRAM",
            "a.st:1:1: FUNCTION is not supported; write a FUNCTION_BLOCK",
        ),
        (
            "TYPE T : INT; END_TYPE PROGRAM P END_PROGRAM",
            "a.st:1:1: TYPE is not supported; use the elementary types",
        ),
        (
            "PROGRAM P VAR_IN_OUT A : INT; END_VAR END_PROGRAM",
            "a.st:1:11: P: VAR_IN_OUT is not supported; use VAR_INPUT and VAR_OUTPUT",
        ),
        (
            "PROGRAM P VAR_INPUT A : TON; END_VAR END_PROGRAM",
            "a.st:1:25: P: VAR_INPUT takes values; an instance of TON belongs in VAR",
        ),
        ("PROGRAM P VAR CONSTANT A : INT; END_VAR END_PROGRAM", "a.st:1:24: P: the constant A needs a value"),
        ("PROGRAM P VAR CONSTANT A : INT := 1; END_VAR A := 2; END_PROGRAM", "a.st:1:46: P: A is a constant"),
        (
            "FUNCTION_BLOCK F VAR G : F; END_VAR END_FUNCTION_BLOCK",
            "a.st:1:1: F: FUNCTION_BLOCK F contains itself",
        ),
    ],
)
def test_file_message(text: str, expected: str) -> None:
    assert expected in mistakes(text)


def test_all_mistakes_at_once_in_file_order() -> None:
    found = mistakes(
        f"{DECLARED}A := TRUE;\nStat := 1;\nIF R THEN\n  D := T#1s;\nEND_IF\nT1(PT := 5) END_PROGRAM"
    )
    places = [text.split(" ")[0].removeprefix("a.st:") for text in found]
    assert places == ["3:6:", "4:1:", "5:4:", "6:8:", "8:10:", "8:12:"]


def test_warnings_do_not_stop_the_program() -> None:
    text = "PROGRAM P VAR_INPUT X : DINT; END_VAR VAR R : REAL; T1 : TON; END_VAR R := X; X := 1; END_PROGRAM"
    warnings = [str(warning) for warning in compile_program(text, "a.st").warnings]
    assert warnings == [
        "a.st:1:53: warning: P: T1 is declared but never called",
        "a.st:1:76: warning: P: value for R: DINT becomes REAL; DINT_TO_REAL says so",
        "a.st:1:79: warning: P: X is an input; what is written here is overwritten",
    ]


def test_lenient_where_programs_in_the_field_are() -> None:
    declared = "\ufeffprogram p var a : int; end_var; var end_var "
    body = "if a = 0 then a := 5 ; end_if case a of 5: a := 6; end_case end_program"
    instance = compile_program(declared + body, "a.st").instance()
    instance.scan(0)
    assert instance.get("A") == 6
