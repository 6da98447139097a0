"""The station as the person wrote it: frozen models, units in the names, ranges checked.

Values marked *engineering default* have no published source; set them from the data sheet of the real
part where it matters. Pressures are gauge (bar(g)). Sonic conductance `C` is in dm3/(s bar) and the
critical pressure ratio `b` is without unit, both as in ISO 6358. Unknown keys are refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator
from pydantic.types import Strict

Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Text = Annotated[str, Strict()]
Word = Annotated[str, Strict(), Field(min_length=1, max_length=64)]

Conductance = Annotated[Number, Field(gt=0, le=200)]
"""Sonic conductance C, dm3/(s bar), ISO 6358."""
CriticalRatio = Annotated[Number, Field(ge=0, le=0.9)]
"""Critical pressure ratio b, ISO 6358."""


class Part(BaseModel):
    """Base of every piece of a station file."""

    model_config = ConfigDict(extra="forbid", frozen=True)


# --- the adapter ---


class Identity(Part):
    """What the adapter answers in its Identity object.

    `product_name` is a SHORT_STRING of at most 32 characters. Type 12 is a communications adapter
    (from memory, ODVA's public list of device types). `vendor_id` 0 belongs to nobody.
    """

    product_name: Annotated[Text, Field(min_length=1, max_length=32)]
    serial: Annotated[Whole, Field(ge=0, le=0xFFFF_FFFF)]
    vendor_id: Annotated[Whole, Field(ge=0, le=0xFFFF)] = 0
    device_type: Annotated[Whole, Field(ge=0, le=0xFFFF)] = 12
    product_code: Annotated[Whole, Field(ge=0, le=0xFFFF)] = 1
    major_revision: Annotated[Whole, Field(ge=1, le=127)] = 1
    minor_revision: Annotated[Whole, Field(ge=1, le=255)] = 1


AssemblyInstance = Annotated[Whole, Field(ge=1, le=0xFFFF)]


class Assemblies(Part):
    """Instance numbers: `input` is produced (T->O), `output` consumed (O->T).

    `input_only` and `listen_only` are the connection points that take the heartbeat of such connections.
    """

    input: AssemblyInstance = 100
    output: AssemblyInstance = 150
    configuration: AssemblyInstance = 151
    input_only: AssemblyInstance = 152
    listen_only: AssemblyInstance = 153


class PacketInterval(Part):
    """RPI in ms: the one a scanner is offered, and the shortest and longest the adapter accepts."""

    default: Annotated[Number, Field(ge=1, le=10_000)] = 10.0
    minimum: Annotated[Number, Field(ge=1, le=10_000)] = 2.0
    maximum: Annotated[Number, Field(ge=1, le=10_000)] = 10_000.0


LONGEST_CONFIGURATION = 510
"""Bytes: a data segment counts its 16-bit words in one byte (open Wireshark dissector)."""
_BYTES = re.compile(r"[0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*")
_HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?")


class Adapter(Part):
    """The adapter and what its outputs do in idle and after a connection timeout.

    `configuration_data`: the bytes, in hexadecimal, that an originator's data segment must equal; empty
    takes any. `outputs_by_message: accept` lets anybody who reaches the adapter set outputs that no
    connection owns by an explicit message, with no watchdog behind it: they stay until the next message.
    `output_format: zero_length` has no run/idle header; a frame without data is idle. `inactivity_s`
    closes quiet encapsulation sessions, 0 never. `connections` is how many it holds.
    """

    identity: Identity
    assemblies: Assemblies = Assemblies()
    configuration_data: Text = ""
    rpi_ms: PacketInterval = PacketInterval()
    outputs_on_idle: Literal["clear", "hold"] = "clear"
    outputs_on_timeout: Literal["clear", "hold"] = "clear"
    outputs_by_message: Literal["refuse", "accept"] = "refuse"
    output_format: Literal["header", "zero_length"] = "header"
    inactivity_s: Annotated[Whole, Field(ge=0, le=3600)] = 120
    connections: Annotated[Whole, Field(ge=1, le=1000)] = 128
    host_name: Annotated[Text, Field(max_length=64)] = ""

    @field_validator("configuration_data")
    @classmethod
    def _hexadecimal(cls, text: str) -> str:
        if text and not _BYTES.fullmatch(text):
            raise ValueError(
                f"{text[:60]!r} is no row of bytes; expected two hexadecimal digits each, such as 0A 00 1F"
            )
        if len(bytes.fromhex(text)) > LONGEST_CONFIGURATION:
            raise ValueError(
                f"{len(bytes.fromhex(text))} bytes; a data segment holds at most {LONGEST_CONFIGURATION}"
            )
        return text

    @field_validator("host_name")
    @classmethod
    def _plain_name(cls, text: str) -> str:
        if text and not _HOST_NAME.fullmatch(text):
            raise ValueError(f"{text!r} is no host name; expected letters, digits, hyphens and dots")
        return text


class Controller(Part):
    """The embedded controller: period of its cyclic task (ms, engineering default 10).

    Its connection times out after `timeout_multiplier` packet intervals; x4 to x512 are what the forward
    open can say, x16 is common practice. `multicast` asks for the inputs at a multicast group.
    """

    scan_ms: Annotated[Number, Field(ge=0.1, le=10_000)] = 10.0
    timeout_multiplier: Literal[4, 8, 16, 32, 64, 128, 256, 512] = 16
    multicast: Annotated[bool, Strict()] = False


# --- modules and points ---

PointCount = Annotated[Whole, Field(ge=1, le=64)]


class DigitalInput(Part):
    """A module of 24 V inputs.

    `filter_ms`: a level must hold this long before the point follows; 0 is none. The standard sets no
    filter; 3 ms is a common factory setting.
    """

    name: Word
    kind: Literal["digital_input"]
    points: PointCount
    filter_ms: Annotated[Number, Field(ge=0, le=1000)] = 3.0


class DigitalOutput(Part):
    """A module of 24 V outputs; `power` names the supply_24v or safety_relay that feeds them."""

    name: Word
    kind: Literal["digital_output"]
    points: PointCount
    power: Word


class ValveCoils(Part):
    """A valve manifold's coils; `power` as for digital outputs."""

    name: Word
    kind: Literal["valve_coils"]
    points: PointCount
    power: Word


class ModuleStatus(Part):
    """The adapter's own word on its modules: bit n is TRUE while the n-th other module is missing or faulted.

    A point at `ST.1` reads, say, `DQ.fault`; it needs no `from`.
    """

    name: Word
    kind: Literal["module_status"]


Module = Annotated[DigitalInput | DigitalOutput | ValveCoils | ModuleStatus, Field(discriminator="kind")]


class Point(Part):
    """One wire: where it ends at the adapter (`at: DI.9`), and the signal it brings or load it drives.

    At a jumpered module, and at one of kind module_status, the other end is known: neither is needed.
    """

    at: Word
    signal: Word | None = Field(default=None, alias="from")
    load: Word | None = Field(default=None, alias="to")
    note: Text = ""


# --- devices: supplies, operator controls ---

ButtonColour = Literal["red", "yellow", "green", "blue", "white", "grey", "black"]
LampColour = Literal["red", "yellow", "green", "blue", "white"]


class AirSupply(Part):
    """Compressed air behind the service unit; pressure in bar(g)."""

    kind: Literal["air_supply"]
    pressure_bar: Annotated[Number, Field(ge=0, le=16)] = 6.0


class Supply24V(Part):
    """The station's 24 V DC, not switched by the emergency stop."""

    kind: Literal["supply_24v"]


class EmergencyStop(Part):
    """A latching emergency stop with two normally closed channels.

    ISO 13850: it latches and is reset by hand at the device; releasing it starts nothing. A point that
    reads it reads TRUE while it is not actuated.
    """

    kind: Literal["emergency_stop"]


class SafetyRelay(Part):
    """Switches the 24 V of output modules; they name it as their `power`.

    It closes on a press of `reset` while `stop` is released, and opens `drop_out_ms` after `stop` is
    actuated (10-30 ms is usual, engineering default). `name.on` is its signal contact.
    """

    kind: Literal["safety_relay"]
    supply: Word
    stop: Word
    reset: Word
    drop_out_ms: Annotated[Number, Field(ge=10, le=500)] = 20.0


class PushButton(Part):
    """A momentary button; NO reads TRUE while pressed, NC reads TRUE at rest.

    Colours of IEC 60204-1, 10.2.1: start white, stop black, reset blue are the preferred ones.
    """

    kind: Literal["push_button"]
    contact: Literal["NO", "NC"]
    colour: ButtonColour | None = None


class Lamp(Part):
    """An indicator light; colours of IEC 60204-1, 10.3.2."""

    kind: Literal["lamp"]
    colour: LampColour


class Jumper(Part):
    """Joins point n of an output module to point n of an input module with as many points, all of them.

    A wire: it acts in the same instant, and without output power its inputs read FALSE. Points of jumpered
    modules that stand under no tag are called by their address, `DQ.5`; what a core carries is `loop.5`.
    """

    kind: Literal["jumper"]
    source: Word = Field(alias="from")
    sink: Word = Field(alias="to")


# --- devices: pneumatics ---


class Valve52(Part):
    """A 5/2 directional valve with coil 14, and coil 12 if bistable.

    Coil 14 joins port 1 to 4. Dead time `shift_ms` (10-25 ms) and opening time `ramp_ms` (2-5 ms) are
    engineering defaults, as are C and b (C 0.5-1.5 suits bores of 20 to 32 mm). `release_ms` and
    `release_ramp_ms` are the same for the way its spring takes it; left out, as the other way. Below
    `pilot_min_bar` (gauge, 1.5-2.5 in practice) an internally piloted valve does not shift, and a spring
    takes it back; 0 is a pilot fed from elsewhere.
    """

    kind: Literal["valve_5_2"]
    actuation: Literal["monostable", "bistable"]
    supply: Word
    C: Conductance = 0.8
    b: CriticalRatio = 0.35
    shift_ms: Annotated[Number, Field(ge=0, le=500)] = 15.0
    ramp_ms: Annotated[Number, Field(ge=0.1, le=500)] = 4.0
    release_ms: Annotated[Number, Field(ge=0, le=500)] | None = None
    release_ramp_ms: Annotated[Number, Field(ge=0.1, le=500)] | None = None
    pilot_min_bar: Annotated[Number, Field(ge=0, le=10)] = 0.0


class Restrictor(Part):
    """A throttle, a check valve's open passage, or any fixed resistance; b is an engineering default."""

    C: Conductance
    b: CriticalRatio = 0.35


def _position_alone(schema: dict[str, Any]) -> None:
    whole = dict(schema)
    schema.clear()
    schema["anyOf"] = [{"type": "number", "description": "at_mm alone"}, whole]


class PositionSwitch(Part):
    """A magnetic switch on a cylinder; a number alone is its `at_mm`.

    On while the piston is within half of `window_mm` of `at_mm` (window 4-8 mm of travel, hysteresis
    1 mm: engineering defaults), off again `hysteresis_mm` beyond the window.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_extra=_position_alone)

    at_mm: Number
    window_mm: Annotated[Number, Field(gt=0, le=100)] = 6.0
    hysteresis_mm: Annotated[Number, Field(ge=0, le=10)] = 1.0

    @model_validator(mode="before")
    @classmethod
    def _from_number(cls, value: Any) -> Any:
        if isinstance(value, int | float) and not isinstance(value, bool):
            return {"at_mm": value}
        if not isinstance(value, dict | PositionSwitch):
            raise ValueError("expected a position in mm, such as 98.0, or {at_mm: 98.0, window_mm: 6.0}")
        return value


class Friction(Part):
    """Seal friction; what is left out follows from the bore by a rule of thumb of the plant."""

    coulomb_n: Annotated[Number, Field(ge=0, le=5000)] | None = None
    static_n: Annotated[Number, Field(ge=0, le=10_000)] | None = None
    viscous_n_s_m: Annotated[Number, Field(ge=0, le=10_000)] | None = None
    stribeck_mm_s: Annotated[Number, Field(gt=0, le=1000)] = 20.0


class Cylinder(Part):
    """A double-acting cylinder on ports 4 (extends) and 2 (retracts) of its valve.

    `incline_deg`: 90 extends upwards, -90 downwards, 0 is level. `throttle_out` restricts the exhaust
    (meter-out) at both ports, `throttle_in` the intake (meter-in); `check` is the free passage past
    `throttle_out` into the cylinder (engineering default: 0.75 of the valve's C). None of them: unthrottled.
    `dead_volume_cm3` counts for each end, tube included. What is left out is the plant's rule of thumb.
    """

    kind: Literal["cylinder"]
    bore_mm: Annotated[Number, Field(ge=4, le=320)]
    rod_mm: Annotated[Number, Field(gt=0, le=200)]
    stroke_mm: Annotated[Number, Field(ge=1, le=3000)]
    load_kg: Annotated[Number, Field(gt=0, le=2000)]
    valve: Word
    incline_deg: Annotated[Number, Field(ge=-90, le=90)] = 0.0
    throttle_out: Restrictor | None = None
    throttle_in: Restrictor | None = None
    check: Restrictor | None = None
    dead_volume_cm3: Annotated[Number, Field(gt=0, le=10_000)] | None = None
    friction: Friction = Friction()
    switches: Mapping[Word, PositionSwitch] = {}


class SpeedControl(Part):
    """A flow control in the line of a jet; C is that of the open needle, dm3/(s bar)."""

    C: Conductance
    b: CriticalRatio = 0.35
    open_percent: Annotated[Number, Field(ge=0, le=100)] = 100.0


class AirJet(Part):
    """A nozzle to atmosphere on port 2 or 4 of a valve, with an optional flow control before it."""

    kind: Literal["air_jet"]
    valve: Word
    port: Literal[2, 4] = 4
    C: Conductance
    b: CriticalRatio = 0.3
    speed_control: SpeedControl | None = None


# --- devices: sensors ---


class FlowSwitch(Part):
    """A flow switch in the line of a jet; setpoints in L/min ANR.

    On at `on_l_min`, off at `on_l_min - hysteresis_l_min` (5 to 10 % of the setpoint or 3-6 L/min), first
    order response `response_ms` (50-200 ms): engineering defaults.
    """

    kind: Literal["flow_switch"]
    line: Word
    on_l_min: Annotated[Number, Field(gt=0, le=10_000)]
    hysteresis_l_min: Annotated[Number, Field(ge=0, le=1000)] = 5.0
    response_ms: Annotated[Number, Field(ge=0, le=10_000)] = 100.0


class PhotoEye(Part):
    """A photo-eye; light_on: TRUE while its beam is clear, dark_on: TRUE while something blocks it.

    `response_ms` is an engineering default (0.5-1 ms).
    """

    kind: Literal["photo_eye"]
    mode: Literal["light_on", "dark_on"]
    response_ms: Annotated[Number, Field(ge=0, le=1000)] = 1.0


Device = Annotated[
    AirSupply
    | Supply24V
    | EmergencyStop
    | SafetyRelay
    | PushButton
    | Lamp
    | Valve52
    | Cylinder
    | AirJet
    | FlowSwitch
    | PhotoEye
    | Jumper,
    Field(discriminator="kind"),
]


class Station(Part):
    """One station file. Modules are laid out into the images in the order they are written."""

    station: Annotated[Text, Field(min_length=1, max_length=100)]
    adapter: Adapter
    controller: Controller = Controller()
    modules: Annotated[tuple[Module, ...], Field(max_length=60)]
    points: Mapping[Word, Point]
    devices: Mapping[Word, Device]
