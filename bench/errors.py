"""Every error of the bench, by whose fault it is.

    BenchError
        LocalError             the calling code: a call out of turn or out of range
            DeadlockError      everybody waits and nothing is due
        RemoteError            the peer on the network; carries the status to answer with
        WrongFiles             the person's files: every mistake, each with its position
        LogicFault             the person's control logic stopped while running
        MachineError           this computer: a port in use, an address that is not ours

`sims` stands alone and raises its own `sims.errors.ModelError`.
Errors keep fields; the text is made in `__str__`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


class BenchError(Exception):
    """Root of the tree; never raised itself."""


class LocalError(BenchError):
    """The calling code asked for something that cannot be; state is as before the call."""


class DeadlockError(LocalError):
    """Somebody waits on the timeline and no event is due that could end the wait."""

    def __init__(self, now_ns: int, waiting: Iterable[str]) -> None:
        self.now_ns = now_ns
        self.waiting = tuple(waiting)
        super().__init__(now_ns, self.waiting)

    def __str__(self) -> str:
        names = "; ".join(self.waiting) or "nobody"
        return f"nothing more is due after {self.now_ns / 1e6:.3f} ms, but these still wait: {names}"


class RemoteError(BenchError):
    """The peer sent something wrong.

    Args:
        field: the field of the frame, in the standard's words.
        expected: what may stand there.
        got: what stood there.
        status: the status to answer with (encapsulation or CIP general status), or None for silence.
        extended: CIP extended status words that go with it.
    """

    def __init__(
        self,
        field: str,
        expected: str,
        got: str,
        *,
        status: int | None = None,
        extended: tuple[int, ...] = (),
    ) -> None:
        self.field = field
        self.expected = expected
        self.got = got
        self.status = status
        self.extended = extended
        super().__init__(field, expected, got)

    def __str__(self) -> str:
        return f"{self.field}: expected {self.expected}, got {self.got}"


@dataclass(frozen=True, slots=True, order=True)
class Mistake:
    """One thing wrong in a file the person wrote.

    `line` and `column` count from 1; `path` is the key path inside the file (`points.Start.at`) or the
    program unit; `sentence` says what is wrong, what was expected and the nearest valid word.
    """

    file: str
    line: int
    column: int
    path: str
    sentence: str
    warning: bool = False

    def __str__(self) -> str:
        where = f"{self.path}: " if self.path else ""
        kind = "warning: " if self.warning else ""
        return f"{self.file}:{self.line}:{self.column}: {kind}{where}{self.sentence}"


class WrongFiles(BenchError):
    """One or more files are wrong; holds every mistake found, in file order."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__(self.mistakes)

    def __str__(self) -> str:
        return "\n".join(str(mistake) for mistake in self.mistakes)


class LogicFault(BenchError):
    """Control logic stopped in the middle of a scan; its outputs are not to be trusted."""

    def __init__(self, file: str, line: int, unit: str, sentence: str) -> None:
        self.file = file
        self.line = line
        self.unit = unit
        self.sentence = sentence
        super().__init__(file, line, unit, sentence)

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.unit}: {self.sentence}"


class MachineError(BenchError):
    """This computer refuses: says what was asked of it and what the person can do."""

    def __init__(self, asked: str, refused: str, remedy: str) -> None:
        self.asked = asked
        self.refused = refused
        self.remedy = remedy
        super().__init__(asked, refused, remedy)

    def __str__(self) -> str:
        return f"{self.asked}: {self.refused}; {self.remedy}"
