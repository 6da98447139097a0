"""Timing diagrams of TON, TOF and TP: IEC 61131-3 ed. 3, table 46 (standard timers)."""

import pytest

from bench.logic import Instance, compile_program

MS = 1_000_000


def timer(kind: str, preset: str = "T#30ms") -> Instance:
    text = f"PROGRAM P VAR_INPUT X : BOOL; PT : TIME := {preset}; END_VAR VAR T1 : {kind}; END_VAR "
    return compile_program(text + "T1(IN := X, PT := PT); END_PROGRAM", "p.st").instance()


def trace(instance: Instance, levels: str, step_ms: int = 10) -> tuple[str, list[float]]:
    """Q as 0/1 and ET in ms, one scan each `step_ms`."""
    q, et = "", []
    for scan, level in enumerate(levels):
        instance.set("X", level == "1")
        instance.scan(scan * step_ms * MS)
        q += "1" if instance.get("T1.Q") else "0"
        et.append(instance.get("T1.ET") / MS)
    return q, et


def test_ton_rises_at_pt_holds_et_and_falls_with_in() -> None:
    assert trace(timer("TON"), "01111110") == ("00001110", [0, 0, 10, 20, 30, 30, 30, 0])


def test_ton_input_shorter_than_pt_gives_nothing() -> None:
    assert trace(timer("TON"), "1110111") == ("0000000", [0, 10, 20, 0, 0, 10, 20])


def test_ton_times_from_the_first_scan() -> None:
    assert trace(timer("TON"), "1111")[0] == "0001"


@pytest.mark.parametrize("preset", ["T#0s", "T#-5ms"])
def test_ton_without_delay_is_true_in_the_same_scan(preset: str) -> None:
    assert trace(timer("TON", preset), "01") == ("01", [0, 0])


def test_tof_falls_at_pt_and_holds_et_until_in_rises() -> None:
    expected = ("01111100011", [0, 0, 0, 0, 10, 20, 30, 30, 30, 0, 0])
    assert trace(timer("TOF"), "01100000010") == expected


def test_tof_retriggered_before_pt_stays_on() -> None:
    assert trace(timer("TOF"), "100100000")[0] == "111111100"


def test_tof_never_on_stays_off() -> None:
    assert trace(timer("TOF"), "0000000") == ("0000000", [0] * 7)


def test_tp_lasts_pt_whatever_in_does() -> None:
    assert trace(timer("TP"), "01000000") == ("01110000", [0, 0, 10, 20, 0, 0, 0, 0])


def test_tp_holds_et_while_in_stays_on() -> None:
    assert trace(timer("TP"), "11111100") == ("11100000", [0, 10, 20, 30, 30, 30, 0, 0])


def test_tp_is_not_retriggerable_while_it_runs() -> None:
    assert trace(timer("TP"), "1010001110")[0] == "1110001110"


def test_pt_is_read_at_each_call() -> None:
    ton = timer("TON")
    trace(ton, "11")
    ton.set("PT", 15 * MS)
    ton.scan(15 * MS)
    assert ton.get("T1.Q") is True


def test_a_timer_not_called_jumps_to_the_time_elapsed() -> None:
    text = "PROGRAM P VAR_INPUT Go : BOOL := TRUE; END_VAR VAR T1 : TON; END_VAR"
    program = compile_program(text + " IF Go THEN T1(IN := TRUE, PT := T#1s); END_IF END_PROGRAM", "p.st")
    ton = program.instance()
    ton.scan(0)
    ton.set("Go", False)
    ton.scan(400 * MS)
    before = ton.get("T1.ET")
    ton.set("Go", True)
    ton.scan(700 * MS)
    assert (before, ton.get("T1.ET")) == (0, 700 * MS)
