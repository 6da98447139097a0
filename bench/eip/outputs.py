"""The output image of an adapter, and what becomes of it when its owner is idle, gone or silent."""

from __future__ import annotations

from collections.abc import Callable

from bench.eip.config import AdapterConfig, OnLoss
from bench.eip.events import Event, OutputsChanged


class OutputImage:
    """The image after the rules for run, idle, timeout and close; starts as zeros, not running."""

    def __init__(self, config: AdapterConfig, tell: Callable[[Event], None]) -> None:
        self._tell = tell
        self._zeros = bytes(config.output_size)
        self.data = self._zeros
        self.running = False

    def apply(self, data: bytes, run: bool, now_ns: int) -> None:
        """Take over *data*; tells only what changed."""
        if data != self.data or run != self.running:
            self.data = data
            self.running = run
            self._tell(OutputsChanged(now_ns, data, run))

    def lose(self, rule: OnLoss, now_ns: int) -> None:
        """The owner does not drive the image any more: clear or hold it."""
        self.apply(self.data if rule is OnLoss.HOLD else self._zeros, False, now_ns)
