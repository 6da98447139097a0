"""Every test imports the `bench` that is under test.

This folder comes first on the path of tests that stand in it, and it has a `bench` of its own
(`python -m tests.bench`); so the real one is imported before any of them.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
importlib.import_module("bench.errors")
