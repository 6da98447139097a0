"""The class 1 scanner of the PyPI package ethernetip, opened and closed without leaving anything behind."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from ethernetip import EtherNetIP
from ethernetip.ethernetip import config
from interop_serve import CONFIGURATION, INPUT, OUTPUT

IMAGE_BYTES = 2
config.IO_SOCKET_SELECT_TIMEOUT = 0.05  # s; its listening thread looks this often whether to end
TIMEOUT_CODE = 3  # 32 intervals, so that a busy computer does not end the connection


class Scanner:
    """One originator; `inputs` and `outputs` are lists of bits that its threads read and write.

    It listens on a free port, which its forward open names, since the bench may hold port 2222.
    """

    def __init__(self, address: str) -> None:
        self.endpoint: Any = EtherNetIP(address)
        self.endpoint.startIO(0)
        self.connection: Any = self.endpoint.explicit_conn()
        self.inputs = self.endpoint.registerAssembly(
            EtherNetIP.ENIP_IO_TYPE_INPUT, IMAGE_BYTES, INPUT, self.connection
        )
        self.outputs = self.endpoint.registerAssembly(
            EtherNetIP.ENIP_IO_TYPE_OUTPUT, IMAGE_BYTES, OUTPUT, self.connection
        )

    def open(self, rpi_ms: int = 10, *, input_assembly: int = INPUT) -> Any:
        """Register a session and send a forward open: 0, or the extended status of the refusal."""
        self.connection.registerSession()
        return self.connection.sendFwdOpenReq(
            input_assembly,
            OUTPUT,
            CONFIGURATION,
            torpi=rpi_ms,
            otrpi=rpi_ms,
            multiplier=TIMEOUT_CODE,
            originator_udp_port=self.endpoint.originator_udp_port,
        )

    def silence(self) -> None:
        """Stop sending O->T frames."""
        self.connection.stopProduce()
        if self.connection.prod_thread is not None:
            self.connection.prod_thread.join(timeout=5)

    def close(self) -> Any:
        """Stop sending and send a forward close: 0 when it is answered."""
        self.silence()
        return self.connection.sendFwdCloseReq(INPUT, OUTPUT, CONFIGURATION)

    @property
    def on(self) -> list[int]:
        """Numbers of the input bits that are TRUE."""
        return [number for number, bit in enumerate(self.inputs) if bit]


@contextmanager
def scanner_at(address: str) -> Iterator[Scanner]:
    """A scanner whose threads and sockets are gone after the block."""
    scanner = Scanner(address)
    try:
        yield scanner
    finally:
        scanner.silence()
        # Its own stopIO closes the socket under the listening thread; end the thread first.
        scanner.endpoint.io_state = 0
        scanner.endpoint.udpthread.join(timeout=5)
        for sock in (scanner.endpoint.udpsock, scanner.connection.prodsock, scanner.connection.sock):
            sock.close()
