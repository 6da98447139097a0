"""The dibbler station: loads without a warning, and its images are as written down here."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from bench.station import LoadedStation, Station, load_station, station_schema
from bench.station.model import Cylinder

FILE = Path(__file__).parents[2] / "scenarios" / "dibbler" / "station.yaml"

IMAGES = """\
in 0.0 TrayPresent DI.0 tray_eye NO
in 0.1 TrayClamped DI.1 clamp.extended NO
in 0.2 TrayUnclamped DI.2 clamp.retracted NO
in 0.3 DibbleDown DI.3 dibble.extended NO
in 0.4 DibbleUp DI.4 dibble.retracted NO
in 0.5 Ejected DI.5 pusher.extended NO
in 0.6 EjectHome DI.6 pusher.retracted NO
in 0.7 JetFlow DI.7 jet_flow NO
in 1.1 Start DI.9 start_button NO
in 1.2 CycleStop DI.10 stop_button NC
in 1.3 Reset DI.11 reset_button NO
in 1.4 PowerOn DI.12 switched_24v.on NO
in 1.5 EStopReleased DI.13 e_stop NC
out 0.0 LampReady DQ.0 ready_lamp -
out 0.1 LampRun DQ.1 run_lamp -
out 0.2 LampAlarm DQ.2 alarm_lamp -
out 0.3 LampReset DQ.3 reset_lamp -
out 1.0 ClampTray VB.0 clamp_valve.14 -
out 1.1 LowerDibble VB.1 dibble_valve.14 -
out 1.2 EjectOut VB.2 pusher_valve.14 -
out 1.3 EjectBack VB.3 pusher_valve.12 -
out 1.4 BlowJet VB.4 jet_valve.14 -
"""


@pytest.fixture(scope="module")
def dibbler() -> LoadedStation:
    return load_station(FILE.read_text(encoding="utf-8"), "station.yaml")


def test_it_loads_without_warnings(dibbler: LoadedStation) -> None:
    assert dibbler.warnings == ()


def test_its_images(dibbler: LoadedStation) -> None:
    layout = dibbler.layout
    lines = [
        f"{p.direction} {p.byte}.{p.bit} {p.tag} {p.address} {p.device} {p.contact or '-'}\n"
        for p in (*layout.inputs, *layout.outputs)
    ]
    assert ("".join(lines), layout.input_size, layout.output_size) == (IMAGES, 2, 2)


def test_tags_are_found_letter_case_aside(dibbler: LoadedStation) -> None:
    found = dibbler.layout.find("STARt")
    assert (found and found.address, dibbler.layout.find("Nobody")) == ("DI.9", None)


def test_each_stroke_takes_a_fifth_to_seven_tenths_of_a_second(dibbler: LoadedStation) -> None:
    # meter-out with a choked throttle: v = C p0 / A of the exhausting side (ISO 6358 definition of C)
    times_s = []
    for arm in dibbler.model.devices.values():
        if isinstance(arm, Cylinder) and arm.throttle_out is not None:
            for rod_mm in (arm.rod_mm, 0.0):
                area_m2 = math.pi / 4 * (arm.bore_mm**2 - rod_mm**2) * 1e-6
                times_s.append(arm.stroke_mm / 1000 * area_m2 / (arm.throttle_out.C * 1e-8 * 1e5))
    assert (len(times_s), min(times_s) > 0.2, max(times_s) < 0.7) == (6, True, True)


def test_modules_start_on_whole_bytes() -> None:
    text = FILE.read_text(encoding="utf-8").replace("points: 16", "points: 14")
    text = text.replace("  - {name: DQ,", "  - {name: DX, kind: digital_input, points: 9}\n  - {name: DQ,")
    text = text.replace("at: DI.7,", "at: DX.8,")
    layout = load_station(text, "f").layout
    jet_flow = layout.find("JetFlow")
    assert (jet_flow and (jet_flow.byte, jet_flow.bit), layout.input_size) == ((3, 0), 4)


def test_a_model_does_not_change(dibbler: LoadedStation) -> None:
    with pytest.raises(ValidationError, match="frozen"):
        dibbler.model.station = "other"


def dangling(schema: Any, root: dict[str, Any]) -> list[str]:
    """References of a schema that point nowhere."""
    if isinstance(schema, list):
        return [name for entry in schema for name in dangling(entry, root)]
    if not isinstance(schema, dict):
        return []
    name = schema.get("$ref")
    own = [name] if isinstance(name, str) and name.removeprefix("#/$defs/") not in root["$defs"] else []
    return own + [name for entry in schema.values() for name in dangling(entry, root)]


def test_the_schema_is_whole_and_stable() -> None:
    schema = station_schema()
    assert (dangling(schema, schema), json.dumps(schema)) == ([], json.dumps(station_schema()))


def test_the_schema_knows_the_keys_a_file_uses(dibbler: LoadedStation) -> None:
    schema = station_schema()
    points = schema["$defs"]["Point"]["properties"]
    used = {key for entry in dibbler.document.data["points"].values() for key in entry}
    assert (set(dibbler.document.data) <= set(schema["properties"]), used <= set(points)) == (True, True)


def test_the_schema_takes_a_switch_as_a_number() -> None:
    assert station_schema()["$defs"]["PositionSwitch"]["anyOf"][0]["type"] == "number"


def test_the_schema_refuses_unknown_keys() -> None:
    defs = station_schema()["$defs"].values()
    objects = [entry.get("anyOf", [entry])[-1] for entry in defs]
    assert all(entry["additionalProperties"] is False for entry in objects)


def test_the_model_round_trips(dibbler: LoadedStation) -> None:
    assert Station.model_validate(dibbler.model.model_dump(by_alias=True)) == dibbler.model
