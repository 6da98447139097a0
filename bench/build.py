"""From the station file to the parts that run: plant parameters, adapter configuration, rack.

A plain translation: units and names change here, nothing is decided.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from bench.eip import TCP_PORT, AdapterConfig, Identity, OnLoss, ScannerConfig
from bench.eip.config import Limits, Network, OutputFormat
from bench.errors import LocalError
from bench.points import Point, Rack
from bench.station import LoadedStation
from bench.station import model as written
from bench.station.wiring import point_count
from bench.units import conductance_si, ns_from_ms, pa_from_bar_gauge
from sims import cylinder, electrical, jet, plant, sensors, supply, valve

Parameters = Any  # one of the plant's frozen parameter classes


def build_plant(station: LoadedStation) -> plant.Plant:
    """The machine behind the points."""
    model = station.model
    jumpers = {n: d for n, d in model.devices.items() if isinstance(d, written.Jumper)}
    devices = {name: _parameters(device) for name, device in model.devices.items() if name not in jumpers}
    points = {m.name: point_count(m, model.modules) for m in model.modules}
    devices |= {name: electrical.Jumper(points[jumper.source]) for name, jumper in jumpers.items()}
    supply_24v = next((n for n, d in model.devices.items() if isinstance(d, written.Supply24V)), "")
    powers = {
        m.name: m.power for m in model.modules if isinstance(m, written.DigitalOutput | written.ValveCoils)
    }
    feeds = {m.name: supply_24v for m in model.modules if isinstance(m, written.DigitalInput)}
    feeds |= {jumper.sink: powers[jumper.source] for jumper in jumpers.values()}
    inputs = {
        p.tag: electrical.InputWire(p.device, feeds[p.module])
        for p in station.layout.inputs
        if p.module in feeds  # what a module status says comes from the adapter itself
    }
    outputs = {p.tag: electrical.OutputWire(p.device, powers[p.module]) for p in station.layout.outputs}
    return plant.Plant(devices, inputs, outputs)


def build_rack(station: LoadedStation) -> Rack:
    """The adapter's points with their filters."""
    filters = {
        m.name: ns_from_ms(m.filter_ms) for m in station.model.modules if isinstance(m, written.DigitalInput)
    }
    layout = station.layout
    points = [
        Point(p.tag, p.byte, p.bit, p.direction == "in", filters.get(p.module, 0), module=p.module)
        for p in (*layout.inputs, *layout.outputs)
    ]
    return Rack(points, layout.input_size, layout.output_size)


def adapter_config(station: LoadedStation, address: str, network: Network | None = None) -> AdapterConfig:
    """The adapter as the station file describes it, at *address* on the interface *network*."""
    adapter = station.model.adapter
    network = Network() if network is None else network
    who = adapter.identity
    return AdapterConfig(
        identity=Identity(
            vendor_id=who.vendor_id,
            device_type=who.device_type,
            product_code=who.product_code,
            major=who.major_revision,
            minor=who.minor_revision,
            serial=who.serial,
            product_name=who.product_name,
        ),
        address=address,
        input_assembly=adapter.assemblies.input,
        input_size=station.layout.input_size,
        output_assembly=adapter.assemblies.output,
        output_size=station.layout.output_size,
        configuration_assembly=adapter.assemblies.configuration,
        rpi_min_ns=ns_from_ms(adapter.rpi_ms.minimum),
        rpi_default_ns=ns_from_ms(adapter.rpi_ms.default),
        on_idle=OnLoss[adapter.outputs_on_idle.upper()],
        on_timeout=OnLoss[adapter.outputs_on_timeout.upper()],
        configuration=bytes.fromhex(adapter.configuration_data),
        input_only_point=adapter.assemblies.input_only,
        listen_only_point=adapter.assemblies.listen_only,
        output_format=OutputFormat[adapter.output_format.upper()],
        settable_outputs=adapter.outputs_by_message == "accept",
        network=replace(network, host_name=adapter.host_name),
        limits=Limits(
            io_connections=adapter.connections,
            inactivity_s=adapter.inactivity_s,
            rpi_max_ns=ns_from_ms(adapter.rpi_ms.maximum),
        ),
    )


def scanner_config(station: LoadedStation, target: str, address: str, io_port: int) -> ScannerConfig:
    """The embedded controller's connection to the station's adapter at *target*."""
    adapter = station.model.adapter
    return ScannerConfig(
        target=(target, TCP_PORT),
        address=address,
        input_assembly=adapter.assemblies.input,
        input_size=station.layout.input_size,
        output_assembly=adapter.assemblies.output,
        output_size=station.layout.output_size,
        configuration_assembly=adapter.assemblies.configuration,
        rpi_ns=ns_from_ms(adapter.rpi_ms.default),
        multiplier=station.model.controller.timeout_multiplier,
        originator_serial=0x0D1C_0001,
        io_port=io_port,
        multicast=station.model.controller.multicast,
        output_format=OutputFormat[adapter.output_format.upper()],
        configuration=bytes.fromhex(adapter.configuration_data),
    )


def _parameters(device: written.Device) -> Parameters:
    for kind, make in _MAKERS.items():
        if isinstance(device, kind):
            return make(device)
    raise LocalError(f"no part of the plant for a device of kind {device.kind}")


def _valve(device: written.Valve52) -> valve.Valve52:
    return valve.Valve52(
        supply=device.supply,
        bistable=device.actuation == "bistable",
        c=conductance_si(device.C),
        b=device.b,
        shift_delay_s=device.shift_ms / 1e3,
        ramp_s=device.ramp_ms / 1e3,
        release_delay_s=None if device.release_ms is None else device.release_ms / 1e3,
        release_ramp_s=None if device.release_ramp_ms is None else device.release_ramp_ms / 1e3,
        pilot_min_pa=pa_from_bar_gauge(device.pilot_min_bar) if device.pilot_min_bar else 0.0,
    )


def _restrictor(prefix: str, restrictor: written.Restrictor | None) -> dict[str, float]:
    if restrictor is None:
        return {}
    return {f"{prefix}_c": conductance_si(restrictor.C), f"{prefix}_b": restrictor.b}


def _cylinder(device: written.Cylinder) -> cylinder.Cylinder:
    dead_m3 = None if device.dead_volume_cm3 is None else device.dead_volume_cm3 * 1e-6
    return cylinder.Cylinder(
        valve=device.valve,
        bore_m=device.bore_mm / 1e3,
        rod_m=device.rod_mm / 1e3,
        stroke_m=device.stroke_mm / 1e3,
        load_kg=device.load_kg,
        incline_deg=device.incline_deg,
        dead_cap_m3=dead_m3,
        dead_rod_m3=dead_m3,
        coulomb_n=device.friction.coulomb_n,
        static_n=device.friction.static_n,
        viscous_n_s_m=device.friction.viscous_n_s_m,
        stribeck_m_s=device.friction.stribeck_mm_s / 1e3,
        switches={name: _switch(switch) for name, switch in device.switches.items()},
        **_restrictor("throttle_out", device.throttle_out),
        **_restrictor("throttle_in", device.throttle_in),
        **_restrictor("check", device.check),
    )


def _switch(switch: written.PositionSwitch) -> sensors.PositionSwitch:
    return sensors.PositionSwitch(switch.at_mm / 1e3, switch.window_mm / 1e3, switch.hysteresis_mm / 1e3)


def _jet(device: written.AirJet) -> jet.AirJet:
    control = device.speed_control
    given: dict[str, float] = {}
    if control is not None:
        given = {
            "control_c": conductance_si(control.C),
            "control_b": control.b,
            "opening": control.open_percent / 100,
        }
    return jet.AirJet(valve=device.valve, port=device.port, c=conductance_si(device.C), b=device.b, **given)


def _flow_switch(device: written.FlowSwitch) -> sensors.FlowSwitch:
    return sensors.FlowSwitch(
        line=device.line,
        on_m3_s=device.on_l_min / 60_000,
        hysteresis_m3_s=device.hysteresis_l_min / 60_000,
        response_s=device.response_ms / 1e3,
    )


def _relay(device: written.SafetyRelay) -> electrical.SafetyRelay:
    return electrical.SafetyRelay(device.supply, device.stop, device.reset, device.drop_out_ms / 1e3)


_MAKERS: Mapping[type, Callable[[Any], Parameters]] = {
    written.AirSupply: lambda d: supply.AirSupply(pa_from_bar_gauge(d.pressure_bar)),
    written.Supply24V: lambda d: electrical.Supply24(),
    written.EmergencyStop: lambda d: sensors.EmergencyStop(),
    written.SafetyRelay: _relay,
    written.PushButton: lambda d: sensors.PushButton(normally_closed=d.contact == "NC"),
    written.Lamp: lambda d: electrical.Lamp(),
    written.Valve52: _valve,
    written.Cylinder: _cylinder,
    written.AirJet: _jet,
    written.FlowSwitch: _flow_switch,
    written.PhotoEye: lambda d: sensors.PhotoEye(d.mode == "dark_on", d.response_ms / 1e3),
}
