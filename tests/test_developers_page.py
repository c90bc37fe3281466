"""The questions of DEVELOPERS.md each have one place, and it is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
QUESTION = re.compile(r"^\| (Where is [^|]+\?) \| `([^`]+)` \|$", re.MULTILINE)
PLACES = dict(QUESTION.findall(PAGE))
HOLDS = {
    "Where is starved time computed?": "starved",
    "Where is a finding's sentence?": "sentence",
    "Where is a capture's block written?": "pack_frames",
    "Where is a key bound?": "Binding",
    "Where is a killed process's last state written?": "def worker_state",
    "Where is a frame's meaning?": "def apply",
    "Where is a new pool hooked?": "ADAPTERS",
    "Where is a stack of a job taken?": "class StackSampler",
    "Where is a finding's line in the code found?": "WAITS",
    "Where is the kernel read?": "os.read",
    "Where is a figure's JSON key?": "KEYS",
    "Where is a change simulated?": "def changed",
    "Where is a colour?": "#009E73",
    "Where is a column of an export?": "TABLES_EXPORTED",
    "Where is a fault of the demonstration?": "FAULTS",
}
"""What the place of each question has in it."""


def test_the_page_asks_these_questions_and_no_others():
    assert set(PLACES) == set(HOLDS)


@pytest.mark.parametrize("question", HOLDS)
def test_the_place_of_a_question_exists_and_has_the_answer(question):
    path = ROOT / PLACES[question]
    assert path.is_file()
    assert HOLDS[question] in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`([\w/]+\.py)`", PAGE))))
def test_every_module_that_the_page_names_exists(name):
    folders = ("", "monitor/idlehands_monitor", "probes/idlehands", "probes/idlehands/adapters")
    inside = ("monitor/idlehands_monitor/ingest", "monitor/idlehands_monitor/ingest/sources")
    analysis = "monitor/idlehands_monitor/analysis"
    questions = (analysis, f"{analysis}/verdicts", f"{analysis}/whatif")
    views = ("monitor/idlehands_monitor/views", "monitor/idlehands_monitor/views/terminal")
    places = (
        "probes",
        *folders,
        *inside,
        *questions,
        *views,
        "demo/idlehands_demo",
        "tests",
        "tests/monitor",
        "docs",
    )
    assert any((ROOT / place / name).is_file() for place in places), name
