"""Found by reading the adapter against its promises: many listeners, idle without data, outputs that wait."""

from __future__ import annotations

from struct import unpack_from

import pytest
from eip_rules import ONLY_INPUT, ONLY_LISTEN, Rig, cyclic, forward_close, forward_open

from bench.eip.config import Limits, OnLoss, OutputFormat
from bench.eip.transport import IO_PORT

MS = 1_000_000
A = ("127.0.0.9", 2222)
HEARTBEAT = 0x4802  # point to point, scheduled, fixed, a count alone
SET_OUTPUTS = bytes.fromhex("10 03 20 04 24 96 30 03") + b"\xaa" * 32
FULL = b"\xff" * 32
RUN = b"\x01\x00\x00\x00"


def owner(rig: Rig, size: int = 38) -> int:
    """A's exclusive owner connection; its O->T id."""
    reply, _ = rig.message("A", forward_open(ot=0x4800 | size))
    ot_id: int = unpack_from("<I", reply, 4)[0]
    return ot_id


@pytest.mark.parametrize("listeners", [3, 999])
def test_every_listener_goes_with_the_last_connection_it_listened_to(listeners: int) -> None:
    rig = Rig(limits=Limits(io_connections=1000))
    rig.message("A", forward_open(ONLY_INPUT, ot=HEARTBEAT))
    for serial in range(2, 2 + listeners):
        rig.message("B", forward_open(ONLY_LISTEN, ot=HEARTBEAT, serial=serial))
    before = rig.adapter.open_connections
    rig.message("A", forward_close())
    # the last of 1000 places is the owner's
    assert (before, rig.adapter.open_connections) == (min(1 + listeners, 999), 0)


@pytest.mark.parametrize("idle_first", [True, False])
def test_data_after_idle_without_data_is_taken_whatever_its_count(idle_first: bool) -> None:
    rig = Rig(output_format=OutputFormat.ZERO_LENGTH)
    ot_id = owner(rig, 34)
    bodies = [b"", FULL] if idle_first else [b"\x11" * 32, b"", FULL]
    for seq, body in enumerate(bodies, 1):
        rig.udp(IO_PORT, A, cyclic(ot_id, seq, body, count=7))
    assert rig.outputs == f"run {FULL.hex().upper()}"


def test_nobody_sets_outputs_that_are_kept_for_an_owner() -> None:
    rig = Rig(settable_outputs=True, on_timeout=OnLoss.HOLD)
    ot_id = owner(rig)
    rig.udp(IO_PORT, A, cyclic(ot_id, 1, RUN + FULL, count=1))
    rig.advance(1000 * MS)
    reply, _ = rig.message("B", SET_OUTPUTS)
    assert (reply[2], rig.outputs, "kept for its owner" in rig.last_told) == (
        0x0C,
        f"idle {FULL.hex().upper()}",
        True,
    )


def test_outputs_can_be_set_when_the_owner_that_timed_out_has_closed() -> None:
    rig = Rig(settable_outputs=True)
    ot_id = owner(rig)
    rig.udp(IO_PORT, A, cyclic(ot_id, 1, RUN + FULL, count=1))
    rig.advance(1000 * MS)
    # its TCP link is closed with its last connection; the close comes over another one
    rig.message("A2", forward_close())
    reply, _ = rig.message("B", SET_OUTPUTS)
    assert (reply[2], rig.outputs) == (0, "idle " + "AA" * 32)


def test_a_lost_owner_shows_in_the_status_word_while_others_only_listen() -> None:
    rig = Rig()
    owner(rig)
    rig.message("B", forward_open(ONLY_INPUT, ot=HEARTBEAT, serial=2, code=7, ot_us=1_000_000))
    rig.advance(11_000 * MS)
    assert (rig.adapter.open_connections, f"{rig.adapter.status_word:04X}") == (1, "0020")


def test_noise_on_the_io_port_does_not_hide_why_an_open_was_refused() -> None:
    rig = Rig()
    rig.registered("B")
    for number in range(100):
        rig.udp(IO_PORT, ("127.0.0.66", 1), bytes([number]))
    rig.message("B", forward_open(ot=0x4824))
    assert "32 + 4 header + 2 count = 38" in rig.last_told
