"""What `bench serve` shows: connections, refusals and counters first, then machine, points and lights.

Pure: worlds in, something rich can print out. Written for 80 x 24; a wider or higher terminal gets more.
"""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from bench.eip import IO_PORT, TCP_PORT
from bench.eip.cyclic import EXCLUSIVE_OWNER
from bench.eip.events import ConnectionReport
from bench.live.words import log_line, status_text
from bench.station import PointPlace
from bench.station.model import AirSupply, Cylinder, FlowSwitch
from bench.units import NS_PER_MS, NS_PER_S
from bench.world import World

__all__ = ["banner", "log_line", "screen", "summary"]

BAR = 24
WIDE = 120  # columns from which the connections table has all of its own
HIGH = 40  # lines from which points stand in a table
CLOSE_ABOVE = 8  # bytes of an image
LAST_REFUSALS, LAST_OF_SEVERAL = 3, 2
CLOSED_SHOWN = 2
ROWS_OF_SEVERAL = 3  # connections shown a station where there are several
Size = tuple[int, int]  # columns, lines


def banner(addresses: Sequence[str]) -> Text:
    """What is exposed, and what does not protect it."""
    ports = f"TCP and UDP {TCP_PORT} (explicit), UDP {IO_PORT} (I/O)"
    lines = [f"Serving EtherNet/IP on {address}: {ports}." for address in addresses]
    lines.append("EtherNet/IP has no access control: whoever reaches these ports can write the outputs.")
    open_ones = [address for address in addresses if not address.startswith("127.")]
    if open_ones:
        which = "this address" if len(addresses) == 1 else ", ".join(open_ones)
        lines.append(f"The network can reach {which}. Keep it away from networks with real machines.")
    lines.append("A simulation: it validates no safety function and replaces no risk assessment.")
    return Text("\n".join(lines), style="yellow")


def screen(worlds: Sequence[World], served_ns: int, late_ns: int, size: Size) -> RenderableType:
    """The whole view at this instant.

    Args:
        served_ns: wall time since the start; bench time stands still while nothing happens.
        late_ns: how late the latest event so far was.
        size: columns and lines of the terminal.
    """
    several = len(worlds) > 1
    times = f"{served_ns / NS_PER_S:.1f} s   latest event {late_ns / NS_PER_MS:.1f} ms late"
    # what must not be cut off in a small terminal comes first
    parts: list[RenderableType] = []
    if several:
        parts.append(Text(f"{len(worlds)} stations   {times}", style="bold"))
    for world in worlds:
        title = f"{world.station.model.station} at {world.address}"
        parts.append(Text(title if several else f"{title}   {times}", style="bold"))
        parts += _adapter_lines(world)
        parts.append(connections_table(world, size[0], ROWS_OF_SEVERAL if several else 8))
        if world.stopped is not None:
            parts.append(Text(_stopped(world), style="bold red"))
        if several:
            parts.append(images_line(world))
    parts += _refusals(worlds)
    if not several:
        parts += _station_parts(worlds[0], size)
    return Group(*parts)


def _stopped(world: World) -> str:
    return f"The logic stopped, its outputs are idle: {world.stopped}"


def _adapter_lines(world: World) -> list[RenderableType]:
    if not world.powered:
        return [Text("the adapter has no power", style="bold red")]
    totals = world.adapter.totals
    frames = f"frames {totals.frames_in} in, {totals.frames_out} out"
    lines: list[RenderableType] = [Text(f"status {status_text(world.adapter.status_word)}; {frames}")]
    if world.faulted_modules:
        names = ", ".join(world.faulted_modules)
        lines.append(Text(f"modules missing or faulted: {names}", style="bold red"))
    if world.rack.forces:
        lines.append(Text(f"forced: {', '.join(world.rack.forces)}", style="bold red"))
    lines.append(Text(_counters(world), style="dim"))
    return lines


def _counters(world: World) -> str:
    adapter = world.adapter
    send_errors, turned_away = world.network_counts
    counts = (
        f"stray {adapter.strays}",
        f"stranger {adapter.strangers}",
        f"send errors {send_errors}",
        f"turned away {turned_away}",
        f"refused {adapter.totals.refused}",
    )
    return ", ".join(counts)


# --- connections and refusals ---


def connections_table(world: World, columns: int, most: int) -> RenderableType:
    """Who is connected and how well it goes; all columns from `WIDE` on."""
    wide = columns >= WIDE
    table = Table(expand=False, pad_edge=False, box=None)
    headings = ["originator", "kind", "state", "API ms", "in", "out", "late", "lost"]
    if wide:
        headings = [*headings[:3], "class", "RPI ms", *headings[3:], "timeout ms", "multicast"]
    for heading in headings:
        right = heading in ("in", "out", "late", "lost")
        table.add_column(heading, no_wrap=True, justify="right" if right else "left")
    reports = _shown(world.adapter.connections(), most)
    if not reports:
        return Text("no connection", style="dim")
    for report in reports:
        table.add_row(*_connection_cells(report, wide))
        if report.group and not wide:
            table.add_row(Text(f" to {report.group}", style="dim"))
    return table


def _shown(reports: Sequence[ConnectionReport], most: int) -> list[ConnectionReport]:
    """Established ones, then timed out ones, then the last closed ones."""
    by_state = {
        state: [report for report in reports if report.state == state]
        for state in ("established", "timed out", "closed")
    }
    closed = by_state["closed"][-CLOSED_SHOWN:]
    return [*by_state["established"], *by_state["timed out"], *closed][:most]


def _connection_cells(report: ConnectionReport, wide: bool) -> list[RenderableType]:
    cells: list[RenderableType] = [Text(report.originator), report.kind.removeprefix("exclusive ")]
    cells.append(_state(report))
    if wide:
        cells += [str(report.transport_class), _intervals(report.ot_rpi_ns, report.to_rpi_ns)]
    cells.append(_intervals(report.ot_api_ns, report.to_api_ns))
    cells += [str(count) for count in (report.frames_in, report.frames_out, report.late, report.lost)]
    if wide:
        cells += [f"{report.timeout_ns / NS_PER_MS:g}", Text(report.group)]
    return cells


def _state(report: ConnectionReport) -> Text:
    if report.state != "established":
        return Text(report.state, style="bold red" if report.state == "timed out" else "dim")
    if report.kind != EXCLUSIVE_OWNER.name:
        return Text("open", style="green")
    return Text("run", style="green") if report.run else Text("idle", style="yellow")


def _intervals(ot_ns: int, to_ns: int) -> str:
    return f"{ot_ns / NS_PER_MS:g} / {to_ns / NS_PER_MS:g}"


def _refusals(worlds: Sequence[World]) -> list[RenderableType]:
    """The newest, each whole: it is wrapped, never cut."""
    last = LAST_REFUSALS if len(worlds) == 1 else LAST_OF_SEVERAL
    # the adapter keeps each of its own; those told (the controller's too) outlive a loss of its power
    kept = (refusal for world in worlds for refusal in (*world.refusals, *world.adapter.refusals))
    found = sorted(dict.fromkeys(kept), key=lambda refusal: refusal.t_ns)
    if not found:
        return []
    texts: dict[str, int] = {}  # the same again is told once, with its last time
    for refusal in found:
        texts.pop(str(refusal), None)
        texts[str(refusal)] = refusal.t_ns
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True, justify="right")
    grid.add_column(overflow="fold")
    for text, t_ns in list(texts.items())[-last:]:
        grid.add_row(Text(f"{t_ns / NS_PER_S:.1f} s"), Text(text))
    return [Text("last refusals", style="bold"), Padding(grid, (0, 0, 0, 2))]


# --- the station ---


def images_line(world: World) -> Text:
    """Both images as bytes, where there is no room for more."""
    images = (world.rack.input_image, world.adapter.outputs)
    close = max(map(len, images)) > CLOSE_ABOVE
    line = Text("inputs  ")
    line.append(_hexadecimal(images[0], close), style="green")
    line.append("\noutputs " if close else "   outputs ")
    line.append(_hexadecimal(images[1], close), style="green")
    return line


def _hexadecimal(data: bytes, close: bool = False) -> str:
    """Bytes apart, or close together in groups of four."""
    return (data.hex(" ", -4) if close else data.hex(" ")).upper() or "none"


def _station_parts(world: World, size: Size) -> list[RenderableType]:
    layout = world.station.layout
    tagged = [place for place in (*layout.inputs, *layout.outputs) if place.tagged]
    machine = machine_table(world)
    parts: list[RenderableType] = [machine] if machine.row_count else []
    if any(not place.tagged for place in (*layout.inputs, *layout.outputs)):
        parts.append(images_table(world))
    if not tagged:
        return parts
    if size[1] >= HIGH:
        return [*parts, points_table(world)]
    return [*parts, *points_grid(world, size[0])]


def images_table(world: World) -> RenderableType:
    """The bytes of every module with points that have no tag."""
    grid = Table.grid(padding=(0, 2))
    layout = world.station.layout
    images = {"in": world.rack.input_image, "out": world.adapter.outputs}
    spans: dict[str, tuple[str, int, int]] = {}
    for place in (*layout.inputs, *layout.outputs):
        direction, first, _ = spans.get(place.module, (place.direction, place.byte, 0))
        spans[place.module] = (direction, first, place.byte + 1)
    loose = {place.module for place in (*layout.inputs, *layout.outputs) if not place.tagged}
    for module in (name for name in spans if name in loose):
        direction, first, end = spans[module]
        grid.add_row(Text(module), Text(_hexadecimal(images[direction][first:end]), style="green"))
    return grid


def points_grid(world: World, columns: int) -> list[RenderableType]:
    """Points as close as they go: light, address and tag, inputs above outputs."""
    layout = world.station.layout
    parts: list[RenderableType] = []
    for title, places in (("inputs ", layout.inputs), ("outputs", layout.outputs)):
        cells = [_close_cell(world, place) for place in places if place.tagged]
        if not cells:
            continue
        width = max(cell.cell_len for cell in cells) + 2
        across = max(1, (columns - len(title) - 2) // width)
        down = -(-len(cells) // across)
        grid = Table.grid(padding=(0, 2))
        for row in range(down):
            grid.add_row(Text("" if row else title, style="bold"), *cells[row::down])
        parts.append(grid)
    return parts


def _close_cell(world: World, place: PointPlace) -> Text:
    point = world.rack.point(place.tag)
    cell = Text("● " if point.light else "○ ", style="green" if point.light else "dim")
    cell.append(f"{place.address} ", style="dim")
    cell.append(place.tag, style="default" if point.forced is None else "bold red")
    return cell


def points_table(world: World) -> Table:
    """Inputs left, outputs right; a filled light is on."""
    table = Table(expand=False, pad_edge=False, box=None)
    for _ in range(2):
        table.add_column("light")
        table.add_column("address")
        table.add_column("tag", no_wrap=True)
        table.add_column("")
    layout = world.station.layout
    inputs = [place for place in layout.inputs if place.tagged]
    outputs = [place for place in layout.outputs if place.tagged]
    for index in range(max(len(inputs), len(outputs))):
        table.add_row(*_cells(world, inputs, index), *_cells(world, outputs, index))
    return table


def _cells(world: World, places: Sequence[PointPlace], index: int) -> list[RenderableType]:
    if index >= len(places):
        return ["", "", "", ""]
    place = places[index]
    point = world.rack.point(place.tag)
    light = Text("● on ", style="green") if point.light else Text("○ off", style="dim")
    note = Text(place.contact, style="dim") if point.forced is None else Text("FORCED", style="bold red")
    return [light, place.address, Text(place.tag), note]


def machine_table(world: World) -> Table:
    """Cylinders as bars with their position and pressures, supplies and flows as numbers."""
    table = Table.grid(padding=(0, 1))
    for name, device in world.station.model.devices.items():
        if isinstance(device, Cylinder):
            position_mm = float(world.value(f"{name}.position_mm"))
            pressures = [float(world.value(f"{name}.{port}_bar")) for port in ("p1", "p2")]
            text = f"{position_mm:6.1f} of {device.stroke_mm:g} mm"
            text += f" {pressures[0]:4.1f} / {pressures[1]:4.1f} bar(g)"
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


def summary(worlds: Sequence[World], served_ns: int, late_ns: int) -> str:
    """The last words; times as in `screen`."""
    lines: list[str] = []
    for world in worlds:
        totals = world.adapter.totals
        lines.append(f"Served {served_ns / NS_PER_S:.1f} s at {world.address}.")
        lines.append(f"{totals.opened} connection(s), {totals.frames_in} frames in, {totals.frames_out} out.")
        late = f"latest event {late_ns / NS_PER_MS:.1f} ms late"
        lines.append(f"{totals.refused} request(s) refused; {late}.")
        if world.rack.forces:
            lines.append(f"Forces still on: {', '.join(world.rack.forces)}")
        if world.stopped is not None:
            lines.append(_stopped(world))
    return "\n".join(lines)
