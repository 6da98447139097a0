"""The `bench` command: the only place that prints. Heavy imports stand in the command that needs them."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import BenchError, LocalError, MachineError, WrongFiles

if TYPE_CHECKING:
    from _typeshed import SupportsWrite
    from rich.console import Console

    from bench.report.result import SuiteResult
    from bench.suite import Prepared

FAILED, WRONG, STOPPED = 1, 2, 130
_NOTE = """The bench is a simulation. It validates no safety function and replaces no risk assessment, local
code or licensed practice."""


def parser() -> argparse.ArgumentParser:
    """Every command and option."""
    top = argparse.ArgumentParser(
        prog="bench", description="A simulated fieldbus I/O test bench for control logic.", epilog=_NOTE
    )
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    run = commands.add_parser("run", help="run scenarios and print a verdict each")
    run.add_argument("paths", nargs="+", metavar="PATH", help="scenario files, or folders to search")
    run.add_argument("--real-time", action="store_true", help="over real sockets on loopback")
    run.add_argument("--listen", metavar="ADDRESS", help="with --real-time: the adapter's (127.0.0.1)")
    run.add_argument("--trace", metavar="FILE", help="write every signal change as JSON lines")
    run.add_argument("--junit", metavar="FILE", help="write a JUnit file")
    run.add_argument("--brief", action="store_true", help="details of failures only")
    serve = commands.add_parser("serve", help="serve stations on EtherNet/IP in real time")
    serve.add_argument("station", metavar="FILE", help="a station, or a bench file with several")
    serve.add_argument("--listen", metavar="ADDRESS", help="of a single station; default: loopback only")
    serve.add_argument("--seconds", type=_seconds, metavar="N", help="stop after N seconds")
    serve.add_argument("--logic", metavar="FILE", help="run this program in the embedded controller as well")
    serve.add_argument("--fast", action="store_true", help="use uvloop, an optional dependency")
    serve.formatter_class = argparse.RawDescriptionHelpFormatter
    serve.print_help = lambda file=None: _serve_help(serve, file)  # type: ignore[method-assign]
    check = commands.add_parser("check", help="print the point table and every mistake of a station file")
    check.add_argument("station", metavar="FILE", help="a station, or a bench file with several")
    probe = commands.add_parser("probe", help="ask any adapter who it is")
    probe.add_argument("host", metavar="HOST")
    shown = "open a connection to any adapter and show its images live"
    # no abbreviations: the flag that lets a machine move is typed in full or not at all
    _io_parser(commands.add_parser("io", allow_abbrev=False, help=shown))
    eds = commands.add_parser("eds", help="write the EDS file that a scanner's tool imports for a station")
    eds.add_argument("station", metavar="STATION")
    eds.add_argument("-o", "--output", metavar="FILE", help="default: print the file")
    eds.add_argument(
        "--date", metavar="YYYY-MM-DD", help="the file's date (2025-01-01: the same station, the same file)"
    )
    commands.add_parser("schema", help="print the JSON Schema of station files, for editors")
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status: 0 good, 1 failed, 2 the files or the call are wrong."""
    options = parser().parse_args(arguments)
    try:
        status: int = {
            "run": run_command,
            "serve": serve_command,
            "check": check_command,
            "probe": probe_command,
            "io": io_command,
            "eds": eds_command,
            "schema": schema_command,
        }[options.command](options)
        return status
    except WrongFiles as wrong:
        _mistakes(wrong)
        return WRONG
    except (LocalError, MachineError) as error:
        print(f"bench: {error}", file=sys.stderr)
        return WRONG
    except BenchError as error:
        print(f"bench: {error}", file=sys.stderr)
        return FAILED
    except BrokenPipeError:  # whoever read the output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # nor may the last flush fail
        return FAILED
    except KeyboardInterrupt:
        print("bench: stopped", file=sys.stderr)
        return STOPPED


def _serve_help(serve: argparse.ArgumentParser, file: SupportsWrite[str] | None) -> None:
    """With the limits below, which only this help is worth importing them for."""
    from bench.live.words import limits_text

    serve.epilog = f"limits of each adapter (in brackets: keys of its station file):\n{limits_text()}"
    print(serve.format_help(), end="", file=file)


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise argparse.ArgumentTypeError(f"expected seconds above 0, got {text}")
    return value


def _console(*, stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=stderr, highlight=False)


def _mistakes(wrong: WrongFiles) -> None:
    from bench.report.mistakes import render_mistakes

    render_mistakes(wrong.mistakes, _console(stderr=True))


def run_command(options: argparse.Namespace) -> int:
    """`bench run`."""
    from bench.report.junit import junit_xml
    from bench.report.terminal import render_suite
    from bench.suite import Stopped, find_scenarios, left_out_in_real_time, prepare_all

    if options.listen is not None and not options.real_time:
        raise LocalError("--listen needs --real-time: in virtual time nothing is on the network")
    files = find_scenarios(options.paths)
    prepared = prepare_all(files)
    for path in filter(None, (options.trace, options.junit)):
        _writable(Path(path))
    console = _console()
    for warning in dict.fromkeys(w for item in prepared for w in item.warnings):
        print(warning, file=sys.stderr)
    for sentence in left_out_in_real_time(prepared) if options.real_time else ():
        print(f"bench: {sentence}", file=sys.stderr)
    interrupted = ""
    try:
        suite = _run_all(prepared, options, console)
    except Stopped as stopped:
        suite, interrupted = stopped.done, stopped.interrupted
    render_suite(suite, console, verbose=not options.brief)
    if options.trace:
        _write(
            options.trace, "".join(f"{line}\n" for s in suite.scenarios for line in s.trace.lines(s.title))
        )
    if options.junit:
        _write(options.junit, junit_xml(suite))
    if interrupted:
        print(f"bench: stopped during: {interrupted}", file=sys.stderr)
        return STOPPED
    return suite.exit_status


def _writable(path: Path) -> None:
    """Better to know before a long run than after it; and what the person wrote is not overwritten."""
    if path.suffix in (".yaml", ".yml", ".st"):
        raise LocalError(f"{path} looks like a file you wrote; name another for the results")
    if path.is_dir() or not path.absolute().parent.is_dir():
        raise MachineError(f"writing {path}", "no such folder", "name a file in a folder that exists")


def _run_all(prepared: list[Prepared], options: argparse.Namespace, console: Console) -> SuiteResult:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    from bench.suite import run_one, run_suite

    columns = (TextColumn("running scenarios"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    errors = _console(stderr=True)
    with Progress(*columns, console=errors, transient=True, disable=not errors.is_terminal) as progress:
        task = progress.add_task("run", total=len(prepared))
        return run_suite(
            prepared,
            lambda item: run_one(item, real_time=options.real_time, listen=options.listen or "127.0.0.1"),
            lambda done: progress.update(task, completed=done),
        )


def _write(path: str, text: str) -> None:
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise MachineError(
            f"writing {path}", error.strerror or str(error), "name a file in a folder you may write to"
        ) from None


def serve_command(options: argparse.Namespace) -> int:
    """`bench serve`."""
    import asyncio

    from bench.live.serve import serve
    from bench.net.timer import paced_loop
    from bench.suite import read_served

    logic = Path(options.logic) if options.logic else None
    stations = read_served(Path(options.station), options.listen, logic)
    with asyncio.Runner(loop_factory=lambda: paced_loop(options.fast)) as runner:
        summary, ran = runner.run(serve(stations, options.seconds, _console()))
    print(summary)
    return 0 if ran else FAILED


def check_command(options: argparse.Namespace) -> int:
    """`bench check`."""
    from bench.report.mistakes import render_mistakes
    from bench.report.points import render_points
    from bench.suite import read_served

    stations = read_served(Path(options.station))
    console = _console()
    for served in stations:
        layout = served.station.layout
        if len(stations) > 1:
            console.print(f"{served.station.model.station} at {served.address}", markup=False, style="bold")
        render_points((*layout.inputs, *layout.outputs), console)
        console.print(f"input image {layout.input_size} bytes, output image {layout.output_size} bytes")
        if served.station.warnings:
            render_mistakes(served.station.warnings, console)
    return 0


def probe_command(options: argparse.Namespace) -> int:
    """`bench probe`."""
    from rich.table import Table
    from rich.text import Text

    from bench.net.probe import probe

    answer = probe(options.host)
    for title, fields in (("List Identity", answer.list_identity), ("Identity object", answer.identity)):
        table = Table(title=f"{title} of {answer.host}", title_justify="left", box=None, show_header=False)
        for name, value in fields:
            table.add_row(name, Text(value))
        _console().print(table)
    return 0


def _io_parser(io: argparse.ArgumentParser) -> None:
    io.description = """Opens one class 0 or 1 connection and shows the images until Ctrl-C. Outputs
    stay idle unless you type the flag that says you accept moving a machine. Exit status: 0 frames came,
    1 refused or never connected, 2 a wrong call."""
    io.epilog = _NOTE
    io.add_argument("host", metavar="HOST")
    for name, number in (("input", 100), ("output", 150), ("configuration", 151)):
        none = ", 0 for none" if name == "configuration" else ""
        io.add_argument(
            f"--{name}", type=int, default=number, metavar="N", help=f"{name} assembly ({number}{none})"
        )
    io.add_argument("--heartbeat", type=int, metavar="N", help="O->T point of the kinds without outputs")
    for name in ("input", "output"):
        io.add_argument(f"--{name}-size", type=int, metavar="N", help="bytes; learned when left out")
    io.add_argument("--rpi-ms", default="10", metavar="N", help="requested packet interval (10)")
    io.add_argument("--multiplier", type=int, default=4, metavar="N", help="of the timeout: 4, 8 .. 512")
    io.add_argument("--kind", choices=("owner", "input-only", "listen-only"), default="owner")
    io.add_argument("--multicast", action="store_true", help="ask for multicast T->O")
    io.add_argument("--class", dest="transport_class", type=int, choices=(0, 1), default=1)
    io.add_argument("--config-data", default="", metavar="HEX", help="configuration data to send along")
    io.add_argument("--from", dest="own", metavar="ADDRESS", help="this computer's address to use")
    io.add_argument("--seconds", type=_seconds, metavar="N", help="stop after N seconds")
    io.add_argument(
        "--accept-moving-a-machine",
        action="store_true",
        help="send run and the outputs of --set: only with permission, and everybody clear of the machine",
    )
    io.add_argument(
        "--set", action="append", default=[], metavar="BYTE.BIT=0|1", help="an output bit; may be repeated"
    )


def io_command(options: argparse.Namespace) -> int:
    """`bench io`."""
    import asyncio

    from bench.live.io import IoCall, exercise, parse_bits, parse_hex
    from bench.net.timer import paced_loop

    call = IoCall(
        host=options.host,
        kind=options.kind,
        input=options.input,
        output=options.output,
        configuration=options.configuration,
        heartbeat=options.heartbeat,
        input_size=options.input_size,
        output_size=options.output_size,
        rpi_ms=options.rpi_ms,
        multiplier=options.multiplier,
        multicast=options.multicast,
        transport_class=options.transport_class,
        own=options.own,
        configuration_data=parse_hex(options.config_data),
        seconds=options.seconds,
        move=options.accept_moving_a_machine,
        bits=parse_bits(options.set),
    )
    with asyncio.Runner(loop_factory=paced_loop) as runner:
        last_words, got_frames = runner.run(exercise(call, _console()))
    print(last_words)
    return 0 if got_frames else FAILED


def eds_command(options: argparse.Namespace) -> int:
    """`bench eds`: the file to FILE or the output, a note on what stands in it to the person."""
    from bench.build import adapter_config
    from bench.eds import FileStamp, describe, read_eds, write_eds
    from bench.suite import read_served

    stamp = FileStamp(options.date) if options.date is not None else FileStamp()
    served = read_served(Path(options.station))
    if len(served) > 1:
        raise LocalError(
            f"{options.station} holds {len(served)} stations; an EDS describes one: name its file"
        )
    station = served[0].station
    inputs = [place for place in station.layout.inputs if place.tagged]
    outputs = [place for place in station.layout.outputs if place.tagged]
    text = write_eds(adapter_config(station, "127.0.0.1"), inputs, outputs, stamp)
    note = describe(read_eds(text))  # read back, so that the note says what the file says
    if options.output is None:
        print(text, end="")
        print(note, file=sys.stderr)
        return 0
    _writable(Path(options.output))
    _write(options.output, text)
    print(f"wrote {options.output}\n{note}")
    return 0


def schema_command(options: argparse.Namespace) -> int:
    """`bench schema`."""
    from bench.station import station_schema

    print(json.dumps(station_schema(), indent=2))
    return 0


if __name__ == "__main__":
    sys.exit(main())
