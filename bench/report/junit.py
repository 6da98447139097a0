"""The suite as JUnit XML, the form that build servers read.

There is no formal standard; the elements used here (testsuites, testsuite, testcase, properties, failure,
error) are the common subset. Common practice, no source.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

from bench.report.result import ScenarioResult, SuiteResult, Verdict
from bench.report.words import failure_lines, plain, violation_lines
from bench.units import NS_PER_S

# Characters outside production 2 (Char) of XML 1.0, fifth edition: no escape can carry them.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_xml(suite: SuiteResult) -> str:
    """One `testcase` a scenario; `time` is wall time in seconds, the digest is a property."""
    totals = {
        "tests": str(len(suite.scenarios)),
        "failures": str(suite.count(Verdict.FAILED)),
        "errors": str(suite.count(Verdict.ERROR)),
        "time": f"{sum(scenario.wall_s for scenario in suite.scenarios):.6f}",
    }
    root = ElementTree.Element("testsuites", totals)
    group = ElementTree.SubElement(root, "testsuite", {"name": "scenarios", **totals})
    for scenario in suite.scenarios:
        group.append(_case(scenario))
    ElementTree.indent(root)
    body = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _case(scenario: ScenarioResult) -> ElementTree.Element:
    names = {"classname": _scrub(plain(scenario.file)), "name": _scrub(plain(scenario.title))}
    case = ElementTree.Element("testcase", {**names, "time": f"{scenario.wall_s:.6f}"})
    properties = ElementTree.SubElement(case, "properties")
    for name, value in _properties(scenario):
        ElementTree.SubElement(properties, "property", {"name": name, "value": _scrub(value)})
    if scenario.verdict is not Verdict.PASSED:
        case.append(_reason(scenario))
    return case


def _properties(scenario: ScenarioResult) -> list[tuple[str, str]]:
    found = [
        ("digest", scenario.digest),
        ("mode", scenario.mode),
        ("simulated_s", f"{scenario.duration_ns / NS_PER_S:.9f}"),
    ]
    return found + [("force_left", plain(force)) for force in scenario.forces_left]


def _reason(scenario: ScenarioResult) -> ElementTree.Element:
    lines: list[str] = []
    for failure in scenario.failures:
        lines += failure_lines(failure, scenario)
    for number, violation in enumerate(scenario.violations, start=1):
        lines += violation_lines(violation, number, scenario.file)
    tag = "error" if scenario.verdict is Verdict.ERROR else "failure"
    element = ElementTree.Element(
        tag, {"message": _scrub(_message(scenario)), "type": scenario.verdict.value}
    )
    element.text = _scrub("\n".join(lines))
    return element


def _message(scenario: ScenarioResult) -> str:
    if scenario.failures:
        return plain(scenario.failures[0].sentence)
    if scenario.violations:
        return f"rule broken: {plain(scenario.violations[0].rule)}"
    return scenario.verdict.value


def _scrub(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)
