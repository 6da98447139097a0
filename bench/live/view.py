"""What `bench serve` shows: points with their lights, cylinders as bars, connections, refusals.

Pure: a world in, something rich can print out.
"""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bench.eip import IO_PORT, TCP_PORT
from bench.station import PointPlace
from bench.station.model import AirSupply, Cylinder, FlowSwitch
from bench.units import NS_PER_MS
from bench.world import World

BAR = 24
LAST_REFUSALS = 3


def banner(address: str) -> Text:
    """What is exposed, and what does not protect it."""
    lines = [f"Serving EtherNet/IP on {address}: TCP and UDP {TCP_PORT} (explicit), UDP {IO_PORT} (I/O)."]
    lines.append("EtherNet/IP has no access control: whoever reaches these ports can write the outputs.")
    if not address.startswith("127."):
        lines.append("The network can reach this address. Keep it away from networks with real machines.")
    lines.append("A simulation: it validates no safety function and replaces no risk assessment.")
    return Text("\n".join(lines), style="yellow")


def screen(world: World, served_ns: int, late_ns: int) -> RenderableType:
    """The whole view at this instant.

    Args:
        served_ns: wall time since the start; bench time stands still while nothing happens.
        late_ns: how late the latest event so far was.
    """
    station = world.station
    title = f"{station.model.station} at {world.address}   {served_ns / 1e9:.1f} s"
    title += f"   latest event {late_ns / NS_PER_MS:.1f} ms late"
    # what must not be cut off in a small terminal comes first
    parts: list[RenderableType] = [Text(title, style="bold"), connections_table(world)]
    if world.stopped is not None:
        parts.append(Text(_stopped(world), style="bold red"))
    if world.refusals:
        refused = Text("\n".join(world.refusals[-LAST_REFUSALS:]))
        parts.append(Panel(refused, title="last refusals", title_align="left"))
    parts += [machine_table(world), points_table(world)]
    return Group(*parts)


def _stopped(world: World) -> str:
    return f"The logic stopped, its outputs are idle: {world.stopped}"


def points_table(world: World) -> Table:
    """Inputs left, outputs right; a filled light is on."""
    table = Table(expand=False, pad_edge=False, box=None)
    for _ in range(2):
        table.add_column("light")
        table.add_column("address")
        table.add_column("tag", no_wrap=True)
        table.add_column("")
    layout = world.station.layout
    rows = max(len(layout.inputs), len(layout.outputs))
    for index in range(rows):
        table.add_row(*_cells(world, layout.inputs, index), *_cells(world, layout.outputs, index))
    return table


def _cells(world: World, places: tuple[PointPlace, ...], index: int) -> list[RenderableType]:
    if index >= len(places):
        return ["", "", "", ""]
    place = places[index]
    point = world.rack.point(place.tag)
    light = Text("● on ", style="green") if point.light else Text("○ off", style="dim")
    note = Text(place.contact, style="dim") if point.forced is None else Text("FORCED", style="bold red")
    return [light, place.address, Text(place.tag), note]


def machine_table(world: World) -> Table:
    """Cylinders as bars with their position and pressures, supplies and flows as numbers."""
    table = Table(expand=False, pad_edge=False, box=None)
    for heading in ("device", "", "now"):
        table.add_column(heading, no_wrap=True)
    for name, device in world.station.model.devices.items():
        if isinstance(device, Cylinder):
            position_mm = float(world.value(f"{name}.position_mm"))
            pressures = [float(world.value(f"{name}.{port}_bar")) for port in ("p1", "p2")]
            text = f"{position_mm:6.1f} of {device.stroke_mm:g} mm"
            text += f"   {pressures[0]:4.1f} / {pressures[1]:4.1f} bar(g)"
            table.add_row(Text(name), Text(bar(position_mm / device.stroke_mm)), text)
        elif isinstance(device, AirSupply):
            table.add_row(Text(name), "", f"{float(world.value(f'{name}.pressure_bar')):6.2f} bar(g)")
        elif isinstance(device, FlowSwitch):
            flow = float(world.value(f"{name}.flow_l_min"))
            table.add_row(Text(name), "", f"{flow:6.1f} L/min ANR, set {device.on_l_min:g}")
    return table


def bar(share: float) -> str:
    """A rod: `[=====>      ]`."""
    filled = round(min(max(share, 0.0), 1.0) * BAR)
    return "[" + "=" * filled + ">" + " " * (BAR - filled) + "]"


def connections_table(world: World) -> Table:
    """Who is connected and how well it goes."""
    table = Table(expand=False, pad_edge=False, box=None, title_justify="left")
    for heading in ("originator", "state", "RPI ms", "API ms", "frames in", "out", "late", "lost", "mode"):
        table.add_column(heading, no_wrap=True)
    rows = list(_connection_rows(world))
    for row in rows:
        table.add_row(*row)
    if not rows:
        table.add_row(Text("no connection", style="dim"))
    return table


def _connection_rows(world: World) -> Iterator[list[RenderableType]]:
    for report in world.adapter.connections():
        yield [
            Text(report.originator),
            report.state,
            f"{report.ot_rpi_ns / NS_PER_MS:g} / {report.to_rpi_ns / NS_PER_MS:g}",
            f"{report.ot_api_ns / NS_PER_MS:g} / {report.to_api_ns / NS_PER_MS:g}",
            str(report.frames_in),
            str(report.frames_out),
            str(report.late),
            str(report.lost),
            "run" if report.run else "idle",
        ]


def summary(world: World, served_ns: int, late_ns: int) -> str:
    """The last words of a served station; times as in `screen`."""
    reports = world.adapter.connections()
    frames_in = sum(report.frames_in for report in reports)
    frames_out = sum(report.frames_out for report in reports)
    lines = [f"Served {served_ns / 1e9:.1f} s at {world.address}."]
    lines.append(f"{len(reports)} connection(s), {frames_in} frames in, {frames_out} out.")
    lines.append(f"{world.refused} request(s) refused; latest event {late_ns / NS_PER_MS:.1f} ms late.")
    if world.rack.forces:
        lines.append(f"Forces still on: {', '.join(world.rack.forces)}")
    if world.stopped is not None:
        lines.append(_stopped(world))
    return "\n".join(lines)
