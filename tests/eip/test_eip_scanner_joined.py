"""Our scanner and our adapter joined: every kind, class, trigger and format that both speak."""

from __future__ import annotations

from typing import Any

import pytest
from eip_link import MS, Link

from bench.eip.config import OutputFormat
from bench.eip.cyclic import INPUT_ONLY, LISTEN_ONLY
from bench.eip.events import Disconnected, Refused
from bench.eip.originator import Trigger
from bench.eip.transport import JoinGroup, LeaveGroup


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"transport_class": 0},
        {"kind": INPUT_ONLY},
        {"kind": INPUT_ONLY, "transport_class": 0},
        {"trigger": Trigger.CHANGE_OF_STATE},
        {"trigger": Trigger.APPLICATION, "inhibit_us": 2000},
        {"multicast": True},
        {"multicast": True, "kind": INPUT_ONLY},
        {"configuration_assembly": None},
        {"to_rpi_ns": 20 * MS},
    ],
)
def test_inputs_arrive_and_nothing_is_lost(changes: dict[str, Any]) -> None:
    link = Link(scanner=changes).connect()
    link.adapter.set_inputs(b"\xa5" * 32, link.now_ns)
    link.run_for(200 * MS)
    assert [str(event) for event in link.of(Refused) + link.of(Disconnected)] == []
    scanner = link.scanner
    assert (scanner.connected, scanner.inputs, scanner.lost, scanner.bad) == (True, b"\xa5" * 32, 0, 0)


@pytest.mark.parametrize("output_format", list(OutputFormat))
@pytest.mark.parametrize("transport_class", [0, 1])
def test_outputs_in_run_and_nothing_in_idle(output_format: OutputFormat, transport_class: int) -> None:
    changes = {"output_format": output_format, "transport_class": transport_class}
    link = Link({"output_format": output_format}, changes).connect(run=False)
    link.scanner.set_outputs(b"\x5a" * 32, link.now_ns)
    seen = []
    for run in (False, True, False):
        link.scanner.set_run(run, link.now_ns)
        link.run_for(20 * MS)
        seen.append((link.adapter.running, link.adapter.outputs[0]))
    assert seen == [(False, 0), (True, 0x5A), (False, 0)]


def test_a_heartbeat_owns_nothing() -> None:
    link = Link(scanner={"kind": INPUT_ONLY}).connect()
    link.run_for(50 * MS)
    (report,) = link.adapter.connections()
    assert (report.kind, report.frames_in, link.adapter.running) == ("input only", 6, False)


def test_listen_only_alone_is_refused_in_words() -> None:
    link = Link(scanner={"kind": LISTEN_ONLY, "multicast": True}).connect()
    told = [event.sentence for event in link.of(Refused) if event.sentence.startswith("target")]
    assert "0x0119 listen-only" in told[0]


def test_the_group_is_joined_and_left() -> None:
    link = Link(scanner={"multicast": True})
    carried: list[object] = []
    take = link.scanner.take_outgoing
    link.scanner.take_outgoing = lambda: [carried.append(sent) or sent for sent in take()]  # type: ignore
    link.connect().run_for(20 * MS)
    link.scanner.close(link.now_ns)
    link.pump()
    groups = [sent for sent in carried if isinstance(sent, JoinGroup | LeaveGroup)]
    assert [type(sent) for sent in groups] == [JoinGroup, LeaveGroup]
    assert {sent.group for sent in groups} == {"239.192.1.0"}  # (host id 1 - 1) * 32 above the first group


def test_sizes_are_learned_from_our_own_adapter() -> None:
    changes = {"learn_sizes": ("input", "output"), "input_size": 0, "output_size": 0}
    link = Link({"input_size": 7, "output_size": 3}, changes).connect()
    scanner = link.scanner
    assert (scanner.connected, len(scanner.inputs), len(scanner.outputs)) == (True, 7, 3)


def test_an_acceptable_rpi_is_named() -> None:
    link = Link(scanner={"rpi_ns": 1 * MS}).connect()
    told = [event.sentence for event in link.of(Refused) if event.sentence.startswith("target")]
    assert "acceptable are 2000 us O->T and 2000 us T->O" in told[0]
