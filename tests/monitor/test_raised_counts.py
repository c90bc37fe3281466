"""Which exceptions ended tasks: from the levels of a pool to a window and a finding's sentence."""

from __future__ import annotations

from dataclasses import replace

import pytest
from readings import reading

from histories import History, Task, frames, take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.verdicts.worker_findings import with_worker_findings
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.ledger.raised import RaisedCounts
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.tasks import KindReading, RaisedReading
from idlehands_monitor.model.vocabulary import StreamState
from idlehands_monitor.views import json as json_view

SECOND = 1_000_000_000


def test_a_window_has_the_difference_of_two_counts():
    counts = RaisedCounts()
    for at_s, times in ((1, 2), (2, 5), (3, 9)):
        counts.note(at_s * SECOND, [(0, "KeyError", times), (1, "OSError", 1)])
    assert counts.between(1 * SECOND, 2 * SECOND) == {(0, "KeyError"): 3}
    assert counts.between(0, 3 * SECOND) == {(0, "KeyError"): 9, (1, "OSError"): 1}
    assert counts.between(0, SECOND // 2) == {}


def test_counts_that_do_not_change_are_held_once_and_others_twice_a_second():
    counts = RaisedCounts()
    for tick in range(100):
        counts.note(tick * SECOND // 10, [(0, "KeyError", 1 + tick // 50)])
    assert len(counts._held) == 2
    for tick in range(100):
        counts.note(10 * SECOND + tick * SECOND // 10, [(0, "KeyError", 10 + tick)])
    assert 20 <= len(counts._held) - 2 <= 30


def held(raised):
    """Return a reading of a pool whose levels say what its tasks raised."""
    history = History(1, SECOND, [Task(0, 0, 0, 0, SECOND, outcome=1)])
    ledger = Ledger()
    for frame in frames(history):
        take_in(ledger, {**frame, "raised": raised} if frame["frame"] == "levels" else frame)
    return ledger, read(ledger, SourceReading("x", StreamState.REPLAY))


def test_a_reading_and_its_json_name_the_exceptions_of_each_kind():
    _, found = held([[0, "KeyError", 7], [-1, "", 2]])
    assert found.pools[0].tasks.raised == (
        RaisedReading("task", "KeyError", 7),
        RaisedReading("", "", 2),
    )
    (pool,) = json_view.document(found)["pools"]
    assert pool["tasks"]["raised"][0] == {"kind": "task", "error": "KeyError", "tasks": 7}


@pytest.mark.parametrize("damaged", [[[0, "KeyError"]], [[0, 5, 5]], [[0, "KeyError", -1]], "no"])
def test_levels_with_damaged_counts_are_left_out_and_counted(damaged):
    ledger, _ = held(damaged)
    assert ledger.skipped_frames == 1


def test_a_probe_that_does_not_count_exceptions_has_none():
    (pool,) = reading().pools
    assert pool.tasks.raised == ()


def failing(kinds, raised=()):
    (pool,) = reading().pools
    failed = sum(kind.failed for kind in kinds)
    tasks = replace(pool.tasks, finished=100, failed=failed, kinds=kinds, raised=raised)
    return with_worker_findings(replace(pool, tasks=tasks, findings=())).findings[0].sentence


def test_failing_tasks_name_their_kinds_and_the_shares_of_their_exceptions():
    kinds = (
        KindReading("brew", 50, 1.0, 0.02, 0, failed=30),
        KindReading("pour", 50, 1.0, 0.02, 0, failed=3),
    )
    raised = (
        RaisedReading("brew", "KeyError", 27),
        RaisedReading("brew", "OSError", 3),
        RaisedReading("pour", "ValueError", 3),
    )
    assert failing(kinds, raised) == (
        "33 of 100 tasks failed, 33 %: 30 of brew (KeyError 90 %, OSError 10 %), "
        "3 of pour (ValueError 100 %)"
    )


def test_failing_tasks_of_many_kinds_name_three():
    kinds = tuple(KindReading(f"k{n}", 20, 1.0, 0.02, 0, failed=9 - n) for n in range(5))
    assert failing(kinds).endswith(": 9 of k0, 8 of k1, 7 of k2, and 2 kinds more")
