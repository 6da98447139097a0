"""Ctrl-C ends a long wait in virtual time, though no task is able to run."""

from __future__ import annotations

import signal

import pytest

from bench.clock import Phase, Timeline, run_virtual

S = 1_000_000_000


def test_interrupt_ends_a_long_wait_in_virtual_time() -> None:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    timeline = Timeline()

    def tick() -> None:
        if timeline.now_ns == 10 * S:
            signal.raise_signal(signal.SIGINT)
        timeline.after(S, Phase.SCAN, tick)

    timeline.after(S, Phase.SCAN, tick)
    try:
        with pytest.raises(KeyboardInterrupt):
            run_virtual(timeline, timeline.sleep(100_000 * S))
    finally:
        signal.signal(signal.SIGINT, before)
    assert timeline.now_ns < 1_000 * S
