"""The house's arrows: who may import whom, read from the imports themselves.

Imports inside functions and those for types only count as all others do.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROBE = ROOT / "probes" / "idlehands"
MONITOR = ROOT / "monitor" / "idlehands_monitor"
DEMO = ROOT / "demo" / "idlehands_demo"

FLOORS = {
    "model": (),
    "ingest": ("model",),
    "ledger": ("model", "ingest"),
    "analysis": ("model", "ledger"),
    "session": ("model", "ingest", "ledger", "analysis"),
    "views": ("model", "session"),
    "commands": ("model", "session", "views"),
    "cli": ("model", "commands"),
    "pytest_plugin": ("model", "session", "views", "commands"),
}
"""Each floor of the monitor, from the ground up, and which floors below it it may import."""
SHARED_QUESTIONS = {"stats"}
"""Packages of the analysis that every question may use; otherwise a question stands alone."""
ROOT_OF_ANALYSIS = {"assemble", "asking", "comparing", "windows"}
"""The modules of the analysis that put the answers together."""

IMPURE = {"socket", "asyncio", "psutil", "time", "textual", "selectors", "subprocess", "os"}
PURE = ("model", "ledger", "analysis")
DRAWING = ("views/terminal/drawing.py", "views/terminal/matrix_cells.py")
"""Modules of the terminal that only draw; every view outside the terminal is pure as well."""


def modules(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.py"))


def name_of(path: Path, root: Path) -> str:
    """Return a module's name inside its package, a package's own name for its __init__."""
    parts = list(path.relative_to(root).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(source: str, package: str) -> set[str]:
    """Return the absolute names of all that a module in `package` imports, names in them too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = package.split(".")
                base = ".".join([*parts[: len(parts) - node.level + 1], *([base] if base else [])])
            found |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
    return found


def imports_of(path: Path) -> set[str]:
    root = next(r for r in (PROBE, MONITOR, DEMO) if r in path.parents).parent
    package = ".".join(path.parent.relative_to(root).parts)
    return imports(path.read_text(encoding="utf-8"), package)


def tops(names: set[str]) -> set[str]:
    return {name.split(".")[0] for name in names}


def inside(names: set[str]) -> set[str]:
    """Return what is imported of the monitor, without the monitor's name."""
    start = "idlehands_monitor."
    return {name.removeprefix(start) for name in names if name.startswith(start)}


def wrong_floors(module: str, names: set[str]) -> set[str]:
    """Return the floors that a module of the monitor imports and may not."""
    floor = module.split(".")[0]
    return tops(inside(names)) - {floor, *FLOORS[floor]}


def wrong_questions(module: str, names: set[str]) -> set[str]:
    """Return the other questions that a module of the analysis imports and may not."""
    parts = module.split(".")
    if len(parts) < 2 or parts[1] in ROOT_OF_ANALYSIS:
        return set()
    others = {name.split(".")[1] for name in inside(names) if name.startswith("analysis.")}
    return others - {parts[1], *SHARED_QUESTIONS}


@pytest.mark.parametrize("path", modules(PROBE), ids=lambda p: p.name)
def test_probe_imports_only_the_standard_library_and_msgpack(path):
    outside = tops(imports_of(path)) - set(sys.stdlib_module_names) - {"idlehands", "msgpack"}
    assert not outside
    assert "asyncio" not in tops(imports_of(path))


@pytest.mark.parametrize("path", modules(MONITOR), ids=lambda p: name_of(p, MONITOR))
def test_monitor_knows_only_the_probes_wire_facade_and_never_the_demo(path):
    names = imports_of(path)
    assert "idlehands_demo" not in tops(names)
    probe = {name for name in names if name.split(".")[0] == "idlehands"}
    allowed = {"idlehands", "idlehands.__version__"}
    assert all(name in allowed or name.startswith("idlehands.wire") for name in probe)


@pytest.mark.parametrize("path", modules(MONITOR), ids=lambda p: name_of(p, MONITOR))
def test_each_floor_of_the_monitor_imports_only_floors_below_it(path):
    module = name_of(path, MONITOR)
    if module:
        assert not wrong_floors(module, imports_of(path))


@pytest.mark.parametrize("path", modules(MONITOR / "analysis"), ids=lambda p: name_of(p, MONITOR))
def test_questions_of_the_analysis_do_not_import_each_other(path):
    assert not wrong_questions(name_of(path, MONITOR), imports_of(path))


@pytest.mark.parametrize(
    "path",
    [
        *(path for floor in PURE for path in modules(MONITOR / floor)),
        *(p for p in modules(MONITOR / "views") if "terminal" not in p.parts),
        *(MONITOR / name for name in DRAWING),
    ],
    ids=lambda p: name_of(p, MONITOR),
)
def test_pure_modules_touch_no_socket_clock_file_or_screen(path):
    assert not tops(imports_of(path)) & IMPURE


@pytest.mark.parametrize("path", modules(MONITOR / "views"), ids=lambda p: name_of(p, MONITOR))
def test_no_view_starts_a_process_or_opens_a_connection(path):
    assert not tops(imports_of(path)) & {"subprocess", "socket", "psutil", "selectors"}


def test_demo_imports_no_monitor_internals():
    for path in modules(DEMO):
        assert "idlehands_monitor" not in tops(imports_of(path)), path.name


def test_a_view_that_imports_a_source_is_seen():
    source = "def draw():\n    from ...ingest.sources import host\n    return host\n"
    names = imports(source, "idlehands_monitor.views.terminal")
    assert wrong_floors("views.terminal.app", names) == {"ingest"}


def test_a_question_that_imports_another_is_seen():
    names = imports("from ..time.window import Window\n", "idlehands_monitor.analysis.parking")
    assert wrong_questions("analysis.parking.parking", names) == {"time"}


def test_imports_for_types_only_are_seen():
    source = "if TYPE_CHECKING:\n    from ..session import Session\n"
    names = imports(source, "idlehands_monitor.analysis")
    assert wrong_floors("analysis.assemble", names) == {"session"}


def test_the_modules_that_answer_help_import_no_numpy():
    """`--help` answers at once: before a command is chosen the command line imports little."""
    wanted, seen = [MONITOR / "cli.py", MONITOR / "commands" / "output.py"], set()
    while wanted:
        path = wanted.pop()
        seen.add(path)
        names = imports_of(path)
        assert not tops(names) & {"numpy", "scipy", "psutil", "textual"}, path
        places = [MONITOR / f"{name.replace('.', '/')}.py" for name in inside(names)]
        wanted += [place for place in places if place.is_file() and place not in seen]
