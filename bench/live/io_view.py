"""What `bench io` shows: a terminal screen, lines for a pipe, the last words."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from bench.eip.originator import ScannerConfig
from bench.live.io_state import Story, Watched, gaps_of
from bench.units import NS_PER_MS, NS_PER_S

MOST_ROWS = 32  # bytes of one image on the screen
LAST_SENTENCES = 4

CAUTIONS = """YOU ACCEPTED THAT A MACHINE MAY MOVE.
Run and the bits of --set are sent as soon as the connection is open.
  * Do this only with the permission of whoever is responsible for the machine.
  * Stored air, springs and raised loads move parts when a coil is switched, also after the air is shut off.
  * Everybody clear of the machine, and an emergency stop at hand that works without this program.
  * Local codes and licensed practice come first; this replaces no risk assessment and no safety function."""

REFUSED_SET = (
    "--set writes outputs of a real device, and a coil that is switched moves a machine: it needs "
    "--accept-moving-a-machine, typed in full. Without it outputs stay idle: run bit 0, all zeros"
)


def heading(config: ScannerConfig, moves: bool) -> str:
    """What is opened, before anything is sent."""
    points = f"O->T {config.ot_point}, T->O {config.input_assembly}"
    if config.configuration_assembly is not None:
        points += f", configuration {config.configuration_assembly}"
    way = "multicast" if config.multicast else "point to point"
    lines = [
        f"Opening a class {config.transport_class} {config.kind.name} connection to {config.target[0]}; "
        "stop with Ctrl-C.",
        f"Points {points}; RPI {config.rpi_ns / NS_PER_MS:g} ms; T->O {way}; "
        f"from {config.address}:{config.io_port}.",
    ]
    if config.kind.heartbeat:
        lines.append("This kind has no outputs; the target hears a heartbeat.")
    elif not moves:
        lines.append("Outputs stay idle: run bit 0, all zeros. The target still sees an owner come and go.")
    return "\n".join(lines)


def bits_on(image: bytes) -> str:
    """`54 24  on: 0.2 0.4 0.6 1.2 1.5`, as byte.bit."""
    on = [f"{at}.{bit}" for at, byte in enumerate(image) for bit in range(8) if byte >> bit & 1]
    return f"{image.hex(' ') or 'no bytes'}  on: {' '.join(on) or 'none'}"


def screen(scanner: Watched, story: Story, now_ns: int) -> RenderableType:
    """The whole view at bench time *now_ns*."""
    title = f"{scanner.config.target[0]}   {now_ns / NS_PER_S:.1f} s   {state_text(scanner)}"
    images = Table.grid(padding=(0, 4))
    images.add_row(
        image_table("inputs T->O", scanner.inputs, "green" if scanner.connected else "dim"),
        image_table("outputs O->T", scanner.outputs, "yellow" if scanner.run else "dim"),
    )
    # what must not be cut off in a small terminal comes first
    parts: list[RenderableType] = [Text(title, style="bold"), Text(numbers(scanner, story))]
    told = "\n".join(f"{t_ns / NS_PER_S:9.3f} s  {text}" for t_ns, text in story.sentences[-LAST_SENTENCES:])
    if told:
        parts.append(Panel(Text(told), title="latest", title_align="left"))
    return Group(*parts, images)


def state_text(scanner: Watched) -> str:
    """The state in a word or two, and what the outputs say."""
    word = scanner.state.name.lower()
    if not scanner.connected or scanner.config.kind.heartbeat:
        return word
    return f"{word}, {'RUN: outputs drive the machine' if scanner.run else 'idle'}"


def image_table(title: str, image: bytes, style: str) -> Table:
    """A row a byte, lights for its bits from 0 to 7; a filled light is on."""
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    table.add_column("byte", justify="right")
    table.add_column("hex")
    table.add_column("0 1 2 3 4 5 6 7", no_wrap=True)
    for at, byte in enumerate(image[:MOST_ROWS]):
        lights = " ".join("●" if byte >> bit & 1 else "○" for bit in range(8))
        table.add_row(str(at), f"{byte:02X}", Text(lights, style=style if byte else "dim"))
    if len(image) > MOST_ROWS:
        table.add_row("", "", f"and {len(image) - MOST_ROWS} bytes more")
    return table


def numbers(scanner: Watched, story: Story) -> str:
    """Intervals, frames, gaps and losses in one or two lines."""
    taken, sent = story.frames
    parts = [f"{taken} T->O frames taken, {sent} O->T frames sent, {story.lost} lost"]
    if scanner.strays or scanner.bad:
        parts.append(f"{scanner.strays} of no open connection and {scanner.bad} unreadable dropped")
    if story.apis_ns[0]:
        ot_ns, to_ns = story.apis_ns
        parts.append(f"API {ot_ns / NS_PER_MS:g} ms O->T, {to_ns / NS_PER_MS:g} ms T->O")
    gaps = gaps_of(scanner.gaps_ns)
    if gaps:
        parts.append(f"T->O gap min {gaps.least:.2f} ms, p99 {gaps.p99:.2f} ms, max {gaps.most:.2f} ms")
    if scanner.group is not None:
        parts.append(f"group {scanner.group[0]}:{scanner.group[1]}")
    return "; ".join(parts)


def summary(scanner: Watched, story: Story, now_ns: int) -> str:
    """The last words."""
    host = scanner.config.target[0]
    if not story.frames[0]:
        reason = story.last_reason or f"{scanner.state.name.lower()} when the time was up"
        return f"No frame came from {host}: {reason}"
    lines = [f"{host} in {now_ns / NS_PER_S:.1f} s: {numbers(scanner, story)}."]
    lines += [f"Learned: {told}." for told in scanner.learned.values()]
    if story.connections > 1:
        lines.append(f"{story.connections} connections; the last one before ended: {story.last_reason}")
    lines.append(f"Last inputs: {bits_on(scanner.inputs)}")
    return "\n".join(lines)
