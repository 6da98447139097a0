"""Results and what is made of them; the renderers are imported where they are used, for they are heavy."""

from bench.report.result import Failure, ScenarioResult, StepResult, SuiteResult, Verdict, Violation

__all__ = ["Failure", "ScenarioResult", "StepResult", "SuiteResult", "Verdict", "Violation"]
