"""A room uses only the rooms before it; what computes does not print, plot or load what shows."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent / "ivkit"
ROOMS = ("answer", "readings", "curve", "light", "load", "panel", "predict", "verdict")
BEFORE = {room: set(ROOMS[1:k]) for k, room in enumerate(ROOMS)}
BEFORE |= {"report": set(ROOMS), "cli": {*ROOMS, "report"}}
COMPUTING = ROOMS[1:]


def _imports(path):
    """Yield every module that a file imports anywhere in it, also for type checking."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("room", BEFORE)
def test_a_room_uses_only_the_rooms_before_it(room):
    files = sorted((ROOT / room).glob("*.py"))
    assert files
    for path in files:
        for name in _imports(path):
            parts = name.split(".")
            if parts[0] == "ivkit" and len(parts) > 1 and parts[1] in BEFORE:
                assert parts[1] in BEFORE[room] | {room}, f"{room}/{path.name} imports {name}"


@pytest.mark.parametrize("name", ["errors", "inputs", "assumptions", "sources"])
def test_what_every_room_uses_is_in_no_room_and_uses_none(name):
    for found in _imports(ROOT / f"{name}.py"):
        parts = found.split(".")
        assert parts[0] != "ivkit" or parts[1] not in BEFORE, found


@pytest.mark.parametrize("room", COMPUTING)
def test_what_computes_neither_plots_nor_prints(room):
    for path in sorted((ROOT / room).glob("*.py")):
        assert not {name.split(".")[0] for name in _imports(path)} & {"matplotlib", "click"}, path
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "print", f"{path} line {node.lineno}"
