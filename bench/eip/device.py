"""What the objects need of the running adapter: its images, its state, its counters, its settings.

The adapter implements `Device`; everything is read when an attribute is asked for, never before.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Protocol

from bench.eip.config import AdapterConfig

INACTIVITY_MAX_S = 3600  # TCP/IP Interface attribute 13; 0 is off
DSCP_MAX = 63  # a code point has six bits


class State(IntEnum):
    """Identity attribute 8, as common practice has it; no published source at hand."""

    NONEXISTENT = 0
    SELF_TEST = 1
    STANDBY = 2
    OPERATIONAL = 3
    MAJOR_RECOVERABLE_FAULT = 4
    MAJOR_UNRECOVERABLE_FAULT = 5


class Traffic(IntEnum):
    """Kinds of traffic with a code point of their own, as the attributes of the QoS object."""

    URGENT = 4
    SCHEDULED = 5
    HIGH = 6
    LOW = 7
    EXPLICIT = 8


# The defaults of the QoS object as the open adapter libraries have them.
DSCP_DEFAULTS: Mapping[int, int] = {
    Traffic.URGENT: 55,
    Traffic.SCHEDULED: 47,
    Traffic.HIGH: 43,
    Traffic.LOW: 31,
    Traffic.EXPLICIT: 27,
}


@dataclass(slots=True)
class ManagerCounters:
    """Connection Manager attributes 1 to 8, in this order; they count on and wrap when read."""

    open_requests: int = 0
    open_format_rejects: int = 0
    open_resource_rejects: int = 0
    open_other_rejects: int = 0
    close_requests: int = 0
    close_format_rejects: int = 0
    close_other_rejects: int = 0
    timeouts: int = 0


@dataclass(slots=True)
class LinkCounters:
    """Ethernet Link attribute 4, in this order; they count on and wrap when read."""

    in_octets: int = 0
    in_unicast: int = 0
    in_nonunicast: int = 0
    in_discards: int = 0
    in_errors: int = 0
    in_unknown_protos: int = 0
    out_octets: int = 0
    out_unicast: int = 0
    out_nonunicast: int = 0
    out_discards: int = 0
    out_errors: int = 0


@dataclass(slots=True)
class Settings:
    """What can be set over the network.

    Attributes:
        inactivity_s: encapsulation inactivity timeout, 0 (off) to 3600; taken at once.
        dscp: code points in use, 0 to 63.
        pending_dscp: code points set but not in use: read back at once, used after the next start.
    """

    inactivity_s: int = 120
    dscp: dict[int, int] = field(default_factory=lambda: dict(DSCP_DEFAULTS))
    pending_dscp: dict[int, int] = field(default_factory=dict)

    def start(self) -> None:
        """What was pending is used from now on; the adapter calls this when it starts."""
        self.dscp.update(self.pending_dscp)
        self.pending_dscp.clear()


class Device(Protocol):
    """The running adapter.

    `state` is Identity attribute 8; `owned` is true while an owner's connection is established, `kept`
    while its outputs wait for it after a timeout, `io_open` while any I/O connection is; `open_connections`
    counts those of every class.
    """

    @property
    def config(self) -> AdapterConfig: ...
    @property
    def inputs(self) -> bytes: ...
    @property
    def outputs(self) -> bytes: ...
    @property
    def status_word(self) -> int: ...
    @property
    def state(self) -> int: ...
    @property
    def owned(self) -> bool: ...
    @property
    def kept(self) -> bool: ...
    @property
    def io_open(self) -> bool: ...
    @property
    def open_connections(self) -> int: ...
    @property
    def manager_counters(self) -> ManagerCounters: ...
    @property
    def link_counters(self) -> LinkCounters: ...
    @property
    def settings(self) -> Settings: ...
    def write_outputs(self, data: bytes, now_ns: int) -> None:
        """Replace the output image nobody owns; `data` has its size."""
