"""Imports point down: cli -> joining modules -> stage packages -> values -> errors. Walked with ast."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
LIBRARY = ROOT / "pipeline" / "dieplat"
CLI = ROOT / "cli" / "dieplat_cli"

STAGES = {
    "tiles",
    "focus",
    "correction",
    "registration",
    "blending",
    "mosaicfile",
    "calibration",
    "annotations",
    "measurement",
    "inductance",
    "antenna",
    "board",
}
# Reading a picture, a mosaic's region: what every stage may use of another package.
SHARED = {"dieplat.tiles.read", "dieplat.mosaicfile.read"}
FOUNDATION = {"values", "errors", "files", "work", "compiled"}
# What joins the stages and stands above them.
JOINING = {
    "alignment",
    "compare",
    "workflow",
    "survey",
    "evening",
    "report",
    "phantom",
    "annotate",
    "output",
    "guide",
    "exports",
    "cluster",
    "notebook",
    "settings",
    "proposals",
}


def sources(folder: Path) -> list[Path]:
    """Every Python file below a folder."""
    return sorted(folder.rglob("*.py"))


def module_of(path: Path, root: Path) -> str:
    """The dotted name of a file."""
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path, root: Path) -> set[str]:
    """Every module that a file names in an import, at any depth of its code, as dotted names.

    `from a.b import c` gives both "a.b" and "a.b.c", since c may be a module.
    """
    found: set[str] = set()
    package = module_of(path, root).split(".")
    if path.name != "__init__.py":
        package = package[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            found |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return found


def part_of(name: str) -> str | None:
    """The part of the library that a dotted name belongs to: "registration" for dieplat.registration.pair."""
    pieces = name.split(".")
    return pieces[1] if pieces[0] == "dieplat" and len(pieces) > 1 else None


LIBRARY_FILES = [pytest.param(path, id=module_of(path, LIBRARY.parent)) for path in sources(LIBRARY)]


def is_shared(name: str) -> bool:
    """Whether a name is one of the readers that every stage may use, or something inside one."""
    return any(name == shared or name.startswith(shared + ".") for shared in SHARED)


def test_imports_are_read_as_written(tmp_path: Path) -> None:
    folder = tmp_path / "dieplat" / "tiles"
    folder.mkdir(parents=True)
    path = folder / "x.py"
    path.write_text("import rich\ndef f():\n    from dieplat.values import Tile\n    from . import read\n")
    found = imports_of(path, tmp_path)
    assert {"rich", "dieplat.values", "dieplat.values.Tile", "dieplat.tiles", "dieplat.tiles.read"} == found


@pytest.mark.parametrize("path", LIBRARY_FILES)
def test_the_library_knows_nothing_of_the_command_line(path: Path) -> None:
    roots = {name.split(".")[0] for name in imports_of(path, LIBRARY.parent)}
    assert not roots & {"typer", "rich", "click", "dieplat_cli"}


@pytest.mark.parametrize("path", LIBRARY_FILES)
def test_only_the_phantom_imports_the_phantom(path: Path) -> None:
    if part_of(module_of(path, LIBRARY.parent)) != "phantom":
        assert "phantom" not in {part_of(name) for name in imports_of(path, LIBRARY.parent)}


@pytest.mark.parametrize("path", LIBRARY_FILES)
def test_stage_packages_do_not_import_one_another(path: Path) -> None:
    own = part_of(module_of(path, LIBRARY.parent))
    if own not in STAGES:
        return
    for name in imports_of(path, LIBRARY.parent):
        part = part_of(name)
        # `from dieplat.tiles.read import read_picture` names nothing beyond the shared module.
        if part is None or part == own or part in FOUNDATION or is_shared(name):
            continue
        assert part not in STAGES | JOINING, f"{own} imports {name}"


@pytest.mark.parametrize("path", LIBRARY_FILES)
def test_values_and_foundations_import_nothing_above_them(path: Path) -> None:
    own = part_of(module_of(path, LIBRARY.parent))
    if own not in FOUNDATION:
        return
    parts = {part_of(name) for name in imports_of(path, LIBRARY.parent)}
    assert not parts & (STAGES | JOINING), f"{own} must not look upwards"


def test_every_part_of_the_library_has_a_place_in_this_picture() -> None:
    parts = {part_of(module_of(path, LIBRARY.parent)) for path in sources(LIBRARY)} - {None}
    assert parts <= STAGES | FOUNDATION | JOINING


@pytest.mark.parametrize("path", [pytest.param(p, id=module_of(p, CLI.parent)) for p in sources(CLI)])
def test_commands_import_the_heavy_parts_only_when_they_run(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = {
        name.split(".")[0]
        for node in tree.body
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for name in ([a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""])
    }
    assert not top & {"numpy", "scipy", "cv2", "skimage", "tifffile", "matplotlib", "shapely", "jinja2"}
