"""The longest packet interval that a Forward Open can ask for is answered, not fallen over."""

from __future__ import annotations

from dataclasses import replace

import pytest
from eip_link import CONFIG, Client

from bench.eip.adapter import Adapter
from bench.eip.config import Limits

WITHOUT_LIMIT = Limits(rpi_max_ns=0xFFFF_FFFF * 1000)


@pytest.mark.parametrize("tick_ns", [1_000, 1_000_000, 7_000_000])
def test_longest_interval_is_granted_within_a_udint(tick_ns: int) -> None:
    client = Client(Adapter(replace(CONFIG, tick_ns=tick_ns, limits=WITHOUT_LIMIT))).register()
    response = client.open(ot_rpi_us=0xFFFF_FFFF, to_rpi_us=0xFFFF_FFFF)
    (report,) = client.adapter.connections()
    assert response.status == 0
    assert 0xFFFF_FFFF * 1000 - tick_ns < report.ot_api_ns <= 0xFFFF_FFFF * 1000
