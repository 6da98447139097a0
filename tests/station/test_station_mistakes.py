"""Every mistake a station file can hold: where it is reported and in which words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import WrongFiles
from bench.station.load import LoadedStation, load_station

GOOD = """\
station: Small
adapter:
  identity: {product_name: Small, serial: 1}
  assemblies: {input: 100, output: 150, configuration: 151}
  rpi_ms: {default: 10, minimum: 2}
modules:
  - {name: DI, kind: digital_input, points: 8, filter_ms: 3}
  - {name: VB, kind: valve_coils, points: 8, power: safe}
points:
  Begin: {at: DI.0, from: start}
  Out: {at: DI.1, from: arm.out}
  Estop: {at: DI.2, from: stop}
  JetFlow: {at: DI.3, from: flow}
  Push: {at: VB.0, to: valve.14}
  Ready: {at: VB.1, to: lamp}
devices:
  air: {kind: air_supply, pressure_bar: 6}
  p24: {kind: supply_24v}
  stop: {kind: emergency_stop}
  safe: {kind: safety_relay, supply: p24, stop: stop, reset: start}
  start: {kind: push_button, contact: NO}
  lamp: {kind: lamp, colour: green}
  valve: {kind: valve_5_2, actuation: monostable, supply: air}
  arm: {kind: cylinder, bore_mm: 20, rod_mm: 8, stroke_mm: 50, load_kg: 1, valve: valve, switches: {out: 48}}
  jet: {kind: air_jet, valve: valve, C: 0.2}
  flow: {kind: flow_switch, line: jet, on_l_min: 60}
"""

# what to replace in GOOD, by what, and the one mistake that follows
TABLE = [
    # the station's points and their wires
    ("DI.1,", "DI.0,", "11:13: points.Out.at: DI.0 is the address of 'Begin' already"),
    ("DI.1,", "DI.8,", "11:13: points.Out.at: 'DI.8' is outside DI, whose points are DI.0 to DI.7"),
    ("DI.1,", "DJ.1,", "11:13: points.Out.at: there is no module 'DJ'; expected 'DI' or 'VB'"),
    (
        "DI.1,",
        "DI-1,",
        "11:13: points.Out.at: 'DI-1' is no address; expected a module and a point, such as DI.9",
    ),
    (
        "from: start}",
        "from: strat}",
        "10:27: points.Begin.from: there is no signal 'strat'; did you mean 'start'?",
    ),
    (
        "from: arm.out",
        "from: arm.uot",
        "11:25: points.Out.from: there is no signal 'arm.uot': 'arm' is a cylinder; did you mean 'arm.out'?",
    ),
    (
        "from: arm.out",
        "from: lamp",
        "11:25: points.Out.from: there is no signal 'lamp': 'lamp' is a lamp and has no signal",
    ),
    (
        "to: valve.14",
        "to: valve.12",
        "14:24: points.Push.to: there is no load 'valve.12': 'valve' is a monostable valve_5_2; "
        "did you mean 'valve.14'?",
    ),
    ("to: lamp", "to: lmp", "15:25: points.Ready.to: there is no load 'lmp'; did you mean 'lamp'?"),
    (
        "to: lamp",
        "to: valve.14",
        "15:25: points.Ready.to: 'valve.14' is driven by 'Push' already; one load, one output",
    ),
    (
        "at: VB.1, to",
        "at: DI.5, to",
        "15:21: points.Ready.to: DI is a digital_input module and drives nothing; wire it 'from' a signal",
    ),
    (
        "at: DI.1, from",
        "at: VB.2, from",
        "11:19: points.Out.from: VB is a valve_coils module and reads nothing; wire it 'to' a load",
    ),
    (
        ", to: lamp",
        "",
        "15:3: points.Ready: the point is wired to nothing; say 'from' a signal or 'to' a load",
    ),
    (
        "to: lamp",
        "to: lamp, from: start",
        "15:21: points.Ready.to: a point is an input ('from') or an output ('to'), not both",
    ),
    ("at: DI.1, ", "", "11:3: points.Out.at: the key 'at' is missing"),
    ("at: DI.1", "att: DI.1, at: DI.1", "11:9: points.Out.att: unknown key 'att'; did you mean 'at'?"),
    # names
    (
        "  Out:",
        "  start2: {at: DI.6, from: start}\n  Start2:",
        "12:3: points.Start2: 'Start2' is the tag 'start2'",
    ),
    ("  Out:", "  Lamp:", "22:3: devices.lamp: 'lamp' is the tag 'Lamp' of line 11, letter case aside"),
    ("  Out:", "  2nd:", "11:3: points.2nd: '2nd' is not an IEC 61131-3 identifier"),
    ("  Out:", "  A__b:", "11:3: points.A__b: 'A__b' is not an IEC 61131-3 identifier"),
    (
        "  Out:",
        "  If:",
        "11:3: points.If: 'If' is a reserved word of the control language; take another name",
    ),
    ("{out: 48}", "{out: 48, 1: 2}", "24:110: devices.arm.switches.1: '1' is not an IEC 61131-3 identifier"),
    (
        "  Out:",
        "  Begin:",
        "11:3: points.Begin: the key 'Begin' is written twice; it stands on line 10 already",
    ),
    (
        "points:\n",
        "  - {name: DI, kind: digital_input, points: 4}\npoints:\n",
        "9:12: modules[2].name: a module 'DI' stands on line 7 already",
    ),
    # modules and supplies
    (", power: safe", "", "8:5: modules[1].power: the key 'power' is missing"),
    (
        "power: safe",
        "power: saef",
        "8:53: modules[1].power: there is no device 'saef'; expected a device of kind supply_24v or "
        "safety_relay; did you mean 'safe'?",
    ),
    (
        "power: safe",
        "power: air",
        "8:53: modules[1].power: 'air' is of kind air_supply; expected one of kind supply_24v or "
        "safety_relay: 'p24' or 'safe'",
    ),
    ("digital_input", "digtal_input", "7:22: modules[0].kind: unknown kind 'digtal_input'; did you mean"),
    (
        "kind: digital_input, ",
        "",
        "7:5: modules[0].kind: the key 'kind' is missing; expected 'digital_input', ",
    ),
    ("points: 8, f", "points: 65, f", "7:45: modules[0].points: 65 is out of range; expected 1 to 64"),
    ("points: 8, f", "points: NO, f", "7:45: modules[0].points: expected a whole number, got the word 'NO'"),
    (
        "points: 8, f",
        "points: 8.5, f",
        "7:45: modules[0].points: expected a whole number, got the number 8.5",
    ),
    # the adapter
    (
        "output: 150",
        "output: 100",
        "4:36: adapter.assemblies.output: assembly 100 is the input assembly already",
    ),
    (
        "default: 10",
        "default: 1",
        "5:21: adapter.rpi_ms.default: the default RPI 1 ms is below the minimum 2 ms",
    ),
    (
        "serial: 1",
        "serial: -1",
        "3:43: adapter.identity.serial: -1 is out of range; expected 0 to 4.29497e+09",
    ),
    (
        "name: Small",
        "name: 5",
        "3:28: adapter.identity.product_name: expected a word or text, got the number 5; put",
    ),
    ("modules:", "outputs_on_idle: clear\nmodules:", "6:1: outputs_on_idle: unknown key 'outputs_on_idle'; "),
    (
        "modules:",
        "  outputs_on_idle: clera\nmodules:",
        "6:20: adapter.outputs_on_idle: 'clera' cannot stand here; ",
    ),
    # devices
    (
        "supply: air",
        "supply: p24",
        "23:59: devices.valve.supply: 'p24' is of kind supply_24v; expected one of kind",
    ),
    (", supply: air", "", "23:3: devices.valve.supply: the key 'supply' is missing"),
    (
        "valve: valve, s",
        "valve: lamp, s",
        "24:83: devices.arm.valve: 'lamp' is of kind lamp; expected one of kind",
    ),
    (
        "valve: valve, C",
        "valve: vlave, C",
        "25:31: devices.jet.valve: there is no device 'vlave'; expected a device",
    ),
    (
        "line: jet",
        "line: arm",
        "26:35: devices.flow.line: 'arm' is of kind cylinder; expected one of kind air_jet",
    ),
    ("rod_mm: 8", "rod_mm: 20", "24:46: devices.arm.rod_mm: a rod of 20 mm does not fit a bore of 20 mm"),
    ("out: 48", "out: 51", "24:106: devices.arm.switches.out: 51 mm is outside the stroke of 0 to 50 mm"),
    (
        "out: 48",
        "out: {at_mm: -1}",
        "24:114: devices.arm.switches.out.at_mm: -1 mm is outside the stroke of 0",
    ),
    ("out: 48", "out: end", "24:106: devices.arm.switches.out: expected a position in mm, such as 98.0, or"),
    ("_bar: 6", "_bar: 17", "17:41: devices.air.pressure_bar: 17 is out of range; expected 0 to 16"),
    (
        "_bar: 6",
        "_bar: .nan",
        "17:41: devices.air.pressure_bar: expected a finite number, got the number nan",
    ),
    ("_bar: 6", "_bar: ~", "17:41: devices.air.pressure_bar: expected a number, got nothing"),
    ("C: 0.2", "C: 0", "25:41: devices.jet.C: 0 is out of range; expected above 0 and at most 200"),
    ("C: 0.2", "C: 0.2, port: 3", "25:52: devices.jet.port: expected 2 or 4, got the number 3"),
    (
        "colour: green",
        "colour: gren",
        "22:30: devices.lamp.colour: 'gren' cannot stand here; did you mean 'green'?",
    ),
    ("contact: NO", "contact: false", "21:39: devices.start.contact: expected 'NO' or 'NC', got false"),
    (
        "contact: NO",
        "contact: NC",
        "20:62: devices.safe.reset: 'start' is normally closed; a reset needs a normally",
    ),
    ("kind: lamp", "kind: lmap", "22:16: devices.lamp.kind: unknown kind 'lmap'; did you mean 'lamp'?"),
    (
        "{kind: supply_24v}",
        "24",
        "18:8: devices.p24: expected a mapping of keys and values, got the number 24",
    ),
    ("_min: 60", "_min: 4", "26:3: devices.flow.hysteresis_l_min: a hysteresis of 5 L/min would never let"),
    ("station: Small\n", "", "1:1: station: the key 'station' is missing"),
]


def told(text: str) -> list[str]:
    """What is said about a file, without its name."""
    with pytest.raises(WrongFiles) as caught:
        load_station(text, "f")
    return [str(mistake).removeprefix("f:") for mistake in caught.value.mistakes]


def test_the_table_starts_from_a_good_file() -> None:
    assert load_station(GOOD, "f").warnings == ()


@pytest.mark.parametrize(("old", "new", "expected"), TABLE, ids=[f"{row[0]}>{row[1]}" for row in TABLE])
def test_one_change_one_mistake(old: str, new: str, expected: str) -> None:
    assert GOOD.count(old) == 1
    assert [line[: len(expected)] for line in told(GOOD.replace(old, new))] == [expected]


def test_a_station_needs_24_volts() -> None:
    text = GOOD.replace("  p24: {kind: supply_24v}\n", "").replace("power: safe", "power: start")
    assert (
        "16:1: devices: no supply_24v among the devices; the adapter, its inputs and its outputs need one"
        in (told(text))
    )


def test_a_file_that_is_no_mapping() -> None:
    assert told("- 1\n") == ["1:1: expected a mapping of keys and values, got a list"]


def test_an_empty_file() -> None:
    assert told("") == ["1:1: expected a mapping of keys and values, got nothing"]


TEN = """\
station: Ten mistakes
adapter:
  identity: {product_name: Ten, serial: 1}
  rpi_ms: {default: 1, minimum: 2}
modules:
  - {name: DI, kind: digital_input, points: 8, filtr_ms: 3}
  - {name: VB, kind: valve_coils, points: 8, power: p24}
points:
  Start: {at: DI.8, from: button}
  Start: {at: DI.1, from: button}
  Out: {at: DI.2, from: arm.oot}
  Push: {at: DI.3, to: valve.14}
  Pull: {at: VB.3, to: valve.14}
devices:
  air: {kind: air_supply, pressure_bar: 17}
  p24: {kind: supply_24v}
  button: {kind: push_button, contact: NO}
  valve: {kind: valve_5_2, actuation: monostable, supply: p24}
  arm: {kind: cylinder, bore_mm: 20, rod_mm: 22, stroke_mm: 50, load_kg: 1, valve: valve, switches: {out: 51}}
"""


def test_ten_mistakes_at_once_in_file_order() -> None:
    assert [line.partition(":")[0] + " " + line.split(": ")[1] for line in told(TEN)] == [
        "4 adapter.rpi_ms.default",
        "6 modules[0].filtr_ms",
        "9 points.Start.at",
        "10 points.Start",
        "11 points.Out.from",
        "12 points.Push.to",
        "13 points.Pull.to",
        "15 devices.air.pressure_bar",
        "18 devices.valve.supply",
        "19 devices.arm.rod_mm",
        "19 devices.arm.switches.out",
    ]


def test_a_broken_device_is_told_once_and_still_a_near_word() -> None:
    text = GOOD.replace("contact: NO", "contact: NX").replace("from: start}", "from: strat}")
    assert told(text) == [
        "10:27: points.Begin.from: there is no signal 'strat'; did you mean 'start'?",
        "21:39: devices.start.contact: 'NX' cannot stand here; expected 'NO' or 'NC'",
    ]


@pytest.mark.parametrize(
    ("line", "warning"),
    [
        ("  Begin: {at: DI.0, from: start}\n", None),  # the relay still uses the button
        ("  Out: {at: DI.1, from: arm.out}\n", "no point reads arm.out"),
        ("  JetFlow: {at: DI.3, from: flow}\n", "nothing uses this flow_switch"),
        ("  Push: {at: VB.0, to: valve.14}\n", "no point drives valve.14"),
        ("  Ready: {at: VB.1, to: lamp}\n", "nothing uses this lamp"),
    ],
)
def test_what_nothing_uses_is_a_warning(line: str, warning: str | None) -> None:
    warnings = load_station(GOOD.replace(line, ""), "f").warnings
    assert ([w.sentence for w in warnings], all(w.warning for w in warnings)) == (
        [warning] * bool(warning),
        True,
    )


fragments = st.sampled_from(
    [
        *GOOD.splitlines(keepends=True),
        "points:\n",
        "devices: 3\n",
        "  arm: [1]\n",
        "modules: {a: 1}\n",
        "  x: {\n",
    ]
)


@given(st.lists(fragments, max_size=30).map("".join) | st.text(max_size=40))
def test_random_text_raises_nothing_but_wrong_files(text: str) -> None:
    assert isinstance(outcome(text), LoadedStation | WrongFiles)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text("ab.1", max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("ab", max_size=2), inner, max_size=3),
    max_leaves=6,
)


@given(
    st.sampled_from(["DI.1", "valve, s", "supply_24v", "out: 48", "{default: 10, minimum: 2}", "colour"]),
    values,
)
def test_a_random_value_anywhere_raises_nothing_but_wrong_files(old: str, value: object) -> None:
    text = GOOD.replace(old, repr(value).replace("None", "~"))
    assert isinstance(outcome(text), LoadedStation | WrongFiles)


def outcome(text: str) -> LoadedStation | WrongFiles:
    """What loading comes to; any other exception escapes."""
    try:
        return load_station(text, "f")
    except WrongFiles as refused:
        return refused
