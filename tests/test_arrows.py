"""The house's arrows: who may import whom, read from the imports themselves."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROBE = ROOT / "probes" / "idlehands"
MONITOR = ROOT / "monitor" / "idlehands_monitor"
DEMO = ROOT / "demo" / "idlehands_demo"

PURE_NEVER = {"socket", "asyncio", "psutil", "time", "textual", "selectors", "subprocess", "os"}
DRAWING = [
    MONITOR / "views" / name
    for name in (
        "words.py",
        "deques.py",
        "grid.py",
        "stealing.py",
        "hosts.py",
        "promises.py",
        "sampled.py",
        "text.py",
        "json.py",
        "html.py",
        "palette.py",
        "terminal/drawing.py",
        "terminal/lower_line.py",
        "terminal/matrix_cells.py",
    )
]


def modules(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.py"))


def imports(path: Path) -> set[str]:
    """Return the absolute names of all modules that a file imports, inside functions too."""
    package = package_of(path)
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = package.split(".")
                base = ".".join([*parts[: len(parts) - node.level + 1], *([base] if base else [])])
                found.add(base)
                found |= {f"{base}.{alias.name}" for alias in node.names}
            else:
                found |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
    return found


def package_of(path: Path) -> str:
    for root in (ROOT / "probes", ROOT / "monitor", ROOT / "demo"):
        if root in path.parents:
            return ".".join(path.parent.relative_to(root).parts)
    raise AssertionError(path)


def tops(names: set[str]) -> set[str]:
    return {name.split(".")[0] for name in names}


def part(name: str) -> str:
    """Return which part of the monitor a module is in: sources, ledger, analysis, views, …"""
    pieces = name.split(".")
    return pieces[1] if pieces[0] == "idlehands_monitor" and len(pieces) > 1 else ""


@pytest.mark.parametrize("path", modules(PROBE), ids=lambda p: p.name)
def test_probe_imports_only_the_standard_library_and_msgpack(path):
    outside = tops(imports(path)) - set(sys.stdlib_module_names) - {"idlehands", "msgpack"}
    assert not outside
    assert "asyncio" not in tops(imports(path))


@pytest.mark.parametrize("path", modules(MONITOR), ids=lambda p: str(p.relative_to(MONITOR)))
def test_monitor_knows_only_the_probes_wire_facade_and_never_the_demo(path):
    names = imports(path)
    assert "idlehands_demo" not in tops(names)
    probe = {name for name in names if name.split(".")[0] == "idlehands"}
    allowed = {"idlehands", "idlehands.__version__"}
    assert all(name in allowed or name.startswith("idlehands.wire") for name in probe)


@pytest.mark.parametrize(
    "path",
    [path for folder in ("ingest", "ledger", "analysis") for path in modules(MONITOR / folder)]
    + DRAWING,
    ids=lambda p: str(p.relative_to(MONITOR)),
)
def test_pure_modules_touch_no_socket_clock_or_screen(path):
    assert not tops(imports(path)) & PURE_NEVER


ALLOWED = {
    "ingest": {"ingest"},
    "ledger": {"ledger", "ingest"},
    "analysis": {"analysis", "ledger"},
    "capture": {"capture", "files", "ingest"},
    "sources": {"sources", "capture", "ingest", "files"},
    "views": {"views", "analysis", "feed", "seek", "capture", "sources"},
}


@pytest.mark.parametrize("folder", sorted(ALLOWED))
def test_parts_of_the_monitor_import_only_what_stands_before_them(folder):
    for path in modules(MONITOR / folder):
        parts = {part(name) for name in imports(path)} - {""}
        assert parts <= ALLOWED[folder], f"{path.name} imports {parts - ALLOWED[folder]}"


@pytest.mark.parametrize(
    "name",
    [
        "words",
        "hosts",
        "grid",
        "promises",
        "stealing",
        "sampled",
        "text",
        "json",
        "html",
        "palette",
    ],
)
def test_plain_views_take_a_reading_and_nothing_else(name):
    parts = {part(found) for found in imports(MONITOR / "views" / f"{name}.py")} - {""}
    assert parts <= {"views", "analysis"}


def test_demo_imports_no_monitor_internals():
    for path in modules(DEMO):
        assert "idlehands_monitor" not in tops(imports(path)), path.name


def test_this_test_sees_a_forbidden_import(tmp_path):
    target = PROBE / "never.py"
    names = set()
    for node in ast.walk(ast.parse("def f():\n    import asyncio\n    from numpy import array\n")):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "")
    assert names == {"asyncio", "numpy"}
    assert package_of(target) == "idlehands"
