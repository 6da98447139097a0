"""Sentences of `bench serve`: the identity status in words, the limits of an adapter, log lines."""

from __future__ import annotations

from bench.eip.config import Limits
from bench.eip.events import BadFrame, ConnectionTimedOut, Event, Refused
from bench.units import NS_PER_MS, NS_PER_S

# Bits and states of the Identity object's status attribute: public header of an open stack.
_BITS = (
    (1 << 0, "owned"),
    (1 << 2, "configured"),
    (1 << 8, "minor recoverable fault"),
    (1 << 9, "minor unrecoverable fault"),
    (1 << 10, "major recoverable fault"),
    (1 << 11, "major unrecoverable fault"),
)
_STATES = {
    0: "state unknown",
    1: "firmware update",
    2: "a connection timed out",
    3: "no connection",
    4: "configuration bad",
    5: "major fault",
    6: "in run",
    7: "idle",
}


def status_text(word: int) -> str:
    """The Identity object's status word: `0x0061 owned, in run`."""
    words = [text for bit, text in _BITS if word & bit]
    words.insert(1 if word & 1 else 0, _STATES.get(word >> 4 & 0xF, "state unknown"))
    return f"0x{word:04X} {', '.join(words)}"


def limits_text(limits: Limits | None = None) -> str:
    """Every limit of one adapter, a line each."""
    held = Limits() if limits is None else limits
    quiet = "never" if held.inactivity_s == 0 else f"after {held.inactivity_s} s"
    lines = (
        f"I/O connections {held.io_connections} (connections); class 3 connections "
        f"{held.message_connections}",
        f"TCP sessions {held.sessions}, from one address {held.sessions_per_source}",
        f"frame length {held.frame_bytes} bytes; a longer one closes its link",
        f"a TCP link without a session is closed after {held.quiet_s} s",
        f"a session without traffic is closed {quiet} (inactivity_s)",
        f"answers to datagrams: {held.datagrams_per_s} a second for one source address",
        f"lines about refusals, and about bad frames: {held.complaints_per_s} a second each",
        f"packet interval at most {held.rpi_max_ns // NS_PER_MS} ms (rpi_ms.maximum)",
    )
    return "".join(f"  {line}\n" for line in lines)


def log_line(address: str, event: Event) -> str:
    """What an event of the adapter at *address* says to whoever keeps the log; empty for most."""
    if isinstance(event, Refused):
        text = f"refused: {event}"
    elif isinstance(event, ConnectionTimedOut):
        text = f"timed out: originator {event.originator}: {event.sentence}"
    elif isinstance(event, BadFrame):
        text = f"bad frame from {event.peer}: {event.sentence}"
    else:
        return ""
    return f"{event.t_ns / NS_PER_S:.3f} s  {address}  {text}"
