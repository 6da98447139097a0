"""Jumpers, module status and the adapter section: images, defaults and every mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.errors import WrongFiles
from bench.station import LoadedStation, load_station

LOOPBACK = Path(__file__).parents[2] / "scenarios" / "loopback" / "station.yaml"

GOOD = """\
station: Jumpered
adapter:
  identity: {product_name: Jumpered, serial: 1}
  assemblies: {input: 100, output: 150, configuration: 151}
  rpi_ms: {default: 10, minimum: 2, maximum: 100}
  configuration_data: 0A 00 1F
  output_format: header
  outputs_by_message: refuse
  inactivity_s: 120
  connections: 128
  host_name: io-1.cell
modules:
  - {name: DQ, kind: digital_output, points: 4, power: main}
  - {name: DI, kind: digital_input, points: 4}
  - {name: D2, kind: digital_input, points: 8}
  - {name: ST, kind: module_status}
points:
  Out: {at: DQ.1}
  In: {at: DI.1, from: loop.1}
  OutputsGone: {at: ST.0, from: DQ.fault}
  Begin: {at: D2.0, from: start}
devices:
  main: {kind: supply_24v}
  start: {kind: push_button, contact: NO}
  loop: {kind: jumper, from: DQ, to: DI}
"""

IMAGES = """\
in 0.0 DI.0 loop.0
in 0.1 In loop.1
in 0.2 DI.2 loop.2
in 0.3 DI.3 loop.3
in 1.0 Begin start
in 2.0 OutputsGone DQ.fault
in 2.1 ST.1 DI.fault
in 2.2 ST.2 D2.fault
out 0.0 DQ.0 loop.0
out 0.1 Out loop.1
out 0.2 DQ.2 loop.2
out 0.3 DQ.3 loop.3
"""

# what to replace in GOOD, by what, and the one mistake that follows
TABLE = [
    (
        "from: DQ, to: DI}",
        "from: DO, to: DI}",
        "25:30: devices.loop.from: there is no module 'DO'; expected 'DQ'",
    ),
    (
        "from: DQ, to: DI}",
        "from: DQ, to: ST}",
        "25:38: devices.loop.to: ST is a module_status module; a jumper leads to an input module; "
        "expected 'DI' or 'D2'",
    ),
    (
        "from: DQ, to: DI}",
        "from: D2, to: DI}",
        "25:30: devices.loop.from: D2 is a digital_input module; a jumper leads from an output module; "
        "expected 'DQ'",
    ),
    (
        "digital_output, points: 4",
        "digital_output, points: 3",
        "25:38: devices.loop.to: DQ has 3 points, DI has 4; a jumper joins modules with equally many",
    ),
    (
        "{at: DQ.1}",
        "{at: DQ.1, to: start}",
        "18:23: points.Out.to: DQ.1 is wired to loop.1 already; leave 'to' out",
    ),
    (
        "from: loop.1",
        "from: loop.2",
        "19:24: points.In.from: DI.1 is wired to loop.1 already; leave 'from' out",
    ),
    (
        "from: DQ.fault",
        "from: DI.fault",
        "20:33: points.OutputsGone.from: ST.0 is wired to DQ.fault already; leave 'from' out",
    ),
    (
        "at: ST.0",
        "at: ST.3",
        "20:21: points.OutputsGone.at: 'ST.3' is outside ST, whose points are ST.0 to ST.2",
    ),
    (
        "0A 00 1F",
        "0A 0",
        "6:23: adapter.configuration_data: '0A 0' is no row of bytes; expected two hexadecimal digits each, "
        "such as 0A 00 1F",
    ),
    (
        "0A 00 1F",
        "10",
        "6:23: adapter.configuration_data: expected a word or text, got the number 10; put it in quotes",
    ),
    (
        "output_format: header",
        "output_format: heder",
        "7:18: adapter.output_format: 'heder' cannot stand here; did you mean 'header'?",
    ),
    (
        "outputs_by_message: refuse",
        "outputs_by_mesage: refuse",
        "8:3: adapter.outputs_by_mesage: unknown key 'outputs_by_mesage'; did you mean 'outputs_by_message'?",
    ),
    (
        "inactivity_s: 120",
        "inactivity_s: 3601",
        "9:17: adapter.inactivity_s: 3601 is out of range; expected 0 to 3600",
    ),
    (
        "connections: 128",
        "connections: 0",
        "10:16: adapter.connections: 0 is out of range; expected 1 to 1000",
    ),
    (
        "io-1.cell",
        "io 1",
        "11:14: adapter.host_name: 'io 1' is no host name; expected letters, digits, hyphens and dots",
    ),
    (
        "configuration: 151",
        "configuration: 152",
        "4:56: adapter.assemblies.configuration: assembly 152 is the configuration assembly already; "
        "each needs its own number",
    ),
    (
        "configuration: 151",
        "configuration: 151, listen_only: 100",
        "4:74: adapter.assemblies.listen_only: assembly 100 is the input assembly already; "
        "each needs its own number",
    ),
    (
        "maximum: 100",
        "maximum: 5",
        "5:21: adapter.rpi_ms.default: the default RPI 10 ms is above the maximum 5 ms",
    ),
]


def mistakes(text: str) -> list[str]:
    with pytest.raises(WrongFiles) as caught:
        load_station(text, "f")
    return [str(mistake).removeprefix("f:") for mistake in caught.value.mistakes]


def images(station: LoadedStation) -> str:
    places = (*station.layout.inputs, *station.layout.outputs)
    return "".join(f"{p.direction} {p.byte}.{p.bit} {p.tag} {p.device}\n" for p in places)


def test_jumpered_and_status_points_need_no_tag() -> None:
    station = load_station(GOOD, "f")
    assert (images(station), station.warnings) == (IMAGES, ())


@pytest.mark.parametrize(("old", "new", "sentence"), TABLE)
def test_mistake_is_named(old: str, new: str, sentence: str) -> None:
    assert GOOD.count(old) == 1
    assert mistakes(GOOD.replace(old, new)) == [sentence]


def test_a_module_is_jumpered_once() -> None:
    text = GOOD + "  more: {kind: jumper, from: DQ, to: DI}\n"
    assert [line.partition(": ")[2] for line in mistakes(text)] == [
        "devices.more.from: DQ is jumpered by 'loop' already",
        "devices.more.to: DI is jumpered by 'loop' already",
    ]


def test_a_jumpered_module_shares_its_name_with_no_device() -> None:
    found = mistakes(GOOD.replace("start", "dq").replace("Begin", "Go"))
    assert found == [
        "13:12: modules[0].name: 'DQ' is a device too; points without a tag are called DQ.0 and so on"
    ]


def test_the_loopback_station_is_what_peers_are_measured_with() -> None:
    station = load_station(LOOPBACK.read_text(encoding="utf-8"), "station.yaml")
    layout, adapter = station.layout, station.model.adapter
    numbers = adapter.assemblies
    assert (layout.input_size, layout.output_size, len(layout.inputs), len(layout.outputs)) == (
        32,
        32,
        256,
        256,
    )
    assert (numbers.input, numbers.output, numbers.configuration, adapter.rpi_ms.minimum) == (
        100,
        150,
        151,
        1,
    )
    assert station.warnings == ()
