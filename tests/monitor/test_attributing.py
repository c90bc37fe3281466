"""No worker time is attributed to two findings."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import reading

from idlehands_monitor.analysis.verdicts.attributing import TAKES, attributed
from idlehands_monitor.model.findings import Finding
from idlehands_monitor.model.vocabulary import FindingCode
from idlehands_monitor.model.worker_time import CATEGORIES, WorkerTime

SECOND = 1_000_000_000


def pool(**seconds):
    time = WorkerTime(**{name: value * SECOND for name, value in seconds.items()})
    return replace(reading().pools[0], time=time)


def finding(code, seconds):
    return Finding(FindingCode(code), seconds, 0.0, "It is so.", "Do otherwise.")


def test_the_first_finding_takes_its_part_first():
    held = pool(blocked=10, no_work=10)
    found = attributed(held, [finding("interpreter-lock", 7.0), finding("too-few-workers", 8.0)])
    assert [one.worker_seconds for one in found] == [7.0, 3.0]
    assert [one.share for one in found] == [0.35, 0.15]


def test_findings_of_different_categories_do_not_take_from_each_other():
    held = pool(blocked=10, no_work=10)
    found = attributed(held, [finding("barrier-wait", 9.0), finding("lock-wait", 9.0)])
    assert [one.worker_seconds for one in found] == [9.0, 9.0]


def test_a_dead_workers_time_is_no_time_of_the_pool():
    (found,) = attributed(pool(no_work=1), [finding("lost-worker", 5.0)])
    assert found.worker_seconds == 5.0


@pytest.mark.parametrize("code", list(FindingCode))
def test_each_code_is_in_the_table(code):
    assert code in TAKES


@given(
    st.lists(st.integers(0, 100), min_size=8, max_size=8),
    st.lists(st.tuples(st.sampled_from(list(FindingCode)), st.floats(0, 300)), max_size=8),
)
def test_all_findings_together_take_no_more_than_there_is(seconds, wanted):
    held = pool(**dict(zip(CATEGORIES, seconds, strict=True)))
    found = attributed(held, [finding(code, value) for code, value in wanted])
    counted = [one for one in found if TAKES[one.code]]
    assert sum(one.worker_seconds for one in counted) <= sum(seconds) + 1e-6
    assert all(one.worker_seconds >= 0 for one in found)
