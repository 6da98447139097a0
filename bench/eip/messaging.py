"""Class 3: explicit messages over a connection of their own, each answered once.

A request carries a 16-bit sequence count before it; the same count again is the same request again, and
gets the same answer without being carried out a second time.
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.eip.cyclic import FIRST_TIMEOUT_NS
from bench.eip.forward_open import ForwardOpen
from bench.eip.open_request import Held

SEQUENCE_BYTES = 2


@dataclass(slots=True, eq=False)
class MessageConnection:
    """One class 3 connection; it lives and dies with its TCP link."""

    asked: ForwardOpen
    ot_id: int
    to_id: int
    link: int
    originator: str
    timeout_ns: int
    expires_ns: int
    is_live: bool = True
    count: int = -1
    answer: bytes = b""
    requests: int = 0
    repeats: int = 0
    armed_ns: int = -1

    @classmethod
    def begin(
        cls, asked: ForwardOpen, ot_id: int, link: int, originator: str, api_ns: int, now_ns: int
    ) -> MessageConnection:
        timeout_ns = api_ns * (4 << asked.multiplier_code)
        first_ns = now_ns + max(timeout_ns, FIRST_TIMEOUT_NS)
        return cls(asked, ot_id, asked.to_id, link, originator, timeout_ns, first_ns)

    @property
    def deadline_ns(self) -> int | None:
        return self.expires_ns if self.is_live else None

    def held(self) -> Held:
        return Held(self.asked.triad, self.originator, None, False)
