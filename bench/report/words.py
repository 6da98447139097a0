"""The wording all reports share: values, times and the blocks that say why. No markup, no colour."""

from __future__ import annotations

import re

from bench.report.result import Failure, ScenarioResult, StepResult, Violation
from bench.trace import Change, Value
from bench.units import NS_PER_S, ms_text

# C0, C1, line and paragraph separators and marks that turn the writing direction: in a person's text they
# could break a table row, move the cursor or hide what stands there.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]+")


def plain(text: str) -> str:
    """`text` on one line: each run of control characters becomes one space."""
    return _CONTROL.sub(" ", text)


def value_text(value: Value | None) -> str:
    """A value as the trade writes it: TRUE, FALSE, numbers to six digits, texts as they are."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    return f"{value:.6g}" if isinstance(value, float) else plain(str(value))


def seconds_text(t_ns: int) -> str:
    """Nanoseconds as seconds with three decimals: `1.412 s`."""
    return f"{t_ns / NS_PER_S:.3f} s"


def ratio_text(simulated_ns: int, wall_s: float) -> str:
    """How many times faster than real time, or empty when the wall time is too short to say."""
    return f"{simulated_ns / NS_PER_S / wall_s:.3g} x real time" if wall_s > 0 else ""


def counted(number: int, noun: str) -> str:
    """`1 step`, `2 steps`."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def failure_lines(failure: Failure, scenario: ScenarioResult) -> list[str]:
    """Which step, the sentence, what was expected and seen, and the last changes, indented by two."""
    lines = [_heading(failure, scenario)]
    rows = (("", failure.sentence), ("expected  ", failure.expected), ("seen      ", failure.seen))
    lines += [f"  {name}{plain(text)}" for name, text in rows if text]
    lines.append(f"  where     {_where(failure, scenario)}")
    return lines + _change_table(failure.last_changes)


def _heading(failure: Failure, scenario: ScenarioResult) -> str:
    step = "" if failure.step is None else f"at step {failure.step}, "
    return f"{scenario.verdict.value} {step}bench time {ms_text(failure.t_ns)} ms"


def _where(failure: Failure, scenario: ScenarioResult) -> str:
    """`file:line` of the step, or the file alone when no step is to blame."""
    step = _step_of(failure, scenario)
    return plain(scenario.file) if step is None else f"{plain(scenario.file)}:{step.line}"


def _step_of(failure: Failure, scenario: ScenarioResult) -> StepResult | None:
    return next((step for step in scenario.steps if step.number == failure.step), None)


def _change_table(changes: tuple[Change, ...]) -> list[str]:
    """Times right-aligned and signals padded, so that the values stand in one column; nothing for none."""
    if not changes:
        return []
    rows = [(ms_text(c.t_ns), plain(c.signal), value_text(c.value)) for c in changes]
    time_width = max(len(time) for time, _, _ in rows)
    name_width = max(len(name) for _, name, _ in rows)
    table = [f"    {time:>{time_width}} ms  {name:<{name_width}}  {value}" for time, name, value in rows]
    return ["  last changes of the signals involved", *table]


def violation_lines(violation: Violation, number: int, file: str) -> list[str]:
    """The rule broken, why it stands there, and the values at that instant, indented by two."""
    lines = [
        f"RULE R{number} BROKEN, bench time {ms_text(violation.t_ns)} ms",
        f"  rule      {plain(violation.rule)}",
    ]
    if violation.because:
        lines.append(f"  because   {plain(violation.because)}")
    if violation.values:
        values = ", ".join(f"{plain(name)} {value_text(value)}" for name, value in violation.values)
        lines.append(f"  values    {values}")
    lines.append(f"  where     {plain(file)}:{violation.line}")
    return lines + _change_table(violation.last_changes)
