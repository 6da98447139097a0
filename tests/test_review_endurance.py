"""What a station served for weeks, must not do: grow, or fall over what a program computes."""

from __future__ import annotations

from pathlib import Path

from bench.clock import Timeline
from bench.eip.events import Refused
from bench.logic import compile_program
from bench.net.memory import MemoryNetwork
from bench.suite import prepare, read_station, run_one
from bench.trace import Trace
from bench.world import KEPT_REFUSALS, World

STATION = Path(__file__).parents[1] / "scenarios/dibbler/station.yaml"


def world_of(logic: str) -> World:
    world = World(read_station(STATION), Timeline(), compile_program(logic, "p.st"))
    world.join_memory(MemoryNetwork(world.timeline))
    world.start()
    return world


def test_bounded_trace_forgets_the_oldest_only() -> None:
    whole, short = Trace(), Trace(keep=50)
    for t_ns in range(1_000):
        for trace in (whole, short):
            trace.add(t_ns, "AB"[t_ns % 2], t_ns)
    kept = list(short.all_changes())
    assert 50 <= len(kept) <= 100
    assert kept == list(whole.all_changes())[-len(kept) :]
    assert short.changes("A", 950) == whole.changes("A", 950)
    assert (short.value("B"), short.value_at("A", 985), short.signals()) == (999, 984, ("A", "B"))


def test_refusals_are_counted_and_the_last_ones_kept() -> None:
    world = world_of("PROGRAM P\nVAR x : BOOL; END_VAR\nx := TRUE;\nEND_PROGRAM\n")
    for number in range(1_000):
        world._from_adapter(Refused(0, "127.0.0.9", 1, (), f"refusal {number}"))
    assert (world.refused, len(world.refusals), world.refusals[-1].sentence) == (
        1_000,
        KEPT_REFUSALS,
        "refusal 999",
    )


def test_infinite_number_of_a_program_goes_into_the_trace_as_a_word() -> None:
    world = world_of(
        "PROGRAM P\nVAR x : REAL := 1.0E30; n : REAL; END_VAR\nx := x * 1.0E30;\nn := x - x;\nEND_PROGRAM\n"
    )
    world.timeline.run_until(100_000_000)
    assert (world.trace.value("logic.x"), len(world.trace.changes("logic.n"))) == ("inf", 1)


def test_running_time_of_a_timer_is_seen_in_the_scan_that_reaches_it(tmp_path: Path) -> None:
    (tmp_path / "station.yaml").write_text(STATION.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "p.st").write_text(
        "PROGRAM P\nVAR_INPUT Start : BOOL; END_VAR\nVAR T1 : TON; END_VAR\n"
        "T1(IN := Start, PT := T#10s);\nEND_PROGRAM\n"
    )
    scenario = tmp_path / "a.scenario.yaml"
    scenario.write_text(
        "scenario: time\nstation: station.yaml\nlogic: p.st\n"
        "steps:\n  - press: start_button\n  - {expect: logic.T1.ET >= T#100ms, within_ms: 3000}\n"
    )
    seen_ns = run_one(prepare(scenario)).steps[1].seen_ns
    assert seen_ns is not None
    assert seen_ns < 200_000_000
