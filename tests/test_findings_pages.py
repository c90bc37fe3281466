"""The pages of findings: one for each code, complete, and with the limits that the code has.

`tests/test_docs.py` follows their links.
"""

from __future__ import annotations

import ast
import importlib
import re
import shlex
from pathlib import Path

import pytest

from idlehands_monitor.cli import parser
from idlehands_monitor.model.vocabulary import FindingCode

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / "docs" / "findings"
INDEX = (FOLDER / "README.md").read_text(encoding="utf-8")
PAGES = {
    page.stem: page.read_text(encoding="utf-8")
    for page in sorted(FOLDER.glob("*.md"))
    if page.name not in {"README.md", "scores.md", "advice.md"}
}
HEADINGS = [
    "What you see",
    "How it is computed",
    "Where the rule comes from",
    "What to try",
    "What it gains",
    "Often confused with",
]
ANALYSIS = ROOT / "monitor" / "idlehands_monitor" / "analysis"
OF_FINDINGS = ("verdicts", "places")
"""The packages of the analysis whose constants are thresholds of findings."""
NO_THRESHOLDS = {"MOST_NAMED", "MOST_TIMESTAMPS"}
"""Constants there that bound what is shown, not what is found."""
THRESHOLD = re.compile(r"^\| [^|]+ \| ([^|]+) \| [^|]+ \| `([\w.]+)\.(\w+)` \|$", re.MULTILINE)
UNITS = {"": 1.0, "%": 0.01, "% a minute": 0.01, "MiB a minute": 2.0**20, "s": 1.0, "ms": 1e-3}
COMMAND = re.compile(r"`idlehands whatif FILE ([^`]+)`|`(--[^`]+)`")


def lead(page: str) -> str:
    """Return what stands between the title and the first heading, on one line."""
    return " ".join(page.split("\n## ", 1)[0].split("\n", 1)[1].split())


def sections(page: str) -> dict[str, str]:
    """Return the text under each heading."""
    parts = (part.split("\n", 1) for part in page.split("\n## ")[1:])
    return {heading: text.strip() for heading, text in parts}


def thresholds() -> list[tuple[str, str, str]]:
    """Return the value, the module and the constant of each row of the table of thresholds."""
    return THRESHOLD.findall(INDEX.split("## Thresholds", 1)[1])


def numbers(cell: str) -> list[float]:
    """Return the number in a cell, or both ends of a range, in base units."""
    found = re.findall(r"([\d.]+)(\D*?)(?: to |$)", cell)
    return [float(number) * UNITS[unit.strip()] for number, unit in found]


def assigned(node: ast.Assign | ast.AnnAssign) -> set[str]:
    """Return the names that an assignment binds."""
    targets = node.targets if isinstance(node, ast.Assign) else [node.target]
    return {name.id for one in targets for name in ast.walk(one) if isinstance(name, ast.Name)}


@pytest.mark.parametrize("code", FindingCode)
def test_each_finding_has_a_page(code):
    assert code in PAGES


@pytest.mark.parametrize("code", PAGES)
def test_each_page_is_of_a_finding(code):
    assert code in set(FindingCode)


@pytest.mark.parametrize("code", PAGES)
def test_a_page_has_one_sentence_and_then_every_heading_in_order(code):
    page = PAGES[code]
    assert page.startswith(f"# {code}\n")
    assert re.fullmatch(r"[A-Z][^.!?]*\.", lead(page))
    assert list(sections(page)) == HEADINGS
    assert all(sections(page).values())


@pytest.mark.parametrize("code", PAGES)
def test_a_page_is_short(code):
    assert 25 <= len(PAGES[code].splitlines()) <= 45


@pytest.mark.parametrize("code", PAGES)
def test_the_index_gives_the_sentence_of_each_page(code):
    assert INDEX.count(f"| [`{code}`]({code}.md) | {lead(PAGES[code])} |") == 1


@pytest.mark.parametrize("code", PAGES)
def test_a_page_names_other_findings_that_it_is_confused_with_and_links_each_by_its_code(code):
    links = re.findall(r"\[`([\w-]+)`\]\((\S+)\.md\)", sections(PAGES[code])["Often confused with"])
    assert links
    assert all(name == file and name != code for name, file in links)


@pytest.mark.parametrize("code", PAGES)
def test_each_what_if_that_a_page_asks_is_one_that_can_be_asked(code):
    for whole, option in COMMAND.findall(sections(PAGES[code])["What it gains"]):
        asked = re.sub(r"\bN\b", "2", whole or option)
        options = parser().parse_args(["whatif", "FILE", *shlex.split(asked)])
        assert options.command == "whatif"


@pytest.mark.parametrize(("value", "module", "name"), thresholds())
def test_a_threshold_has_the_value_that_the_table_gives(value, module, name):
    constant = getattr(importlib.import_module(f"idlehands_monitor.analysis.{module}"), name)
    ends = constant if isinstance(constant, tuple) else (constant,)
    scale = 1e-9 if name.endswith("_NS") else 1.0
    assert numbers(value) == pytest.approx([end * scale for end in ends])


@pytest.mark.parametrize("package", OF_FINDINGS)
def test_every_number_that_decides_on_a_finding_is_in_the_table(package):
    listed = {(module, name) for _, module, name in thresholds()}
    for file in sorted((ANALYSIS / package).glob("*.py")):
        module = f"{package}.{file.stem}"
        for node in ast.parse(file.read_text(encoding="utf-8")).body:
            if not isinstance(node, (ast.Assign, ast.AnnAssign)):
                continue
            for name in assigned(node) - NO_THRESHOLDS:
                value = getattr(
                    importlib.import_module(f"idlehands_monitor.analysis.{module}"), name
                )
                assert not isinstance(value, (int, float)) or (module, name) in listed
