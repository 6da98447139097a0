"""Deadlines of many things in one heap; moving one later costs nothing until it is reached.

A cyclic adapter moves a watchdog with every frame, and almost none of them ever runs out. So the heap
holds each thing at the deadline it had when last looked at, and looks again when that one comes up. What
is gone before its deadline would stay for as long, over an hour at worst; so the heap is gone through when
it has doubled.
"""

from __future__ import annotations

import heapq
from typing import Generic, Protocol, TypeVar


class Timed(Protocol):
    """Something with a deadline; `armed_ns` belongs to the heap."""

    armed_ns: int

    @property
    def deadline_ns(self) -> int | None:
        """When it is due; None once it is gone."""
        ...


_Kind = TypeVar("_Kind", bound=Timed)
_SPARE = 64  # entries that may be left behind before it is worth a look


class Timers(Generic[_Kind]):
    """The heap. Equal deadlines come in the order in which they were watched."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, _Kind]] = []
        self._count = 0
        self._most = _SPARE

    def watch(self, timed: _Kind) -> None:
        """Look after *timed*; call again when its deadline has moved to an earlier time."""
        due_ns = timed.deadline_ns
        if due_ns is not None:
            timed.armed_ns = due_ns
            self._count += 1
            heapq.heappush(self._heap, (due_ns, self._count, timed))
            if len(self._heap) > self._most:
                self._tidy()

    def _tidy(self) -> None:
        """Let go of what is gone and of entries that a later `watch` has replaced."""
        kept: dict[int, tuple[int, int, _Kind]] = {}
        for entry in sorted(self._heap):
            at_ns, _, timed = entry
            if at_ns == timed.armed_ns and timed.deadline_ns is not None:
                kept.setdefault(id(timed), entry)
        self._heap = list(kept.values())  # in order, so it is a heap
        self._most = 2 * len(kept) + _SPARE

    def next_ns(self) -> int | None:
        """The earliest deadline, None when nothing is watched."""
        heap = self._heap
        while heap:
            at_ns, _, timed = heap[0]
            due_ns = timed.deadline_ns
            if due_ns is None or at_ns != timed.armed_ns:
                heapq.heappop(heap)
            elif due_ns > at_ns:
                timed.armed_ns = due_ns
                self._count += 1
                heapq.heapreplace(heap, (due_ns, self._count, timed))
            else:
                return at_ns
        return None

    def take_due(self, now_ns: int) -> _Kind | None:
        """The next thing due at *now_ns*, no longer watched; None when nothing is due."""
        due_ns = self.next_ns()
        if due_ns is None or due_ns > now_ns:
            return None
        timed = heapq.heappop(self._heap)[2]
        timed.armed_ns = -1
        return timed

    def __len__(self) -> int:
        return len(self._heap)
