"""`idlehands contrast` and `idlehands check` as people run them, on captures of real jobs."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree as ET

import pytest

from helpers import idlehands
from tried.bench import IDLEHANDS, recorded_output

MILL = """
import sys, time
from concurrent.futures import ThreadPoolExecutor

def grind(n):
    time.sleep(float(sys.argv[1]))

with ThreadPoolExecutor(2, "mill") as pool:
    for task in [pool.submit(grind, n) for n in range(40)]:
        task.result()
"""


@pytest.fixture(scope="module")
def captures(tmp_path_factory):
    """Return captures of a small job: two of one version, one of a version ten times as slow."""
    folder = tmp_path_factory.mktemp("captures")
    script = folder / "mill.py"
    script.write_text(MILL)
    found = []
    for number, seconds in enumerate(("0.02", "0.02", "0.2")):
        path = folder / f"mill-{number}.idlehands"
        recorded_output("mill", [*IDLEHANDS, "run", str(script), seconds], path)
        found.append(path)
    return found


def said(*arguments, folder, status=0):
    done = idlehands(*arguments, folder=folder)
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout if status in (0, 1) else done.stderr


def test_the_slower_version_is_named_first(captures, tmp_path):
    fast, _, slow = captures
    first = said("contrast", fast, slow, folder=tmp_path).splitlines()[0]
    assert first.startswith("After: takes ")
    assert re.search(r"; __main__\.grind takes [\d.]+ times as long", first)


def test_a_capture_has_no_difference_worth_naming_from_itself(captures, tmp_path):
    fast = captures[0]
    text = said("contrast", fast, fast, folder=tmp_path)
    assert text.splitlines()[0] == "No difference worth naming"


@pytest.mark.extra
def test_several_captures_a_side_give_an_interval_as_json_markdown_and_html(captures, tmp_path):
    fast, again, slow = captures
    sides = ("contrast", "--no-gains", fast, again, "--against", slow, slow)
    document = json.loads(said(*sides, "--json", folder=tmp_path))
    first = document["end_to_end"][0]
    assert first["low"] < first["gain"] < first["high"]
    assert first["is_within"] is False
    assert (len(document["before"]), len(document["after"])) == (2, 2)
    assert "\n## What the job comes to\n" in said(*sides, "--markdown", folder=tmp_path)
    page = tmp_path / "contrast.html"
    said(*sides, "--html", page, folder=tmp_path)
    assert ">What the job comes to</h2>" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "line", "status"),
    [
        (("contrast", "{fast}"), "1 given, but two captures", 2),
        (("contrast", "{fast}", "{fast}", "{fast}"), "3 given, but two captures", 2),
        (("contrast", "{fast}", "none.idlehands"), "none.idlehands", 2),
        (("check", "{fast}", "--limit", "lazy=5%"), "no limit is called 'lazy': there are", 2),
        (("check", "{fast}"), "nothing to check", 2),
        (("check", "{fast}", "--limit", "failures=0", "--pool", "kiln"), "no pool is called", 2),
        (("check", "none.idlehands", "--limit", "failures=0"), "none.idlehands", 2),
    ],
)
def test_nonsense_gets_one_clear_line(captures, tmp_path, arguments, line, status):
    given = [one.format(fast=captures[0]) for one in arguments]
    text = said(*given, folder=tmp_path, status=status)
    assert line in text.splitlines()[-1]


def test_a_check_that_holds_is_status_0_and_a_broken_one_1_with_the_limit_named(captures, tmp_path):
    fast = captures[0]
    report = tmp_path / "result.xml"
    good = ("--limit", "failures=0", "--limit", "duration_median=2s")
    text = said("check", fast, *good, "--junit", report, folder=tmp_path)
    assert "every limit holds" in text
    assert len(ET.parse(report).getroot()[0]) == 2  # noqa: S314 - our own document
    bad = ("--limit", "duration_p95=1ms", "--no-finding", "lost-worker", "--junit", report)
    text = said("check", fast, *bad, "--force", folder=tmp_path, status=1)
    assert text.splitlines()[0].endswith("1 limit broken")
    assert "BROKEN  duration_p95" in text
    (suite,) = ET.parse(report).getroot()  # noqa: S314 - our own document
    assert [case.get("name") for case in suite.findall("testcase/[failure]")] == [
        "duration_p95: at most 1.00 ms"
    ]
