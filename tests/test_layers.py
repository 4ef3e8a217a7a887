"""Imports point one way: every import in the package is read, and none may point up or across."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "benchmark"
# What each room may import from, besides itself and `errors`. Store and answers never meet.
MAY = {
    "errors": set(),
    "trade": set(),
    "intake": {"trade"},
    "model": {"intake", "trade"},
    "store": {"model", "intake", "trade"},
    "answers": {"model", "intake", "trade"},
    "show": {"store", "answers", "model", "intake", "trade"},
    "commands": {"show", "store", "answers", "model", "intake", "trade"},
    "cli": {"commands", "show", "store", "answers", "model", "intake", "trade"},
}
FILES = sorted(PACKAGE.rglob("*.py"))


def room(path: Path) -> str:
    inside = path.relative_to(PACKAGE).with_suffix("")
    return inside.parts[0]


def imported(path: Path) -> set[str]:
    """Modules of this package that a file imports, imports for type checking left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            node.body = []
    modules = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            modules |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif isinstance(node, ast.Import):
            modules |= {alias.name for alias in node.names}
    return {module for module in modules if module.startswith("benchmark.")}


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_one_way(path):
    here = room(path)
    if here == "__init__":
        return
    rooms = {module.split(".")[1] for module in imported(path)} & set(MAY)
    assert rooms - {here, "errors"} <= MAY[here], f"{path} imports {sorted(rooms)}"


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def test_no_module_is_in_an_import_cycle():
    graph = {module_name(path): imported(path) for path in FILES}
    graph = {name: {m for m in found if m in graph and m != name} for name, found in graph.items()}
    done: set[str] = set()
    while ready := {name for name, needs in graph.items() if name not in done and needs <= done}:
        done |= ready
    assert not set(graph) - done, f"in a cycle: {sorted(set(graph) - done)}"


def test_only_the_store_and_the_staging_of_lap_tables_speak_to_the_database():
    speakers = {
        str(path.relative_to(PACKAGE))
        for path in FILES
        if "import duckdb" in path.read_text(encoding="utf-8")
    }
    assert all(name.startswith(("store/", "intake/")) for name in speakers), speakers
