"""The rooms import one way: read from the source, held here."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import partsong

ROOT = Path(partsong.__file__).parent
FLOOR = {"errors", "timebase", "watch"}
PHASES = {"prepare", "shoot", "lineup", "stage", "look", "cut", "signoff"}
# What each room may import besides itself.
ALLOWED: dict[str, set[str]] = {
    **dict.fromkeys(FLOOR, FLOOR),
    "film": FLOOR,
    "media": FLOOR | {"film"},
    "engine": FLOOR | {"film", "media"},
    "render": FLOOR | {"film", "media", "engine"},
    **{phase: FLOOR | {"film", "media", "engine", "render"} for phase in PHASES},
    "demo": FLOOR | PHASES | {"film", "media", "engine", "render"},
    "desk": FLOOR | PHASES | {"film", "media", "engine", "render"},
    "cli": FLOOR | PHASES | {"film", "media", "engine", "render", "demo", "desk"},
    "__init__": set(),
    "__main__": {"cli"},
}
HEAVY_FOR_CLI = {"av", "cv2", "numba", "numpy", "scipy", "soundfile", "PyOpenColorIO", "jinja2", "pydantic", "rich"}

MODULES = sorted(path.relative_to(ROOT) for path in ROOT.rglob("*.py"))


def room_of(module: Path) -> str:
    return module.parts[0] if len(module.parts) > 1 else module.stem


def rooms_imported(module: Path) -> set[str]:
    """Return the rooms that a module imports anywhere in its text, inside functions too."""
    rooms = set()
    for node in ast.walk(ast.parse((ROOT / module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            rooms |= {name.name.split(".")[1] for name in node.names if name.name.startswith("partsong.")}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are absolute here"
            if node.module == "partsong":
                rooms |= {name.name for name in node.names if (ROOT / name.name).exists()}
            elif node.module and node.module.startswith("partsong."):
                rooms.add(node.module.split(".")[1])
    return rooms


def test_every_room_is_known():
    assert {room_of(module) for module in MODULES} == set(ALLOWED)


@pytest.mark.parametrize("module", MODULES, ids=str)
def test_imports_go_one_way(module):
    room = room_of(module)
    assert rooms_imported(module) <= ALLOWED[room] | {room}


@pytest.mark.parametrize("module", [m for m in MODULES if room_of(m) == "cli"], ids=str)
def test_commands_import_nothing_heavy_before_they_run(module):
    tree = ast.parse((ROOT / module).read_text(encoding="utf-8"))
    named = set()
    for node in tree.body:
        if isinstance(node, ast.Import):
            named |= {name.name.split(".")[0] for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            named.add(node.module.split(".")[0])
            if node.module.startswith("partsong."):
                assert node.module.split(".")[1] == "cli", f"{module} imports {node.module} before a command runs"
    assert not named & HEAVY_FOR_CLI
