"""These tests open the adapter with the client of `tests/eip`, which stands in a folder of its own."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "eip"))
