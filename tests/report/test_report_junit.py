from __future__ import annotations

import dataclasses
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from bench.report import Failure, ScenarioResult, SuiteResult, Verdict
from bench.report.junit import junit_xml
from bench.trace import Trace

GOLDEN = """\
<?xml version="1.0" encoding="UTF-8"?>
<testsuites tests="1" failures="0" errors="0" time="0.010000">
  <testsuite name="scenarios" tests="1" failures="0" errors="0" time="0.010000">
    <testcase classname="one_tray.scenario.yaml" name="One tray is clamped" time="0.010000">
      <properties>
        <property name="digest" value="0123456789abcdef" />
        <property name="mode" value="virtual time" />
        <property name="simulated_s" value="1.000000000" />
      </properties>
    </testcase>
  </testsuite>
</testsuites>
"""


def test_a_passed_scenario(passed: ScenarioResult) -> None:
    assert junit_xml(SuiteResult((passed,))) == GOLDEN


def test_a_failed_scenario_says_why(failed: ScenarioResult) -> None:
    root = ElementTree.fromstring(junit_xml(SuiteResult((failed,))))
    reason = root.find(".//failure")
    assert reason is not None
    assert (reason.get("message"), (reason.text or "").splitlines()[:3]) == (
        "Alarm did not come.",
        [
            "FAILED at step 3, bench time 1000.000 ms",
            "  Alarm did not come.",
            "  expected  Alarm within 300 ms",
        ],
    )


def test_a_broken_rule_alone_is_the_message(failed: ScenarioResult) -> None:
    root = ElementTree.fromstring(junit_xml(SuiteResult((dataclasses.replace(failed, failures=()),))))
    assert [each.get("message") for each in root.iter("failure")] == ["rule broken: never NOT Clamped"]


def test_an_error_is_not_a_failure(failed: ScenarioResult) -> None:
    root = ElementTree.fromstring(
        junit_xml(SuiteResult((dataclasses.replace(failed, verdict=Verdict.ERROR),)))
    )
    assert (root.get("errors"), len(root.findall(".//error")), root.find(".//failure")) == ("1", 1, None)


@given(st.text(st.characters()), st.text(st.characters()))
def test_any_text_gives_well_formed_xml(title: str, sentence: str) -> None:
    failure = Failure(None, sentence, title, sentence, 0, ())
    scenario = ScenarioResult(
        title,
        sentence,
        Verdict.FAILED,
        1,
        0.0,
        title,
        (),
        (),
        (failure,),
        (title,),
        (),
        Trace(),
        (),
        "",
        None,
    )
    root = ElementTree.fromstring(junit_xml(SuiteResult((scenario,))).encode("utf-8"))
    assert len(root.findall(".//testcase")) == 1
