"""Who looks at which signals: rules, expectations and waits, in the CHECK phase of an instant.

A look happens once an instant, after everything else of it, and only when one of its signals was
recorded, or moves without a record: a plant quantity with every physics step, a running time with
every scan.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from bench.clock import Entry, Phase, Timeline


@dataclass(slots=True, eq=False)
class Watcher:
    """One look; `fresh` until it has looked for the first time, which it always does."""

    look: Callable[[], None]
    names: frozenset[str]
    with_steps: bool
    with_scans: bool
    fresh: bool = True


class Watchers:
    """All watchers of one world.

    Args:
        timeline: where the CHECK phase is.
        kinds: the type of every name; LREAL is a plant quantity, TIME a time of the program.
    """

    def __init__(self, timeline: Timeline, kinds: Mapping[str, str]) -> None:
        self._timeline = timeline
        self._kinds = kinds
        self._watchers: list[Watcher] = []
        self._changed: set[str] = set()  # only ever asked for members, so its order is nowhere to be seen
        self._stepped = self._scanned = False
        self._check: Entry | None = None
        self._with_steps = self._with_scans = 0

    def add(self, names: Iterable[str], look: Callable[[], None]) -> Watcher:
        """Have *look* called whenever one of *names* may have another value."""
        known = frozenset(names)
        kinds = {self._kinds.get(name) for name in known}
        watcher = Watcher(look, known, "LREAL" in kinds, "TIME" in kinds)
        self._watchers.append(watcher)
        self._with_steps += watcher.with_steps
        self._with_scans += watcher.with_scans
        return watcher

    def remove(self, watcher: Watcher) -> None:
        """No more looks."""
        self._watchers.remove(watcher)
        self._with_steps -= watcher.with_steps
        self._with_scans -= watcher.with_scans

    def recorded(self, signal: str) -> None:
        """A signal got another value in this instant."""
        self._changed.add(signal)
        self._touch()

    def stepped(self) -> None:
        """The plant moved."""
        if self._with_steps:
            self._stepped = True
            self._touch()

    def scanned(self) -> None:
        """The program ran."""
        if self._with_scans:
            self._scanned = True
            self._touch()

    def _touch(self) -> None:
        if self._check is None or not self._check.pending:
            self._check = self._timeline.after(0, Phase.CHECK, self._run)

    def _run(self) -> None:
        stepped, scanned = self._stepped, self._scanned
        changed, self._changed = self._changed, set()
        self._stepped = self._scanned = False
        for watcher in tuple(self._watchers):
            if (
                watcher.fresh
                or (stepped and watcher.with_steps)
                or (scanned and watcher.with_scans)
                or not changed.isdisjoint(watcher.names)
            ):
                watcher.fresh = False
                watcher.look()
