"""A simulated fieldbus I/O test bench.

The public door: everything a Python test or program needs to run a station.
"""

from bench.clock import PacedDriver, Phase, Timeline, run_paced, run_virtual
from bench.errors import (
    BenchError,
    DeadlockError,
    LocalError,
    LogicFault,
    MachineError,
    Mistake,
    RemoteError,
    WrongFiles,
)

__all__ = [
    "BenchError",
    "DeadlockError",
    "LocalError",
    "LogicFault",
    "MachineError",
    "Mistake",
    "PacedDriver",
    "Phase",
    "RemoteError",
    "Timeline",
    "WrongFiles",
    "run_paced",
    "run_virtual",
]
