"""Every kind of error with the sentence a person reads."""

from __future__ import annotations

import pytest

from bench import errors
from bench.errors import (
    BenchError,
    DeadlockError,
    LocalError,
    LogicFault,
    MachineError,
    Mistake,
    RemoteError,
    WrongFiles,
)

MISTAKE = Mistake("a.yaml", 3, 5, "points.Start.at", "there is no module 'DX'; did you mean 'DI'?")
WARNING = Mistake("a.st", 1, 1, "", "never written", warning=True)

TABLE = [
    (LocalError("no point X"), "no point X"),
    (
        DeadlockError(1_500_000, ["the time 2 ms", "Start"]),
        "nothing more is due after 1.500 ms, but these still wait: the time 2 ms; Start",
    ),
    (DeadlockError(0, []), "nothing more is due after 0.000 ms, but these still wait: nobody"),
    (RemoteError("RPI", "2 to 1000 ms", "1 ms", status=1), "RPI: expected 2 to 1000 ms, got 1 ms"),
    (
        WrongFiles([MISTAKE, WARNING]),
        "a.yaml:3:5: points.Start.at: there is no module 'DX'; did you mean 'DI'?\n"
        "a.st:1:1: warning: never written",
    ),
    (LogicFault("a.st", 7, "Dibbler", "division by zero"), "a.st:7: Dibbler: division by zero"),
    (
        MachineError("TCP port 44818", "the port is in use", "choose another address"),
        "TCP port 44818: the port is in use; choose another address",
    ),
]


@pytest.mark.parametrize(("error", "text"), TABLE)
def test_the_sentence(error: BenchError, text: str) -> None:
    assert str(error) == text


def test_every_class_of_the_tree_is_in_the_table() -> None:
    kinds = {
        kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, BenchError)
    }
    assert kinds - {BenchError} == {type(error) for error, _ in TABLE}


@pytest.mark.parametrize(("error", "text"), TABLE)
def test_fields_survive_a_copy(error: BenchError, text: str) -> None:
    if isinstance(error, RemoteError):
        assert (error.status, error.extended) == (1, ())
    assert str(type(error)(*error.args)) == text


def test_mistakes_sort_in_file_order() -> None:
    assert sorted([MISTAKE, WARNING, Mistake("a.yaml", 3, 1, "", "")])[0] is WARNING
