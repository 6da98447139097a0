"""What the adapter and controller sections become in the parts that run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from bench.build import adapter_config, scanner_config
from bench.clock import Timeline
from bench.eip.config import Network, OutputFormat
from bench.logic import compile_program
from bench.net.memory import MemoryNetwork
from bench.station import LoadedStation, load_station
from bench.world import World

LOOPBACK = Path(__file__).parents[2] / "scenarios" / "loopback" / "station.yaml"
ADAPTER = """\
  assemblies: {input: 100, output: 150, configuration: 151, input_only: 198, listen_only: 199}
  configuration_data: 0A 00 1F 2B
  output_format: FORMAT
  outputs_by_message: accept
  inactivity_s: 7
  connections: 9
  host_name: cell-4
"""
PROGRAM = "PROGRAM P\nVAR_OUTPUT FirstOut : BOOL; END_VAR\nFirstOut := TRUE;\nEND_PROGRAM\n"


def station(output_format: str = "zero_length") -> LoadedStation:
    text = LOOPBACK.read_text(encoding="utf-8")
    line = "  assemblies: {input: 100, output: 150, configuration: 151}\n"
    assert line in text
    text = text.replace(line, ADAPTER.replace("FORMAT", output_format))
    text = text.replace("minimum: 1}", "minimum: 1, maximum: 500}")
    return load_station(text.replace("scan_ms: 10}", "scan_ms: 10, multicast: true}"), "f")


def test_the_adapter_section_reaches_the_adapter() -> None:
    network = Network(netmask="255.0.0.0", interface="lo")
    config = adapter_config(station(), "127.0.0.1", network)
    points = (config.input_only_point, config.listen_only_point)
    limits = (config.limits.io_connections, config.limits.inactivity_s, config.limits.rpi_max_ns)
    assert (points, limits) == ((198, 199), (9, 7, 500_000_000))
    assert (config.configuration, config.output_format, config.settable_outputs, config.network) == (
        bytes.fromhex("0A001F2B"),
        OutputFormat.ZERO_LENGTH,
        True,
        replace(network, host_name="cell-4"),
    )


def test_the_controller_asks_for_what_the_adapter_has() -> None:
    config = scanner_config(station(), "127.0.0.1", "127.0.0.2", 2222)
    assert (config.configuration, config.output_format, config.multicast) == (
        bytes.fromhex("0A001F2B"),
        OutputFormat.ZERO_LENGTH,
        True,
    )


def online(loaded: LoadedStation) -> World:
    timeline = Timeline()
    world = World(loaded, timeline, compile_program(PROGRAM, "p.st"))
    world.join_memory(MemoryNetwork(timeline))
    world.start()
    timeline.run_until(500_000_000)
    return world


def test_the_controller_gets_its_connection_whatever_the_format() -> None:
    worlds = [online(station(output_format)) for output_format in ("header", "zero_length")]
    assert [(w.adapter.running, w.value("FirstIn"), list(w.refusals)) for w in worlds] == [
        (True, True, [])
    ] * 2
