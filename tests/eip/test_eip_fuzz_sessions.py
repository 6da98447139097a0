"""The fuzzer's sessions, driven by hypothesis: what must hold after every call holds on any tape.

`python -m tests.fuzz` drives the same code for longer, with coverage as its guide.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from bench.eip.connections import Connection
from bench.eip.manager import ConnectionManager
from bench.eip.transport import Address
from tests.fuzz import adapter_session, decoders, joined_session, scanner_session, seeds
from tests.fuzz.adapter_session import AdapterSession
from tests.fuzz.tape import step


def tapes(pieces: tuple[bytes, ...], heads: int, most: int) -> st.SearchStrategy[bytes]:
    """A head that chooses the configuration, and steps: known ones, and any bytes between."""
    part = st.sampled_from(pieces) | st.sampled_from(pieces) | st.binary(max_size=9)
    body = st.lists(part, max_size=most).map(b"".join)
    return st.tuples(st.binary(min_size=heads, max_size=heads), body).map(b"".join)


def bounded(examples: int) -> settings:
    return settings(max_examples=examples, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@pytest.mark.parametrize("seed", seeds.adapter_seeds(), ids=range(len(seeds.adapter_seeds())))
def test_the_adapters_seeds(seed: bytes) -> None:
    session = AdapterSession(seed)
    session.run()
    assert session.adapter.manager_counters.open_requests


@bounded(2200)
@given(tapes(seeds.ADAPTER_PIECES, 1, 60))
def test_an_adapter_among_all_kinds_of_peers(tape: bytes) -> None:
    adapter_session.run(tape)


@bounded(1800)
@given(tapes(seeds.SCANNER_PIECES, 1, 60))
def test_a_scanner_with_a_hostile_target(tape: bytes) -> None:
    scanner_session.run(tape)


@bounded(300)
@given(tapes(seeds.JOINED_PIECES, 2, 16))
def test_a_scanner_and_an_adapter_on_a_hostile_network_meet_in_the_end(tape: bytes) -> None:
    joined_session.run(tape)


@bounded(4000)
@given(st.sampled_from(seeds.decoder_seeds()), st.binary(max_size=12), st.integers(0, 120))
def test_every_decoder_on_bent_frames(seed: bytes, put_in: bytes, at: int) -> None:
    decoders.run(seed)
    decoders.run(seed[: 1 + at] + put_in + seed[1 + at :])
    decoders.run(seed[: 1 + at] + put_in + seed[1 + at + len(put_in) :])


@bounded(2000)
@given(st.integers(0, len(decoders.DECODERS) - 1), st.binary(max_size=80))
@example(0, b"")
def test_every_decoder_on_any_bytes(number: int, data: bytes) -> None:
    decoders.run(bytes((number,)) + data)


def test_the_sessions_see_an_adapter_that_believes_strangers(monkeypatch: pytest.MonkeyPatch) -> None:
    def believe(self: ConnectionManager, connection: Connection, peer: Address, now_ns: int) -> bool:
        return True

    monkeypatch.setattr(ConnectionManager, "_is_source", believe)
    stranger = step(0, 0, 0xE0, 1, 0, 1, 2, 0, 0x44)
    with pytest.raises(AssertionError, match=r"are .*DDDD.*, expected .*x11"):
        adapter_session.run(b"\x80" + seeds.CYCLIC + stranger)


def test_the_sessions_see_an_adapter_that_keeps_outputs_after_a_timeout(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("bench.eip.outputs.OutputImage.lose", lambda *_: None)
    with pytest.raises(AssertionError, match=r"are .*x11.*, expected .*x00"):
        adapter_session.run(b"\x80" + seeds.CYCLIC + seeds.LONG)
