"""TON, TOF and TP: standard timers of IEC 61131-3 ed. 3, table 46.

Time is sampled once per scan by the caller. A timer keeps the instant at which it started, so an
instance that is not called for a while jumps to the right ET at its next call.
The standard leaves open what a change of PT does to a running timer. Here PT is read at each call
and Q follows from it: a TON that had finished drops out when PT is raised above the time elapsed.
At ET = PT: TON.Q is TRUE, TOF.Q and TP.Q are FALSE. All times are whole nanoseconds.
"""

from __future__ import annotations


class TON:
    """On-delay: Q rises PT after IN and falls with it; with PT <= 0 in the same scan as IN."""

    __slots__ = ("ET", "IN", "PT", "Q", "_start")

    def __init__(self) -> None:
        self.IN = self.Q = False
        self.PT = self.ET = 0
        self._start: int | None = None

    def step(self, now_ns: int, IN: bool, PT: int) -> None:
        self.IN = IN
        self.PT = PT
        if not IN:
            if self._start is not None:
                self._start = None
                self.Q = False
                self.ET = 0
            return
        start = self._start
        if start is None:
            start = self._start = now_ns
        elapsed = now_ns - start
        if elapsed < PT:
            self.ET = elapsed
            self.Q = False
        else:
            self.ET = PT if PT > 0 else 0
            self.Q = True


class TOF:
    """Off-delay: Q rises with IN and falls PT after it; ET then holds until IN rises again."""

    __slots__ = ("ET", "IN", "PT", "Q", "_start", "_was_on")

    def __init__(self) -> None:
        self.IN = self.Q = False
        self.PT = self.ET = 0
        self._was_on = False
        self._start: int | None = None

    def step(self, now_ns: int, IN: bool, PT: int) -> None:
        self.IN = IN
        self.PT = PT
        if IN:
            self._was_on = self.Q = True
            self._start = None
            self.ET = 0
            return
        if self._was_on:
            self._was_on = False
            self._start = now_ns
        if self._start is None:
            return
        elapsed = now_ns - self._start
        self.Q = elapsed < PT
        self.ET = elapsed if elapsed < PT else max(PT, 0)


class TP:
    """Pulse: Q is TRUE for PT from the rise of IN, whatever IN does meanwhile; not retriggerable."""

    __slots__ = ("ET", "IN", "PT", "Q", "_before", "_start")

    def __init__(self) -> None:
        self.IN = self.Q = False
        self.PT = self.ET = 0
        self._before = False
        self._start: int | None = None

    def step(self, now_ns: int, IN: bool, PT: int) -> None:
        self.IN = IN
        self.PT = PT
        if self._start is None and IN and not self._before:
            self._start = now_ns
        self._before = IN
        if self._start is None:
            return
        elapsed = now_ns - self._start
        if elapsed < PT:
            self.Q = True
            self.ET = elapsed
            return
        self.Q = False
        self.ET = max(PT, 0)
        if not IN:
            self._start = None
            self.ET = 0
