"""Scenarios: steps, expectations, rules and faults, and the runner."""

from bench.scenario.load import Heading, read_heading, read_scenario
from bench.scenario.model import Rule, Scenario, Step
from bench.scenario.places import Places, places_of
from bench.scenario.runner import Run

__all__ = [
    "Heading",
    "Places",
    "Rule",
    "Run",
    "Scenario",
    "Step",
    "places_of",
    "read_heading",
    "read_scenario",
]
