"""The promises of a scheduler, on scripted histories; verdicts follow from their definitions."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from histories import History, Task, ledger, random_history, scaled, take_in
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.deques.ends import judged_ends
from idlehands_monitor.analysis.time.job_history import JobHistory
from idlehands_monitor.analysis.verdicts.judging import LEAST_CASES, MOST_BROKEN
from idlehands_monitor.analysis.verdicts.promises import (
    ends_kept,
    greedy_bound,
    sizes_kept,
    victims_even,
)
from idlehands_monitor.analysis.verdicts.recorded_promises import (
    RACE_NS,
    parks_when_empty,
    queued_for_sure,
    stays_in_pool,
)
from idlehands_monitor.model.deques import EndReading, SizesReading
from idlehands_monitor.model.graph import GraphReading
from idlehands_monitor.model.source import SourceReading
from idlehands_monitor.model.vocabulary import Verdict
from idlehands_monitor.session.feed import SELDOM

MS = 1_000_000
seeds = st.integers(0, 2**16)


def parkings(count, *, beside=0, lead_ns=MS):
    """Worker 1 parks `count` times; for `beside` of them a task is queued since `lead_ns`."""
    history = History(2, (count + 1) * 10 * MS)
    for turn in range(count):
        at = (turn + 1) * 10 * MS
        history.idle_intervals.append((1, at, at + 5 * MS, True, -1))
        if turn < beside:
            history.tasks.append(Task(0, at - lead_ns, 0, at + 3 * MS, at + 4 * MS))
    for number, task in enumerate(sorted(history.tasks, key=lambda task: task.spawned)):
        task.number = number
    return history


def verdict_of(history):
    return parks_when_empty(ledger(history).pools[0], 0, history.end)


def test_parking_in_an_empty_pool_keeps_the_promise():
    found = verdict_of(parkings(100))
    assert (found.verdict, found.cases, found.broken) == (Verdict.KEPT, 100, 0)


def test_parking_beside_a_task_that_was_there_breaks_it_and_says_when():
    found = verdict_of(parkings(100, beside=10))
    assert (found.verdict, found.cases, found.broken) == (Verdict.BROKEN, 100, 10)
    assert found.effect == pytest.approx(0.1)
    assert found.timestamps_ns[0] == 10 * MS
    assert len(found.timestamps_ns) == 10


def test_a_task_that_comes_while_a_worker_parks_is_a_race_and_breaks_nothing():
    assert verdict_of(parkings(100, beside=50, lead_ns=RACE_NS // 2)).broken == 0


def test_a_rare_slip_breaks_no_promise():
    found = verdict_of(parkings(100, beside=int(100 * MOST_BROKEN)))
    assert found.verdict == Verdict.KEPT


def test_below_the_least_number_of_cases_there_is_no_verdict_and_it_says_why():
    found = verdict_of(parkings(LEAST_CASES - 1, beside=LEAST_CASES - 1))
    assert found.verdict == Verdict.UNKNOWN
    assert f"{LEAST_CASES} are needed" in found.why


@settings(max_examples=60)
@given(seeds, st.integers(0, 400))
def test_never_more_tasks_are_surely_queued_than_were_queued(seed, timestamp):
    history = scaled(random_history(seed), MS)
    timestamp *= MS
    import numpy as np

    (found,) = queued_for_sure(ledger(history).pools[0], np.array([timestamp])).tolist()
    # A task begun just before the timestamp and one spawned just before it may make it less.
    least = sum(
        task.spawned <= timestamp - RACE_NS and task.started > timestamp + RACE_NS
        for task in history.tasks
    )
    assert found <= least


def foreign(history, numbers):
    held = ledger(history)
    spawned_ns = held.pools[0].tasks["spawned_ns"]
    for place in numbers:
        spawned_ns[place] -= 7  # as a task of another pool, spawned at another timestamp
    return stays_in_pool(held.pools[0], 0, history.end)


def hundred_tasks():
    tasks = [Task(n, n * MS, 0, n * MS + 1000, n * MS + 2000) for n in range(100)]
    return History(1, 101 * MS, tasks)


def test_tasks_of_the_pool_itself_keep_the_promise_to_stay_in_it():
    found = foreign(hundred_tasks(), [])
    assert (found.verdict, found.cases, found.broken) == (Verdict.KEPT, 100, 0)


def test_tasks_spawned_in_another_pool_are_found_by_their_timestamp():
    found = foreign(hundred_tasks(), range(20, 40))
    assert (found.verdict, found.broken) == (Verdict.BROKEN, 20)
    assert found.timestamps_ns[0] == 20 * MS + 1000


def graph(**changes):
    known = {
        **{"tasks": 100, "workers": 4, "work_s": 8.0, "span_s": 1.0, "parallelism": 8.0},
        **{"work_law_s": 2.0, "measured_s": 2.5, "greedy_bound_s": 2.75, "last_root_s": 0.0},
    }
    return GraphReading(**{**known, **changes})


def test_a_graph_that_took_no_longer_than_the_bound_keeps_it():
    found = greedy_bound(graph())
    assert (found.verdict, found.effect) == (Verdict.KEPT, pytest.approx(2.5 / 2.75))


def test_a_graph_that_took_longer_than_any_greedy_schedule_breaks_it():
    assert greedy_bound(graph(measured_s=3.5)).verdict == Verdict.BROKEN


def test_work_that_kept_coming_has_no_bound_and_says_so():
    found = greedy_bound(graph(last_root_s=1.0))
    assert found.verdict == Verdict.UNKNOWN
    assert "all there at the start" in found.why


def test_a_part_of_a_computation_has_no_bound_and_says_so():
    found = greedy_bound(graph(whole=False))
    assert found.verdict == Verdict.UNKNOWN
    assert "tasks that are not in the graph" in found.why


def test_without_a_graph_the_bound_is_not_judged():
    assert greedy_bound(None).verdict == Verdict.UNKNOWN


def ends_of(own_at_end, stolen_at_end, of=100):
    def end(at_end):
        return EndReading(of, 0, of, at_end, 0.0, 3.0, tuple(range(of - at_end))[:5])

    return judged_ends(0, end(own_at_end), end(stolen_at_end), 0)


def test_each_end_has_its_own_promise():
    owners, thieves = ends_kept(ends_of(100, 0))
    assert (owners.verdict, thieves.verdict) == (Verdict.KEPT, Verdict.BROKEN)
    assert thieves.evidence == "broken in 100 of 100 cases"
    assert thieves.timestamps_ns[0] == 0


def sizes_with(superiority):
    return SizesReading(
        **{"by_hint": True, "stolen": 100, "local": 900, "median_stolen": 9.0},
        **{"median_local": 3.0, "superiority": superiority, "error": 0.03, "p": 1e-6},
        **{"steals": 100, "own_s": 0.1, "subtree_s": 0.2, "own_share": 0.5},
    )


def test_sizes_are_judged_by_how_often_the_stolen_one_is_the_larger():
    kept = sizes_kept(sizes_with(0.7), ends_kept(ends_of(100, 100)))
    assert (kept.verdict, kept.effect) == (Verdict.KEPT, 0.7)
    assert "in 70% of pairs the stolen task is the larger, by the hint of its size" in kept.evidence
    assert sizes_kept(sizes_with(0.3), ends_kept(ends_of(100, 100))).verdict == Verdict.BROKEN


def test_sizes_are_not_judged_where_tasks_are_taken_from_the_wrong_end():
    found = sizes_kept(sizes_with(0.3), ends_kept(ends_of(100, 0)))
    assert found.verdict == Verdict.UNKNOWN
    assert "wrong end" in found.why


def test_what_is_not_recorded_is_not_judged_and_says_why():
    assert {end.verdict for end in ends_kept(None)} == {Verdict.UNKNOWN}
    assert sizes_kept(None, ends_kept(None)).why
    assert victims_even(None).why


def test_where_spawns_were_lost_in_between_nothing_is_judged_by_them():
    history = parkings(100, beside=10)
    pool = ledger(history).pools[0]
    lost = {"frame": "lost", "pool": 0, "table": "spawns", "worker": -1, "rows": 5}
    take_in(pool, lost)
    for found in (parks_when_empty(pool, 0, history.end), stays_in_pool(pool, 0, history.end)):
        assert found.verdict == Verdict.UNKNOWN
        assert "lost" in found.why


def test_verdicts_on_the_scheduler_may_be_some_seconds_old_and_findings_use_them():
    past, held, made = JobHistory(), ledger(scaled(random_history(3), 100 * MS)), []
    past.extend(held)
    pool = past.pools[0]
    for second, seconds in [(20, 10), (21, 10), (29, 10), (29, 1), (30, 1), (31, 10), (40, 10)]:
        pool.cached(
            "it", second * 1000 * MS, seconds, lambda second=second: made.append(second) or {}
        )
    assert made == [20, 29, 30, 40]


def test_at_the_end_of_the_data_figures_judged_seldom_are_judged_once_over_all_of_it():
    history = History(1, 900 * MS)
    history.tasks = [Task(n, 0, 0, n * 10 * MS, (n + 1) * 10 * MS) for n in range(90)]
    held, past = ledger(history), JobHistory()
    source = SourceReading("pool", "live")
    (pool,) = held.pools.values()
    whole, pool.complete_ns = pool.complete_ns, 300 * MS
    past.extend(held)
    read(held, source, None, past, SELDOM)
    pool.complete_ns = whole

    def ran() -> tuple[int, int]:
        (found,) = read(held, source, None, past, SELDOM).pools
        return sum(kind.finished for kind in found.tasks.kinds), found.tasks.finished

    ran()  # the last frame that brings something, in which what is kept may be older
    of_kinds, finished = ran()
    assert of_kinds == finished > 0
