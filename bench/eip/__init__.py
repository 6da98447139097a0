"""EtherNet/IP without sockets and without a clock: an adapter and a scanner as pure cores."""

from bench.eip.adapter import Adapter
from bench.eip.config import AdapterConfig, Identity, OnLoss
from bench.eip.scanner import Scanner, ScannerConfig
from bench.eip.transport import IO_PORT, TCP_PORT, Endpoint

__all__ = [
    "IO_PORT",
    "TCP_PORT",
    "Adapter",
    "AdapterConfig",
    "Endpoint",
    "Identity",
    "OnLoss",
    "Scanner",
    "ScannerConfig",
]
