"""Who may import whom: the table of the design, read from the imports of every file."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CORE = ("sims", "bench.eip", "bench.logic", "bench.station")
BANNED = {"asyncio", "socket", "time", "random", "os", "threading"}
FILES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for room in ("bench", "sims")
    for path in sorted((ROOT / room).rglob("*.py"))
}


@cache
def imports(module: str) -> frozenset[str]:
    """Modules that *module* imports anywhere in its file, project names resolved to their files."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(FILES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively"
            origin = str(node.module)
            below = {f"{origin}.{alias.name}" for alias in node.names} & FILES.keys()
            found |= below | {origin}
    return frozenset(found)


@cache
def reach(module: str) -> frozenset[str]:
    """Everything *module* imports, and what that imports in turn inside the project."""
    seen: set[str] = set()
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name not in seen:
            seen.add(name)
            waiting += imports(name) if name in FILES else ()
    return frozenset(seen - {module})


def room(module: str, rooms: tuple[str, ...]) -> str:
    """The room of *rooms* that *module* lives in, or the empty text."""
    return next((name for name in rooms if module == name or module.startswith(f"{name}.")), "")


def tops(modules: frozenset[str]) -> set[str]:
    return {name.partition(".")[0] for name in modules}


CORE_FILES = [module for module in FILES if room(module, CORE)]


@pytest.mark.parametrize("module", CORE_FILES)
def test_core_knows_no_other_room_no_clock_and_no_machine(module: str) -> None:
    own = room(module, CORE)
    others = {name for name in reach(module) if room(name, (*CORE, "bench.clock")) not in ("", own)}
    assert others | (tops(reach(module)) & BANNED) == set()


def test_sims_imports_nothing_of_the_bench() -> None:
    assert [m for m in FILES if room(m, ("sims",)) and "bench" in tops(reach(m))] == []


def test_net_sees_neither_scenario_nor_logic() -> None:
    hidden = ("bench.scenario", "bench.logic")
    assert [m for m in FILES if room(m, ("bench.net",)) and any(room(n, hidden) for n in reach(m))] == []


def test_only_net_opens_sockets() -> None:
    users = [m for m in FILES if "socket" in tops(imports(m)) and not room(m, ("bench.net",))]
    assert users == []


def test_only_the_clock_reads_the_clock() -> None:
    assert [m for m in FILES if tops(imports(m)) & {"time", "datetime"}] == ["bench.clock"]


def test_nothing_draws_from_the_global_dice() -> None:
    assert [m for m in FILES if "random" in tops(imports(m))] == []


def test_only_the_command_prints() -> None:
    def prints(module: str) -> bool:
        tree = ast.parse(FILES[module].read_text(encoding="utf-8"))
        calls = (node.func for node in ast.walk(tree) if isinstance(node, ast.Call))
        return any(isinstance(func, ast.Name) and func.id == "print" for func in calls)

    assert [module for module in FILES if prints(module)] == ["bench.cli"]
