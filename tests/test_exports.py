"""The public doors: few names, sorted, all there; `__init__` files define nothing."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

import bench

ROOT = Path(__file__).parents[1]
DOORS = sorted(path for room in ("bench", "sims") for path in (ROOT / room).rglob("__init__.py"))
PACKAGES = [".".join(path.parent.relative_to(ROOT).parts) for path in DOORS]


def test_front_door_is_small_and_sorted() -> None:
    assert len(bench.__all__) <= 20
    assert list(bench.__all__) == sorted(set(bench.__all__))


@pytest.mark.parametrize("path", DOORS, ids=PACKAGES)
def test_init_files_only_re_export(path: Path) -> None:
    body = ast.parse(path.read_text(encoding="utf-8")).body
    allowed = (ast.Import, ast.ImportFrom, ast.Assign, ast.Expr)
    strange = [type(node).__name__ for node in body if not isinstance(node, allowed)]
    names = [ast.unparse(node.targets[0]) for node in body if isinstance(node, ast.Assign)]
    assert (strange, [name for name in names if name != "__all__"]) == ([], [])


@pytest.mark.parametrize(("path", "package"), list(zip(DOORS, PACKAGES, strict=True)), ids=PACKAGES)
def test_all_is_what_is_imported(path: Path, package: str) -> None:
    body = ast.parse(path.read_text(encoding="utf-8")).body
    imported = {
        alias.asname or alias.name
        for node in body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    } - {"annotations"}
    listed = list(getattr(importlib.import_module(package), "__all__", []))
    assert (sorted(imported), len(set(listed))) == (sorted(listed), len(listed))
