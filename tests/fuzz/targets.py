"""What can be fuzzed, by name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.fuzz import adapter_session, decoders, joined_session, scanner_session, seeds

Run = Callable[[bytes, "list[str] | None"], None]


@dataclass(frozen=True, slots=True)
class Target:
    """`run` takes bytes and, when the calls are to be told, a list for them."""

    run: Run
    seeds: Callable[[], list[bytes]]
    most_bytes: int


def _eds(data: bytes, log: list[str] | None = None) -> None:
    decoders.DECODERS["eds"](data)


TARGETS = {
    "decoders": Target(decoders.run, seeds.decoder_seeds, 600),
    "eds": Target(_eds, seeds.eds_seeds, 8000),
    "adapter": Target(adapter_session.run, seeds.adapter_seeds, 1500),
    "scanner": Target(scanner_session.run, seeds.scanner_seeds, 1000),
    "joined": Target(joined_session.run, seeds.joined_seeds, 300),
}


def calls_of(target: Target, data: bytes) -> list[str]:
    """The calls that *data* makes, up to the one that fails."""
    log: list[str] = []
    try:
        target.run(data, log)
    except Exception as error:
        log.append(f"{type(error).__name__}: {error}")
    return log
