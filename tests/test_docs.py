"""The pages for users: links lead somewhere, and their lists of the wire are complete."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from idlehands.wire import TABLES

ROOT = Path(__file__).resolve().parent.parent
PAGES = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md")))
LINK = re.compile(r"\]\(([^)\s]+)\)")
NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")


def anchors(page: Path) -> set[str]:
    """Return the anchors of a page's titles, as GitHub makes them."""
    titles = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    letters = (re.sub(r"[^\w\- ]", "", title.lower()) for title in titles)
    return {title.replace(" ", "-") for title in letters}


def links(page: Path) -> list[str]:
    """Return the targets of a page's links within the repository, code left out."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    return [target for target in LINK.findall(text) if "://" not in target]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_each_link_leads_to_a_file_and_a_title_that_are_there(page):
    assert page.name != "README.md" or links(page)
    for target in links(page):
        file, _, anchor = target.partition("#")
        found = (page.parent / file).resolve() if file else page
        assert found.exists(), target
        assert not anchor or anchor in anchors(found), target


def test_the_format_lists_every_table_with_its_columns_in_order():
    page = (ROOT / "docs" / "capture-format.md").read_text(encoding="utf-8")
    part = page.split("### Tables", 1)[1].split("###", 1)[0]
    rows = re.findall(r"^\| `(\w+)` \| [^|]* \| ([^|]*) \|$", part, re.MULTILINE)
    without_meanings = {name: re.sub(r" \([^)]*\)", "", columns) for name, columns in rows}
    listed = {name: columns.split(", ") for name, columns in without_meanings.items()}
    assert listed == {name: list(table.names) for name, table in TABLES.items()}


def test_the_figures_count_and_name_every_table():
    page = (ROOT / "docs" / "figures.md").read_text(encoding="utf-8")
    part = page.split("## What is recorded", 1)[1].split("\n## ", 1)[0]
    assert f"{NUMBERS[len(TABLES)]} tables" in part
    assert re.findall(r"^\| [\w ]+ \(`(\w+)`\) \|", part, re.MULTILINE) == list(TABLES)
