"""Rates: how often a source may be answered, and how many lines a second may be written.

No clock here: every call brings `now_ns`, which never goes back.
"""

from __future__ import annotations

_SECOND_NS = 1_000_000_000


class TokenBuckets:
    """At most `per_s` a second for each source, with a burst of as many, for a bounded number of sources.

    The generic cell rate algorithm (ITU-T I.371), which needs one number a source: when its bucket is
    full again. When there is no room for a new source, the one that asked longest ago makes way and the
    newcomer takes over what is left in its bucket. So somebody who invents a new source for every
    question gets no more than `most_sources` times the rate.

    Args:
        per_s: tokens a second, also the most a source can save up; 0 refuses everything.
        most_sources: sources remembered, 1 or more.

    Attributes:
        refused: how often no token was left.
    """

    def __init__(self, per_s: int, most_sources: int = 1024) -> None:
        self.refused = 0
        self._period_ns = -(-_SECOND_NS // per_s) if per_s > 0 else 0  # rounded up: never faster
        self._slack_ns = (per_s - 1) * self._period_ns
        self._most_sources = most_sources
        self._full_ns: dict[str, int] = {}  # by source, the one that asked longest ago first

    def __len__(self) -> int:
        return len(self._full_ns)

    def take(self, source: str, now_ns: int) -> bool:
        """Whether the source had a token left; it is gone then."""
        full = self._full_ns
        full_ns = full.pop(source, None)
        if full_ns is None:
            crowded = len(full) >= self._most_sources
            full_ns = full.pop(next(iter(full))) if crowded else now_ns
        full_ns = max(full_ns, now_ns)
        allowed = self._period_ns > 0 and full_ns - now_ns <= self._slack_ns
        full[source] = full_ns + self._period_ns if allowed else full_ns
        self.refused += not allowed
        return allowed


class LogLimiter:
    """Passes `per_s` lines of a second and counts the rest, which come as one line afterwards.

    A second begins with the first line after the one before. For every line to write:

        if more := limiter.overdue(now_ns):
            write(more)
        if limiter.passes(now_ns):
            write(line)

    and at `next_deadline_ns()` once more the first two lines, so that the count is written even if no
    line follows.

    Attributes:
        held_back: lines not passed since the start.
    """

    def __init__(self, per_s: int) -> None:
        self.held_back = 0
        self._per_s = per_s
        self._end_ns: int | None = None  # of the present second
        self._passed = 0
        self._held = 0  # of the present second
        self._owed = 0  # of seconds that are over

    def passes(self, now_ns: int) -> bool:
        """Whether this line may be written."""
        self._turn(now_ns)
        if self._end_ns is None:
            self._end_ns = now_ns + _SECOND_NS
        if self._passed < self._per_s:
            self._passed += 1
            return True
        self._held += 1
        self.held_back += 1
        return False

    def overdue(self, now_ns: int) -> str:
        """The line for what was held back in the second that is over; empty when there is none."""
        self._turn(now_ns)
        owed, self._owed = self._owed, 0
        return f"{owed} more in this second" if owed else ""

    def next_deadline_ns(self) -> int | None:
        """When `overdue` will have something to say."""
        return self._end_ns if self._held or self._owed else None

    def _turn(self, now_ns: int) -> None:
        if self._end_ns is not None and now_ns >= self._end_ns:
            self._owed += self._held
            self._held = self._passed = 0
            self._end_ns = None
