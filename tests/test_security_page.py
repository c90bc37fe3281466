"""The page on security: each promise names its tests, and they are there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "docs" / "security.md").read_text(encoding="utf-8")
NAMED = re.compile(r"`(tests/[\w/]+\.py)::(\w+)`")


def promises():
    """Return each promise's text, by what it begins with."""
    part = PAGE.split("## What is promised", 1)[1].split("## What is not promised", 1)[0]
    items = re.split(r"^\* ", part, flags=re.MULTILINE)[1:]
    return {item.split("**")[1]: item for item in items}


@pytest.mark.parametrize("promise", promises().values(), ids=list(promises()))
def test_each_promise_names_tests_that_are_there(promise):
    named = NAMED.findall(promise)
    assert named
    for file, test in named:
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        assert test in {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_no_test_is_named_that_the_first_test_would_not_find():
    assert len(re.findall(r"::test_", PAGE)) == len(NAMED.findall(PAGE))
    assert len(promises()) > 15
