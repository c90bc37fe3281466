"""Every finding on small hand-made cases; every threshold moved, and a case comes out otherwise.

The thresholds are those of the table in docs/findings/README.md, which
`tests/test_findings_pages.py` compares with the code.
"""

from __future__ import annotations

import ast
import importlib
from functools import cache
from pathlib import Path

import pytest
from finding_cases import CASES, FOUND, NOT_FOUND, TOO_LITTLE

from idlehands_monitor.model.vocabulary import FindingCode
from test_findings_pages import thresholds

PACKAGE = Path(importlib.import_module("idlehands_monitor").__file__).parent
FACTOR = 1.5
"""A threshold is moved by so much, up and down."""
ELSEWHERE = "places."
"""Thresholds of places in the code decide on no finding; `test_places.py` has cases of them."""
FACTORS = {"CHANCE": 1e3}
"""Thresholds of another scale: a probability that is moved by a half decides the same."""


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.of}, {case.words}, {case.sort}")
def test_a_case_comes_out_as_it_must(case):
    assert case.look() == case.sees


@pytest.mark.parametrize("code", FindingCode)
def test_each_finding_has_a_case_of_each_sort(code):
    assert {case.sort for case in CASES if case.of == code} == {FOUND, NOT_FOUND, TOO_LITTLE}


@cache
def imports():
    """Return, by (module, name), the modules of the analysis that import that name from there."""
    found = {}
    for file in sorted((PACKAGE / "analysis").rglob("*.py")):
        parts = ("idlehands_monitor", *file.relative_to(PACKAGE).with_suffix("").parts)
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.level:
                home = ".".join((*parts[: -node.level], node.module or "")).rstrip(".")
                for name in node.names:
                    found.setdefault((home, name.name), []).append(".".join(parts))
    return found


def places_of(module, name):
    """Return every module that holds a threshold: its home, and those that import it."""
    here = f"idlehands_monitor.analysis.{module}"
    homes = [home for (home, one), users in imports().items() if one == name and here in users]
    home = homes[0] if homes else here
    return [importlib.import_module(one) for one in (home, *imports().get((home, name), ()))]


def moved(value, factor):
    """Return each way to move a threshold by a factor: each end of a range by itself."""
    if not isinstance(value, tuple):
        return [value * factor]
    ends = range(len(value))
    return [tuple(v * factor if n == end else v for n, v in enumerate(value)) for end in ends]


def mutants():
    """Return (module, name, another value) of each threshold in the table, up and down."""
    for _, module, name in thresholds():
        if module.startswith(ELSEWHERE):
            continue
        value = getattr(importlib.import_module(f"idlehands_monitor.analysis.{module}"), name)
        factor = FACTORS.get(name, FACTOR)
        for way in (factor, 1 / factor):
            for other in moved(value, way):
                yield pytest.param(module, name, other, id=f"{module}.{name}={other}")


@pytest.mark.parametrize(("module", "name", "other"), mutants())
def test_a_threshold_that_is_moved_changes_what_comes_out_of_a_case(
    module, name, other, monkeypatch
):
    for place in places_of(module, name):
        monkeypatch.setattr(place, name, other)
    assert any(case.look() != case.sees for case in CASES if name in case.guards)
