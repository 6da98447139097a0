"""Environments of the PyPI peers, one each (two of them share an import name), in a temporary folder."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.bench.servers import ADDRESS

CM, CPPPO = "cm-ethernetip==0.1.0", "cpppo==5.2.5"
INSTALL_S = 120


@dataclass(frozen=True, slots=True)
class Environment:
    """An interpreter with the peer in it, or why there is none."""

    python: Path | None
    reason: str = ""


def environments(folder: Path) -> dict[str, Environment]:
    """Per requirement an environment below *folder*; nothing is raised when pip cannot get one."""
    wanted = {CM: (CM, "uvloop"), CPPPO: (CPPPO,)}
    with ThreadPoolExecutor(len(wanted)) as pool:
        jobs = {
            key: pool.submit(_build, folder / key.partition("=")[0], all_) for key, all_ in wanted.items()
        }
        return {key: job.result() for key, job in jobs.items()}


def _build(folder: Path, requirements: tuple[str, ...]) -> Environment:
    python = folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    reason = _run([sys.executable, "-m", "venv", str(folder)])
    pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    if not reason:
        reason = _run([*pip, requirements[0]])
    if reason:
        return Environment(None, f"{requirements[0]} could not be installed: {reason}")
    for extra in requirements[1:]:
        _run([*pip, extra])  # the peer under uvloop is left out when that fails
    return Environment(python)


def _run(command: list[str]) -> str:
    """Empty when it went well, else the last line it said."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=INSTALL_S, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error)
    if done.returncode == 0:
        return ""
    said = (done.stderr.strip() or done.stdout.strip()).splitlines()
    return said[-1] if said else f"exit status {done.returncode}"


def has_uvloop(python: Path) -> bool:
    return not _run([str(python), "-c", "import uvloop"])


def cm_command(python: Path, kind: str) -> list[str]:
    return [str(python), "-P", str(Path(__file__).with_name("peer_adapter.py")), ADDRESS, kind]


def cpppo_command(python: Path) -> list[str]:
    """`-S`: a simple device that takes no route path."""
    return [str(python), "-m", "cpppo.server.enip", "-S", "-a", ADDRESS, "--no-udp", "TAG=INT[16]"]
