"""Limits as JUnit XML, which most services that run tests read: a test case for each limit.

The elements and attributes are those that Apache Ant's JUnit task writes: testsuites, testsuite,
testcase, failure, error. A limit that is broken is a failure; one of which nothing is known is an
error. Foreign text is one line without control characters, which XML 1.0 (section 2.2) forbids.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from .foreign_text import clean
from .sections.check import sentence, title

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..model.limits import LimitReading

LONGEST = 2000


def render(target: str, found: Sequence[LimitReading]) -> bytes:
    """Return the document in UTF-8, ending with a newline."""
    broken = [one for one in found if not one.holds]
    errors = sum(1 for one in broken if one.found is None)
    counts = {
        "tests": str(len(found)),
        "failures": str(len(broken) - errors),
        "errors": str(errors),
        "skipped": "0",
    }
    root = ET.Element("testsuites", counts)
    suite = ET.SubElement(root, "testsuite", {"name": clean(target), **counts})
    for one in found:
        _case(suite, one)
    ET.indent(root)
    written: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return written + b"\n"


def _case(suite: ET.Element, one: LimitReading) -> None:
    case = ET.SubElement(
        suite,
        "testcase",
        {
            "classname": clean(f"idlehands.{one.pool or 'all pools'}"),
            "name": title(one),
            "time": "0",
        },
    )
    if not one.holds:
        text = clean(sentence(one), LONGEST)
        kind = "error" if one.found is None else "failure"
        ET.SubElement(case, kind, {"message": text, "type": "limit"}).text = text
