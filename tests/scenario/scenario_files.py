"""A tiny station and its programs, and scenarios written around single steps."""

from __future__ import annotations

from pathlib import Path

from bench.report.result import ScenarioResult
from bench.suite import prepare, run_one

DIBBLER = Path(__file__).parents[2] / "scenarios" / "dibbler"

STATION = """\
station: Tiny
adapter:
  identity: {product_name: Tiny, serial: 7}
  assemblies: {input: 100, output: 150, configuration: 151}
  rpi_ms: {default: 10, minimum: 2}
modules:
  - {name: DI, kind: digital_input, points: 8, filter_ms: 3}
  - {name: DQ, kind: digital_output, points: 8, power: supply}
points:
  Start: {at: DI.0, from: start_button}
  Out:   {at: DI.1, from: rod.extended}
  Eye:   {at: DI.2, from: beam}
  Lamp:  {at: DQ.0, to: green_lamp}
  Push:  {at: DQ.1, to: rod_valve.14}
devices:
  supply: {kind: supply_24v}
  air: {kind: air_supply, pressure_bar: 6.0}
  start_button: {kind: push_button, contact: NO}
  beam: {kind: photo_eye, mode: dark_on}
  green_lamp: {kind: lamp, colour: green}
  rod_valve: {kind: valve_5_2, actuation: monostable, supply: air, C: 0.8, b: 0.35}
  rod:
    kind: cylinder
    bore_mm: 20
    rod_mm: 8
    stroke_mm: 50
    load_kg: 0.3
    valve: rod_valve
    throttle_out: {C: 0.06}
    switches: {extended: 48.0, retracted: 2.0}
"""

LOGIC = """\
PROGRAM Tiny
VAR_INPUT Start, Out, Eye : BOOL; END_VAR
VAR_OUTPUT Lamp, Push : BOOL; END_VAR
VAR Number, Divisor : INT; END_VAR
Lamp := Start;
Push := Eye;
IF Start THEN
    {started}
END_IF;
END_PROGRAM
"""
STARTED_LINE = 8


def write(folder: Path, steps: str, *, head: str = "", started: str | None = None) -> Path:
    """A scenario of *steps*; with *started*, a program that does that while Start is TRUE."""
    (folder / "station.yaml").write_text(STATION, encoding="utf-8")
    if started is not None:
        (folder / "tiny.st").write_text(LOGIC.replace("{started}", started), encoding="utf-8")
        head += "logic: tiny.st\n"
    lines = "".join(f"  - {line}\n" for line in steps.strip().splitlines())
    path = folder / "tiny.scenario.yaml"
    path.write_text(f"scenario: Tiny\nstation: station.yaml\n{head}steps:\n{lines}", encoding="utf-8")
    return path


def run(path: Path) -> ScenarioResult:
    return run_one(prepare(path))
