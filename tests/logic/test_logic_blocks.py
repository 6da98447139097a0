"""Truth of the bistables (IEC 61131-3 ed. 3, table 43), edges (table 44) and counters (table 45)."""

import pytest

from bench.logic import Instance, compile_program


def block(kind: str, pins: str) -> Instance:
    """A block whose BOOL inputs `pins` are variables of the same name with an X in front."""
    names = pins.split()
    inputs = " ".join(f"X{name} : BOOL;" for name in names)
    call = ", ".join(f"{name} := X{name}" for name in names)
    text = f"PROGRAM P VAR_INPUT {inputs} PV : INT := 2; END_VAR VAR B : {kind}; END_VAR"
    counter = ", PV := PV" if kind.startswith("CT") else ""
    return compile_program(f"{text} B({call}{counter}); END_PROGRAM", "p.st").instance()


def trace(instance: Instance, output: str, **levels: str) -> str:
    values = []
    for scan in range(len(next(iter(levels.values())))):
        for pin, text in levels.items():
            instance.set(f"X{pin}", text[scan] == "1")
        instance.scan(scan)
        values.append(int(instance.get(f"B.{output}")))
    return " ".join(map(str, values))


def test_table_43_sr_set_dominates() -> None:
    assert trace(block("SR", "S1 R"), "Q1", S1="0100110", R="0001100") == "0 1 1 0 1 1 1"


def test_table_43_rs_reset_dominates() -> None:
    assert trace(block("RS", "S R1"), "Q1", S="0100110", R1="0001100") == "0 1 1 0 0 1 1"


@pytest.mark.parametrize(("levels", "expected"), [("0110111", "0 1 0 0 1 0 0"), ("1101", "1 0 0 1")])
def test_table_44_r_trig(levels: str, expected: str) -> None:
    assert trace(block("R_TRIG", "CLK"), "Q", CLK=levels) == expected


@pytest.mark.parametrize(("levels", "expected"), [("1100101", "0 0 1 0 0 1 0"), ("0010", "1 0 0 1")])
def test_table_44_f_trig_first_scan_low_is_an_edge(levels: str, expected: str) -> None:
    assert trace(block("F_TRIG", "CLK"), "Q", CLK=levels) == expected


def test_table_45_ctu_counts_rises_and_r_wins() -> None:
    levels = {"CU": "0101110101", "R": "0000000010"}
    counted = trace(block("CTU", "CU R"), "CV", **levels)
    assert (counted, trace(block("CTU", "CU R"), "Q", **levels)) == (
        "0 1 1 2 2 2 2 3 0 1",
        "0 0 0 1 1 1 1 1 0 0",
    )


def test_table_45_ctu_with_pv_0_is_true_at_once() -> None:
    counter = block("CTU", "CU R")
    counter.set("PV", 0)
    assert trace(counter, "Q", CU="0", R="0") == "1"


def test_table_45_ctu_stops_at_the_highest_int() -> None:
    counter = block("CTU", "CU R")
    counter.getter("B.CV")
    counter.scan(0)
    for scan in range(2 * 32_770):
        counter.set("XCU", scan % 2 == 0)
        counter.scan(scan)
    assert counter.get("B.CV") == 32_767


def test_table_45_ctd_ld_loads_and_q_is_true_before_any_load() -> None:
    levels = {"CD": "0001010101", "LD": "0100000010"}
    counted = trace(block("CTD", "CD LD"), "CV", **levels)
    assert (counted, trace(block("CTD", "CD LD"), "Q", **levels)) == (
        "0 2 2 1 1 0 0 -1 2 1",
        "1 0 0 0 0 1 1 1 0 0",
    )


def test_inputs_left_out_keep_their_value() -> None:
    text = "PROGRAM P VAR B : SR; END_VAR B.S1 := TRUE; B(); END_PROGRAM"
    instance = compile_program(text, "p.st").instance()
    instance.scan(0)
    assert instance.get("B.Q1") is True


def test_positional_inputs_and_outputs_by_arrow() -> None:
    declared = "PROGRAM P VAR B : CTU; N : DINT; Full : BOOL; END_VAR "
    text = declared + "B(TRUE, FALSE, 1, CV => N, Q => Full); END_PROGRAM"
    instance = compile_program(text, "p.st").instance()
    instance.scan(0)
    assert (instance.get("N"), instance.get("Full")) == (1, True)


OWN = """
FUNCTION_BLOCK Twice
  VAR_INPUT In : INT; END_VAR
  VAR_OUTPUT Out : INT; END_VAR
  VAR T1 : TON; Calls : INT; END_VAR
  Calls := Calls + 1;
  IF In < 0 THEN Out := 10 / Calls; RETURN; END_IF
  T1(IN := TRUE, PT := T#5ns);
  Out := In * 2;
END_FUNCTION_BLOCK
PROGRAM P
  VAR A, B : Twice; Sum : INT; END_VAR
  A(In := 4); B(In := A.Out, Out => Sum);
  B(-1);
END_PROGRAM
"""


def test_blocks_of_the_file_have_memory_of_their_own() -> None:
    instance = compile_program(OWN, "p.st").instance()
    instance.scan(0)
    instance.scan(5)
    seen = [instance.get(name) for name in ("Sum", "A.Calls", "B.Calls", "B.Out", "a.t1.q")]
    assert seen == [16, 2, 4, 2, True]
