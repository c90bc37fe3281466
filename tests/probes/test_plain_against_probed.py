"""Small jobs come to the same with the probe as without it, but for what the docs name.

A dozen jobs here; `long` runs all of them under this Python. tests/plain_against_probed.py runs
them under every Python there is, and shows what differs.
"""

from __future__ import annotations

import re
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

if sys.version_info < (3, 11):
    pytest.skip("what runs the jobs needs Python 3.11; the jobs do not", allow_module_level=True)

from plain_against_probed import AT_ONCE, judge
from plain_catalogue import Job, all_jobs, prepare
from plain_differences import ALLOWED
from plain_runs import PROBED, WATCHED

DOCS = Path(__file__).resolve().parents[2] / "docs" / "probing-jobs.md"
JOBS = {job.name: job for job in all_jobs()}
QUICK = (
    "callables/getattr_raises",
    "callables/mocks",
    "cancelling/futures_cancelled",
    "descriptors/inherited_by_children",
    "exits/interrupted_in_main",
    "exits/system_exit_kinds",
    "forks/nested",
    "limits/deep_recursion",
    "names/main_annotations",
    "pickling/executors_do_not_pickle",
    "queues/overridden_methods",
    "signals/masked_late_and_sigwait",
)


@pytest.fixture(scope="module")
def python(tmp_path_factory):
    room = tmp_path_factory.mktemp("environment")
    return prepare(sys.executable, room / "python")


@pytest.fixture(scope="module")
def verdicts_of(python, tmp_path_factory):
    def run(jobs: list[Job], *ways: str):
        rooms = [tmp_path_factory.mktemp("job") for _ in jobs]
        with ThreadPoolExecutor(AT_ONCE) as pool:
            started = [
                pool.submit(judge, job, python, room, ways=ways) for job, room in zip(jobs, rooms)
            ]
            return [future.result() for future in started]

    return run


def test_a_dozen_jobs_come_to_the_same_with_a_reader_attached(verdicts_of):
    verdicts = verdicts_of([JOBS[name] for name in QUICK], WATCHED)
    assert {verdict.job.name: verdict.different for verdict in verdicts if verdict.different} == {}
    assert sum(verdict.attached for verdict in verdicts) > 0
    assert sum(verdict.rows for verdict in verdicts) > 0


@pytest.mark.extra
@pytest.mark.timeout(600)
def test_all_other_jobs_come_to_the_same_with_a_reader_attached(verdicts_of):
    verdicts = verdicts_of([job for name, job in JOBS.items() if name not in QUICK], WATCHED)
    assert {verdict.job.name: verdict.different for verdict in verdicts if verdict.different} == {}


def test_a_job_that_the_probe_would_change_is_found_different(tmp_path, python):
    path = tmp_path / "changed.py"
    path.write_text("import sys\nprint('idlehands' in sys.modules)\nsys.stderr.write('same')\n")
    verdict = judge(
        Job("odd/changed", "", path, JOBS[QUICK[0]].settings), python, tmp_path, ways=[PROBED]
    )
    assert {what: lines[-2:] for what, lines in verdict.different.items()} == {
        "probed: stdout": ["-False", "+True"],
    }


def test_each_job_says_in_a_sentence_what_it_tries():
    assert len(JOBS) >= 60
    assert [name for name, job in JOBS.items() if not job.sentence.endswith(".")] == []
    sentences = [job.sentence for job in JOBS.values()]
    assert len(set(sentences)) == len(sentences)


def test_each_difference_that_is_allowed_is_named_in_the_docs_and_no_other():
    text = DOCS.read_text()
    section = text.partition("## What a job may notice")[2].partition("\n## ")[0]
    assert set(re.findall(r"^\* \*\*(.+?)\.\*\*", section, re.MULTILINE)) == {
        entry.name for entry in ALLOWED
    }


def test_each_job_that_shows_an_allowed_difference_is_there():
    assert {name for entry in ALLOWED for name in entry.jobs} - JOBS.keys() == set()
