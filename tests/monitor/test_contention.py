"""Contention at the ends of deques: its counts, and the promise that it is rare."""

from __future__ import annotations

import pytest

from histories import History, Task, frames, ledger, take_in
from idlehands.wire import CANCELLED, OTHER_POOL, OWN_DEQUE
from idlehands_monitor.analysis.deques.contention import contention
from idlehands_monitor.analysis.deques.ends import judged_ends
from idlehands_monitor.analysis.verdicts.judging import LEAST_CASES
from idlehands_monitor.analysis.verdicts.promises import ends_meet
from idlehands_monitor.analysis.verdicts.recorded_promises import (
    RACE_NS,
    parks_when_empty,
    stays_in_pool,
)
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.model.deques import DequesReading, EndReading
from idlehands_monitor.model.vocabulary import Verdict

MS = 1_000_000
SOME = [  # worker, at, owner, length, waited
    (0, 10 * MS, 0, 0, 2 * MS),
    (1, 20 * MS, 0, 1, -1),
    (1, 30 * MS, 0, 2, 1 * MS),
    (0, 40 * MS, 1, 3, 3 * MS),
    (0, 50 * MS, 1, 40, 6 * MS),
    (1, 60 * MS, 0, -1, 8 * MS),
]


def contention_of(operations, begin=0, end=100 * MS):
    return contention(
        ledger(History(2, 100 * MS, contended=operations)).pools[0], begin, end, begin
    )


def test_contended_operations_are_counted_by_outcome_and_length_of_the_deque():
    found = contention_of(SOME)
    assert (found.contended, found.lost, found.unknown) == (6, 1, 1)
    assert (found.near_empty, found.longer, found.near_empty_share) == (2, 3, pytest.approx(0.4))
    assert found.timestamps_ns == (30 * MS, 40 * MS, 50 * MS)


def test_waits_are_added_up_and_a_lost_race_is_no_wait():
    found = contention_of(SOME)
    assert found.waited_s == pytest.approx(0.020)
    assert found.longer_s == pytest.approx(0.010)
    assert found.thieves_s == pytest.approx(0.018)  # but for the one of worker 0 at its own deque
    assert found.median_s == pytest.approx(0.003)


def test_the_groups_by_length_hold_every_contended_operation_of_known_length_once():
    groups = contention_of(SOME).by_length
    assert [(g.least, g.most, g.contended) for g in groups] == [
        (0, 0, 1),
        (1, 1, 1),
        (2, 3, 2),
        (16, None, 1),
    ]
    assert [group.lost for group in groups] == [0, 1, 0, 0]
    assert sum(group.waited_s for group in groups) == pytest.approx(0.012)


def test_contention_from_before_the_deques_are_rebuilt_is_reported_and_not_judged():
    found = contention(ledger(History(2, 100 * MS, contended=SOME)).pools[0], 0, 100 * MS, 35 * MS)
    assert (found.contended, found.longer, found.judged) == (6, 3, 2)


def test_only_contended_operations_inside_the_window_count():
    assert contention_of(SOME, 20 * MS, 40 * MS).contended == 2


def test_a_pool_that_reports_all_contention_had_none_where_it_reports_none():
    held = Ledger()
    names, *rest = frames(History(2, 100 * MS))
    take_in(held, {**names, "tells_meetings": True})
    for frame in rest:
        take_in(held, frame)
    found = contention(held.pools[0], 0, 100 * MS, 0)
    assert (found.reported, found.contended, found.waited_s, found.median_s) == (True, 0, 0.0, None)
    assert found.near_empty_share is None


def test_a_pool_that_reports_no_contention_has_no_such_reading():
    assert contention(ledger(History(2, 100 * MS)).pools[0], 0, 100 * MS, 0) is None


def test_lost_rows_of_contention_are_counted_and_make_no_hole_in_the_record():
    held = ledger(History(2, 100 * MS, contended=SOME))
    take_in(held, {"frame": "lost", "pool": 0, "table": "meetings", "worker": 0, "rows": 7})
    pool = held.pools[0]
    assert (contention(pool, 0, 100 * MS, 0).missing, pool.lost_rows, pool.holes) == (7, 0, [])


def use(operations, of_two):
    none = EndReading(0, 0, 0, 0, 0.0, 0.0, ())
    return DequesReading(
        judged_ends(0, none, none, 0, of_two), contention=contention_of(operations)
    )


def judged(used):
    return ends_meet(used.contention, used.ends)


def longer(count, length=5):
    return [(0, turn, 0, length, 1) for turn in range(count)]


def test_operations_at_longer_deques_without_contention_keep_the_promise():
    found = judged(use([(0, 5, 0, 1, 9)], of_two=1000))
    assert (found.verdict, found.cases, found.broken) == (Verdict.KEPT, 1000, 0)


def test_contention_at_longer_deques_breaks_it_and_says_when_and_how_long():
    found = judged(use(longer(100), of_two=1000))
    assert (found.verdict, found.cases, found.broken) == (Verdict.BROKEN, 1000, 100)
    assert found.timestamps_ns[:3] == (0, 1, 2)


def test_contention_for_the_last_task_breaks_nothing_however_much():
    assert judged(use(longer(500, length=1), of_two=1000)).verdict == Verdict.KEPT


def test_few_operations_at_longer_deques_give_no_verdict():
    assert judged(use(longer(3), of_two=LEAST_CASES - 1)).verdict == Verdict.UNKNOWN


def test_a_pool_that_may_not_report_all_contention_is_judged_by_what_it_reports():
    held = Ledger()
    names, *rest = frames(History(2, 100 * MS, contended=longer(LEAST_CASES)))
    for frame in [{**names, "tells_meetings": False}, *rest]:
        take_in(held, frame)
    found = DequesReading(use([], 1000).ends, contention=contention(held.pools[0], 0, 100 * MS, 0))
    assert (judged(found).verdict, judged(found).cases) == (Verdict.BROKEN, LEAST_CASES)


def test_without_any_report_of_contention_the_promise_is_not_judged_and_says_why():
    found = judged(DequesReading())
    assert found.verdict == Verdict.UNKNOWN
    assert "does not record" in found.why


@pytest.mark.parametrize(
    ("waited_until", "cases"),
    [(-MS, 40), (-RACE_NS // 2, 0), (MS, 0)],
    ids=["long over", "just over", "still waiting"],
)
def test_parking_while_an_operation_waits_at_a_deque_is_no_case(waited_until, cases):
    history = History(2, 1_000 * MS)
    for turn in range(40):
        at = (turn + 1) * 20 * MS
        history.idle_intervals.append((1, at, at + 5 * MS, True, -1))
        until = at + waited_until
        history.contended.append((0, until, 0, 1, 2 * MS))
    found = parks_when_empty(ledger(history).pools[0], 0, history.end)
    assert found.cases == cases


def test_a_task_of_another_pool_lies_in_no_deque_of_this_one():
    from idlehands_monitor.analysis.deques.ends import ends

    history = History(1, 100 * MS)
    for turn in range(40):
        at = turn * MS
        history.tasks.append(
            Task(turn, at, 0, at + 10, at + 20, taken_from=OTHER_POOL, spawned_by=-1)
        )
    found = ends(ledger(history).pools[0], 0, history.end)
    assert (found.own.takes, found.stolen.takes, found.unplaced) == (0, 0, 0)


def test_operations_at_deques_of_two_are_takes_that_found_two_and_the_pushes_that_did():
    from idlehands_monitor.analysis.deques.ends import ends

    history = History(1, 100 * MS)
    for number, (spawned, started) in enumerate([(0, 40), (1, 30), (2, 20)]):
        task = Task(number, spawned * MS, 0, started * MS, (started + 5) * MS, spawned_by=0)
        task.taken_from = OWN_DEQUE
        history.tasks.append(task)
    found = ends(ledger(history).pools[0], 0, history.end)
    assert found.of_two == 3  # takes that found three and two, and the push that found two


def test_a_task_that_was_cancelled_is_no_task_that_stayed():
    history = History(1, 100 * MS, [Task(0, 5, -1, 9, 9, outcome=CANCELLED)])
    assert stays_in_pool(ledger(history).pools[0], 0, history.end).cases == 0
