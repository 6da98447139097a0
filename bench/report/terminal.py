"""The suite on a terminal or in a build log, for a person.

Everything a person wrote goes through `Text`, never through markup, so brackets in it stay brackets. Colour
only repeats what the words say. A console that cannot encode a character gets an escape or an ASCII drawing.
"""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from bench.report.picture import Mark, timing_picture
from bench.report.points import bare_table, encodable
from bench.report.result import ScenarioResult, StepResult, SuiteResult, Verdict
from bench.report.words import counted, failure_lines, plain, ratio_text, seconds_text, violation_lines
from bench.units import ms_text

_STYLES = {Verdict.PASSED: "bold green", Verdict.FAILED: "bold red", Verdict.ERROR: "bold magenta"}
_INDENT = 2
_WIDEST_PICTURE = 160  # beyond this a cell is finer than the eye follows


def render_suite(result: SuiteResult, console: Console, verbose: bool = True) -> None:
    """Every scenario, then one line of totals; not `verbose`: one line for a scenario that passed."""
    for scenario in result.scenarios:
        render_scenario(scenario, console, verbose or scenario.verdict is not Verdict.PASSED)
    _say(console, summary_text(result), _STYLES[result.verdict])


def render_scenario(scenario: ScenarioResult, console: Console, full: bool = True) -> None:
    """Title, steps, what failed and why, what is left on, and the timing picture."""
    _title(scenario, console, full)
    if not full:
        _left_on(scenario, console)
        return
    if scenario.steps:
        _steps(scenario, console)
    for failure in scenario.failures:
        _block(failure_lines(failure, scenario), _STYLES[scenario.verdict], console)
    for number, violation in enumerate(scenario.violations, start=1):
        _block(violation_lines(violation, number, scenario.file), "bold red", console)
    _left_on(scenario, console)
    if scenario.pictured:
        _picture(scenario, console)


def summary_text(result: SuiteResult) -> str:
    """`2 scenarios: 1 passed, 1 failed; 3.412 s simulated in 0.051 s (67 x real time)`."""
    parts = [f"{result.count(Verdict.PASSED)} passed", f"{result.count(Verdict.FAILED)} failed"]
    if stopped := result.count(Verdict.ERROR):
        parts.append(counted(stopped, "error"))
    simulated_ns = sum(scenario.duration_ns for scenario in result.scenarios)
    wall_s = sum(scenario.wall_s for scenario in result.scenarios)
    ratio = ratio_text(simulated_ns, wall_s)
    text = f"{counted(len(result.scenarios), 'scenario')}: {', '.join(parts)}"
    text += f"; {seconds_text(simulated_ns)} simulated in {wall_s:.3f} s"
    return f"{text} ({ratio})" if ratio else text


def _say(console: Console, text: str, style: str = "", indent: int = 0) -> None:
    """`text` wrapped at the console's width, each line `indent` deep and without trailing blanks."""
    whole = Text(encodable(text, console), style=style)
    for line in whole.wrap(console, max(console.width - indent, 1)):
        line.rstrip()
        console.print(Text(" " * indent).append_text(line), no_wrap=True, overflow="crop")


def _title(scenario: ScenarioResult, console: Console, full: bool) -> None:
    title = encodable(plain(scenario.title), console)
    console.print(Text.assemble((scenario.verdict.value, _STYLES[scenario.verdict]), "  ", (title, "bold")))
    if full:
        _say(console, plain(scenario.file), "dim", _INDENT)
        _say(console, _facts(scenario), "dim", _INDENT)
        console.print()


def _facts(scenario: ScenarioResult) -> str:
    facts = [f"{seconds_text(scenario.duration_ns)} {scenario.mode}"]
    if ratio := ratio_text(scenario.duration_ns, scenario.wall_s):
        facts.append(ratio)
    if scenario.lateness_ns is not None:
        facts.append(f"latest event {ms_text(scenario.lateness_ns)} ms late")
    return ", ".join([*facts, f"trace {scenario.digest[:12]}"])


def _steps(scenario: ScenarioResult, console: Console) -> None:
    table = bare_table(console)
    table.add_column("#", justify="right", no_wrap=True)
    for name in ("step", "expected", "seen"):
        table.add_column(name, overflow="fold")
    table.add_column("at ms", justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    failed_ns = {failure.step: failure.t_ns for failure in scenario.failures}
    for step in scenario.steps:
        words = (step.text, step.expected, step.seen)
        texts = [Text(encodable(plain(word), console)) for word in words]
        when = _when(step, failed_ns.get(step.number))
        style = "dim" if step.verdict is None else ""
        table.add_row(Text(str(step.number)), *texts, Text(when), _state(step), style=style)
    console.print(Padding(table, (0, 0, 0, _INDENT), expand=False))


def _when(step: StepResult, failed_ns: int | None) -> str:
    """When it was seen, else when it failed, else when it began."""
    if step.verdict is None:
        return "-"
    times = (step.seen_ns, failed_ns, step.start_ns)
    return ms_text(next(t_ns for t_ns in times if t_ns is not None))


def _state(step: StepResult) -> Text:
    if step.verdict is None:
        return Text("not run")
    if step.verdict is Verdict.PASSED:
        return Text("ok", style="green")
    return Text(step.verdict.value, style=_STYLES[step.verdict])


def _block(lines: list[str], style: str, console: Console) -> None:
    """The first line in colour, the others as deep as they are; a blank line before."""
    console.print()
    _say(console, lines[0], style, _INDENT)
    for line in lines[1:]:
        text = line.lstrip()
        _say(console, text, "", _INDENT + len(line) - len(text))


def _left_on(scenario: ScenarioResult, console: Console) -> None:
    if scenario.forces_left or scenario.notes:
        console.print()
    for force in scenario.forces_left:
        _say(console, f"FORCE LEFT ON  {plain(force)}", "bold yellow", _INDENT)
    for note in scenario.notes:
        _say(console, f"note: {plain(note)}", "", _INDENT)


def _picture(scenario: ScenarioResult, console: Console) -> None:
    ascii_only = console.options.ascii_only
    width = min(console.width, _WIDEST_PICTURE) - _INDENT
    marks = picture_marks(scenario)
    lines = timing_picture(
        scenario.trace, scenario.pictured, scenario.duration_ns, width, marks, ascii_only=ascii_only
    )
    console.print()
    for line in lines:
        text = Text(" " * _INDENT + encodable(line, console).rstrip())
        console.print(_coloured(text), no_wrap=True, overflow="crop")
    if legend := _legend(marks, ascii_only):
        _say(console, legend, "dim", _INDENT)
    console.print()


def picture_marks(scenario: ScenarioResult) -> list[Mark]:
    """A mark for each expectation seen, each failure and each broken rule.

    A failure that only repeats a broken rule (no step, same instant) is not marked twice.
    """
    marks = [
        Mark(step.seen_ns, str(step.number))
        for step in scenario.steps
        if step.seen_ns is not None and step.expected and step.verdict is Verdict.PASSED
    ]
    broken = {violation.t_ns for violation in scenario.violations}
    for failure in scenario.failures:
        if failure.step is not None or failure.t_ns not in broken:
            marks.append(Mark(failure.t_ns, str(failure.step or ""), failed=True))
    for number, violation in enumerate(scenario.violations, start=1):
        marks.append(Mark(violation.t_ns, f"R{number}", failed=True))
    return marks


def _legend(marks: list[Mark], ascii_only: bool) -> str:
    seen, failed = ("^", "X") if ascii_only else ("▲", "✗")
    parts = []
    if any(not mark.failed for mark in marks):
        parts.append(f"{seen}n expectation of step n seen")
    if any(mark.failed and not mark.label.startswith("R") for mark in marks):
        parts.append(f"{failed}n step n failed")
    if any(mark.label.startswith("R") for mark in marks):
        parts.append(f"{failed}Rn rule broken")
    return "   ".join(parts)


def _coloured(text: Text) -> Text:
    text.highlight_regex(r"▲\d*", "green")
    text.highlight_regex(r"✗R?\d*", "bold red")
    return text
