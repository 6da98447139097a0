"""What a run found: plain values the scenario runner fills and every report reads."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from bench.trace import Change, Trace, Value


class Verdict(Enum):
    """PASSED: all held. FAILED: the machine or the logic did wrong. ERROR: the run could not go on."""

    PASSED = "PASSED"
    FAILED = "FAILED"
    ERROR = "ERROR"


@dataclass(frozen=True, slots=True)
class StepResult:
    """One step of a scenario.

    Args:
        number: counts from 1.
        text: the step as the person wrote it, one line.
        kind: the step's key word.
        expected: what was waited for; empty for a step that only acts.
        seen: what was found instead or at last; may be empty.
        start_ns: bench time at which the step began.
        seen_ns: bench time at which the expectation held (or the action was done), None if it never was.
        verdict: None for a step not reached.
        line: in the scenario's file, from 1.
    """

    number: int
    text: str
    kind: str
    expected: str
    seen: str
    start_ns: int
    seen_ns: int | None
    verdict: Verdict | None
    line: int


@dataclass(frozen=True, slots=True)
class Violation:
    """A rule that did not hold at `t_ns`: the person's reason for it, values, last changes before it."""

    rule: str
    because: str
    t_ns: int
    values: tuple[tuple[str, Value], ...]
    line: int
    last_changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Failure:
    """Why the scenario did not pass; `step` is None when no step is to blame (a rule, a stopped program)."""

    step: int | None
    sentence: str
    expected: str
    seen: str
    t_ns: int
    last_changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class ScenarioResult:
    """One scenario, run once.

    Args:
        duration_ns: simulated time.
        wall_s: time of this computer, measured by the caller.
        mode: "virtual time" or "real time".
        forces_left: forces still set at the end, one text each.
        pictured: signals for the timing picture, top to bottom.
        digest: of the trace, hex.
        lateness_ns: the latest event of a paced run; None in virtual time.
    """

    title: str
    file: str
    verdict: Verdict
    duration_ns: int
    wall_s: float
    mode: str
    steps: tuple[StepResult, ...]
    violations: tuple[Violation, ...]
    failures: tuple[Failure, ...]
    forces_left: tuple[str, ...]
    notes: tuple[str, ...]
    trace: Trace
    pictured: tuple[str, ...]
    digest: str
    lateness_ns: int | None


@dataclass(frozen=True, slots=True)
class SuiteResult:
    """All scenarios of one command, in the order run."""

    scenarios: tuple[ScenarioResult, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst verdict; ERROR when nothing ran, for nothing was shown to work."""
        found = {scenario.verdict for scenario in self.scenarios}
        if not found or Verdict.ERROR in found:
            return Verdict.ERROR
        return Verdict.FAILED if Verdict.FAILED in found else Verdict.PASSED

    @property
    def exit_status(self) -> int:
        """0 passed, 1 anything else; 2 stands for wrong files, which are refused before a run."""
        return 0 if self.verdict is Verdict.PASSED else 1

    def count(self, verdict: Verdict) -> int:
        """How many scenarios ended with `verdict`."""
        return sum(scenario.verdict is verdict for scenario in self.scenarios)
