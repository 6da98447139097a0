"""Same files, same trace: byte for byte, whatever the seed of Python's hashes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def trace_bytes(file: Path, hash_seed: str) -> bytes:
    """The trace of all dibbler scenarios, from a process of its own."""
    subprocess.run(
        [sys.executable, "-m", "bench", "run", "scenarios/dibbler", "--brief", "--trace", str(file)],
        cwd=ROOT,
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
        check=True,
        capture_output=True,
        timeout=60,
    )
    return file.read_bytes()


def test_two_processes_write_the_same_bytes(tmp_path: Path) -> None:
    first, second = trace_bytes(tmp_path / "a", "1"), trace_bytes(tmp_path / "b", "4242")
    assert first == second
    assert first.count(b"drycycle-trace") == len(
        list((ROOT / "scenarios" / "dibbler").glob("*.scenario.yaml"))
    )
