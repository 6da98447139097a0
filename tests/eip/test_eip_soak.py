"""Three hundred thousand frames in virtual time: memory flat, every frame counted, counters past their wrap.

`python -m tests.soak` does the same with ten million.
"""

from __future__ import annotations

from tests.soak import soak


def test_frames_are_all_accounted_for_and_memory_stays_flat() -> None:
    made = soak(300_000)
    assert (made.frames >= 300_000, made.mistakes()) == (True, [])
