from __future__ import annotations

from collections.abc import Iterator

import pytest
from interop_serve import Served, served


@pytest.fixture(scope="module")
def adapter(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The dibbler served at the module's own ADDRESS; it must come to a good end."""
    with served(request.module.ADDRESS, tmp_path_factory.mktemp("serve")) as running:
        yield running
        running.stop()
        ended = (running.process.returncode, running.err.read_text())
    assert ended == (0, "")
