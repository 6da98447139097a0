"""Two stations served together over real sockets, each at its own address."""

from __future__ import annotations

import asyncio
import io
from pathlib import Path

from rich.console import Console

from bench.clock import paced_loop
from bench.live.serve import serve
from bench.net.probe import probe
from bench.suite import read_served

SCENARIOS = Path(__file__).parents[2] / "scenarios"
ADDRESSES = ("127.0.8.41", "127.0.8.43")
FILE = f"""\
bench: Two
stations:
  - station: {SCENARIOS}/dibbler/station.yaml
    address: {ADDRESSES[0]}
    logic: {SCENARIOS}/dibbler/dibbler.st
  - station: {SCENARIOS}/loopback/station.yaml
    address: {ADDRESSES[1]}
"""


async def asked(path: Path, console: Console) -> tuple[list[str], str, bool]:
    """Serve for a second; who answers at each address meanwhile, the last words, and whether it ran."""
    running = asyncio.create_task(serve(read_served(path), 1.5, console))
    await asyncio.sleep(0.5)
    answers = [await asyncio.to_thread(probe, address) for address in ADDRESSES]
    names = [dict(answer.list_identity).get("product name", str(answer.list_identity)) for answer in answers]
    return names, *await running


def test_each_answers_at_its_own_address(tmp_path: Path) -> None:
    path = tmp_path / "two.bench.yaml"
    path.write_text(FILE, encoding="utf-8")
    page = io.StringIO()
    with asyncio.Runner(loop_factory=paced_loop) as runner:
        names, said, ran = runner.run(asked(path, Console(file=page, width=100)))
    listed = [f"Serving EtherNet/IP on {address}:" in page.getvalue() for address in ADDRESSES]
    owners = [line.split()[0] for line in said.splitlines() if "connection(s)" in line]
    assert (names, listed, owners, ran) == (["Dibbler I/O", "Loopback I/O"], [True, True], ["1", "0"], True)
