"""No package has a circle of imports: each strongly connected component is a single module.

Imports inside functions, those under ``TYPE_CHECKING`` and those by a module's name (as the
adapters are imported) count too: each shows that one module has to know another.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = {
    "idlehands": ROOT / "probes" / "idlehands",
    "idlehands_demo": ROOT / "demo" / "idlehands_demo",
    "idlehands_monitor": ROOT / "monitor" / "idlehands_monitor",
}

Graph = dict[str, set[str]]


def module_names(package: str, folder: Path) -> dict[str, Path]:
    """Return the package's modules by their full names."""
    found = {}
    for path in sorted(folder.rglob("*.py")):
        parts = path.relative_to(folder).with_suffix("").parts
        parts = parts[:-1] if parts[-1] == "__init__" else parts
        found[".".join((package, *parts))] = path
    return found


def imported_by(source: str, home: str, known: set[str]) -> Iterator[str]:
    """Yield the known modules that a source in the package `home` imports, however it does."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)
        elif isinstance(node, ast.ImportFrom):
            parts = home.split(".")
            above = parts[: len(parts) - node.level + 1] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            for alias in node.names:
                inside = f"{base}.{alias.name}"
                yield inside if inside in known else base
        elif isinstance(node, ast.Constant) and "import_module(" in source:
            inside = f"{home}.{node.value}"  # a name out of a table of modules
            if inside in known:
                yield inside


def import_graph(package: str, folder: Path) -> Graph:
    """Return which module of a package imports which others of it."""
    names = module_names(package, folder)
    graph: Graph = {}
    for name, path in names.items():
        home = name if path.name == "__init__.py" else name.rpartition(".")[0]
        found = set(imported_by(path.read_text(encoding="utf-8"), home, set(names)))
        graph[name] = (found & names.keys()) - {name}
    return graph


def circles(graph: Graph) -> list[list[str]]:
    """Return the strongly connected components of more than one module (R. E. Tarjan 1972,
    "Depth-first search and linear graph algorithms", SIAM J. Comput. 1(2):146-160)."""
    order: dict[str, int] = {}
    lowest: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(module: str) -> None:
        order[module] = lowest[module] = len(order)
        stack.append(module)
        for other in sorted(graph[module]):
            if other not in order:
                visit(other)
                lowest[module] = min(lowest[module], lowest[other])
            elif other in stack:
                lowest[module] = min(lowest[module], order[other])
        if lowest[module] == order[module]:
            place = stack.index(module)
            component = stack[place:]
            del stack[place:]
            if len(component) > 1:
                found.append(sorted(component))

    for module in sorted(graph):
        if module not in order:
            visit(module)
    return found


@pytest.mark.parametrize("package", sorted(PACKAGES))
def test_no_modules_import_each_other_in_a_circle(package):
    assert circles(import_graph(package, PACKAGES[package])) == []


@pytest.mark.parametrize(
    "second",
    [
        "from .first import Name\n",
        "def later():\n    from . import first\n",
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from .first import Name\n",
    ],
    ids=["plain", "inside a function", "for types only"],
)
def test_a_circle_is_found_however_its_modules_are_imported(tmp_path, second):
    for name, text in {"__init__": "", "first": "from . import second\n", "second": second}.items():
        (tmp_path / f"{name}.py").write_text(text, encoding="utf-8")
    assert circles(import_graph("made_up", tmp_path)) == [["made_up.first", "made_up.second"]]


def test_a_table_of_adapters_counts_as_their_imports(tmp_path):
    folder = tmp_path / "adapters"
    folder.mkdir()
    (tmp_path / "__init__.py").write_text("", encoding="utf-8")
    table = 'ADAPTERS = {"queue": "threads"}\nimport_module("." + ADAPTERS["queue"], __name__)\n'
    (folder / "__init__.py").write_text(table, encoding="utf-8")
    (folder / "threads.py").write_text("from . import install\n", encoding="utf-8")
    graph = import_graph("made_up", tmp_path)
    assert circles(graph) == [["made_up.adapters", "made_up.adapters.threads"]]
