"""Frames made by other people's encoders, taken by our decoders."""

from __future__ import annotations

import importlib
from typing import Any

from eip_link import CONFIG, PATH, Client

from bench.eip.adapter import Adapter
from bench.eip.forward_open import ForwardOpen

peer: Any = importlib.import_module("ethernetip.ethernetip")  # it ships no types


def forward_open(**fields: Any) -> bytes:
    """The whole message: the peer's layout starts at the path size, so the service goes in front."""
    path = peer.ConnectionPath()
    path.addLogicalSegment(cls=4, instance=151, connection_point=150)
    path.addLogicalSegment(connection_point=100)
    manager = peer.ConnectionPath()
    manager.addLogicalSegment(cls=6, instance=1)
    packet = peer.ForwardOpenReq(
        mkpath=manager.get_path_with_len(),
        plen=len(path.get()) // 2,
        data=path.get(),
        otparams=38 | 2 << 10 | 2 << 13,
        toparams=34 | 2 << 10 | 2 << 13,
        **fields,
    )
    return b"\x54" + bytes(packet)


def test_the_peers_forward_open_decodes_to_its_fields() -> None:
    asked = ForwardOpen.decode(forward_open(conn_serial=77, otrpi=20_000, torpi=30_000)[6:])
    assert (asked.path, asked.triad, asked.ot_rpi_us, asked.to_rpi_us, asked.ot.size, asked.to.size) == (
        PATH,
        (77, 1, 0xBEEFF00D),
        20_000,
        30_000,
        38,
        34,
    )


def test_the_peers_forward_open_is_granted_and_its_reply_read() -> None:
    client = Client(Adapter(CONFIG)).register()
    answer = client.message(forward_open(toconnid=5, multiplier=2))
    (report,) = client.adapter.connections()
    assert (answer.status, report.timeout_ns) == (0, 100_000_000 * 16)


def test_the_peers_key_is_read() -> None:
    ring = peer.KeyRing(vendor=5, devicetype=12, productcode=7)
    client = Client(Adapter(CONFIG)).register()
    assert client.open(path=ring.getPathSegment() + PATH).extended == (0x114,)
