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
    serve = commands.add_parser("serve", help="serve a station on EtherNet/IP in real time")
    serve.add_argument("station", metavar="STATION")
    serve.add_argument("--listen", default="127.0.0.1", metavar="ADDRESS", help="default: loopback only")
    serve.add_argument("--seconds", type=_seconds, metavar="N", help="stop after N seconds")
    serve.add_argument("--logic", metavar="FILE", help="run this program in the embedded controller as well")
    check = commands.add_parser("check", help="print the point table and every mistake of a station file")
    check.add_argument("station", metavar="STATION")
    probe = commands.add_parser("probe", help="ask any adapter who it is")
    probe.add_argument("host", metavar="HOST")
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
    from bench.suite import Stopped, find_scenarios, prepare_all

    if options.listen is not None and not options.real_time:
        raise LocalError("--listen needs --real-time: in virtual time nothing is on the network")
    files = find_scenarios(options.paths)
    prepared = prepare_all(files)
    for path in filter(None, (options.trace, options.junit)):
        _writable(Path(path))
    console = _console()
    for warning in dict.fromkeys(w for item in prepared for w in item.warnings):
        print(warning, file=sys.stderr)
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

    from bench.clock import paced_loop
    from bench.live.serve import serve
    from bench.logic import compile_program
    from bench.suite import read_station, read_text

    station = read_station(Path(options.station))
    program = None
    if options.logic:
        program = compile_program(read_text(Path(options.logic)), options.logic)
    with asyncio.Runner(loop_factory=paced_loop) as runner:
        summary, ran = runner.run(serve(station, options.listen, options.seconds, _console(), program))
    print(summary)
    return 0 if ran else FAILED


def check_command(options: argparse.Namespace) -> int:
    """`bench check`."""
    from bench.report.mistakes import render_mistakes
    from bench.report.points import render_points
    from bench.suite import read_station

    station = read_station(Path(options.station))
    console = _console()
    layout = station.layout
    render_points((*layout.inputs, *layout.outputs), console)
    console.print(f"input image {layout.input_size} bytes, output image {layout.output_size} bytes")
    if station.warnings:
        render_mistakes(station.warnings, console)
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


def schema_command(options: argparse.Namespace) -> int:
    """`bench schema`."""
    from bench.station import station_schema

    print(json.dumps(station_schema(), indent=2))
    return 0


if __name__ == "__main__":
    sys.exit(main())
