"""The house plan of DEVELOPERS.md, kept by reading every import: data flows up, nothing imports upward or sideways."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "labkit"

FLOORS = (
    ("units", "sentences", "inert"),
    ("language",),
    ("format",),
    ("messages",),
    ("problems",),
    ("curves", "metrology"),
    ("bench",),
    ("calibration",),
    ("check",),
    ("sheet", "ledger", "validation", "charts", "paths"),
    ("workflow",),
    ("panels",),
    ("commands",),
    ("cli",),
    ("__main__",),
)
"""Rooms from the ground up. Floor 0 of the plan is one room whose files stand on one another in this order."""

FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}

ONLY_IN = {
    "ipywidgets": {"panels"},
    "anywidget": {"panels"},
    "plotly": {"panels", "charts"},
}


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(path: Path) -> Iterator[str]:
    """Every module that a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            assert node.module is not None
            if node.module == "labkit":
                yield from (f"labkit.{alias.name}" for alias in node.names)
            else:
                yield node.module


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nothing_imports_upward_or_sideways(path: Path) -> None:
    here = room(path)
    assert here in FLOOR_OF, f"{here} stands on no floor: add it to FLOORS and to DEVELOPERS.md"
    for name in imports(path):
        parts = name.split(".")
        if parts[0] != "labkit" or len(parts) < 2 or parts[1] == here:
            continue
        assert FLOOR_OF[parts[1]] < FLOOR_OF[here], f"{path} imports {name}"


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_widgets_and_plots_stay_where_they_belong(path: Path) -> None:
    for name in imports(path):
        allowed = ONLY_IN.get(name.split(".")[0])
        assert allowed is None or room(path) in allowed, f"{path} imports {name}"


def test_importing_the_package_is_light() -> None:
    """`import labkit` re-exports lazily: a command that needs no plot does not pay for one."""
    import subprocess
    import sys

    heavy = ("plotly", "matplotlib", "ipywidgets", "pandas", "scipy", "voila", "typst", "pyhanko")
    code = f"import sys, labkit; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
