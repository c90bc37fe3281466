"""Which end of a deque tasks were taken from, compared with real deques."""

from __future__ import annotations

import random
from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import source

from histories import History, Task, frames, ledger, take_in
from idlehands.wire import CANCELLED, INBOX, OWN_DEQUE
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.deques.ends import TOLERANCE_NS, end_verdict, ends, soonest, takes
from idlehands_monitor.analysis.stats.order_statistics import (
    LEAST,
    larger_before,
    maximum_before,
    range_maximum,
)
from idlehands_monitor.analysis.time.job_history import JobHistory
from idlehands_monitor.ledger import Ledger
from idlehands_monitor.ledger.rows import last_rows
from idlehands_monitor.model.deques import EndReading

US = 1_000

# -- order statistics ----------------------------------------------------------------------------

VALUES = st.lists(st.integers(-20, 20), max_size=40)


@given(VALUES)
def test_larger_values_before_a_place_are_those_of_a_plain_count(values):
    plain = [sum(other > value for other in values[:place]) for place, value in enumerate(values)]
    assert larger_before(np.array(values, dtype=np.int64)).tolist() == plain


@given(VALUES)
def test_the_maximum_before_a_place_is_that_of_a_plain_search(values):
    plain = [max(values[:place], default=LEAST) for place in range(len(values))]
    if values:
        assert maximum_before(np.array(values, dtype=np.int64)).tolist() == plain


@given(VALUES.filter(len), st.data())
def test_the_maximum_of_a_range_is_that_of_a_plain_search(values, data):
    edges = st.integers(0, len(values))
    pairs = data.draw(st.lists(st.tuples(edges, edges).map(sorted), max_size=20))
    low, high = (np.array([pair[side] for pair in pairs], dtype=np.int64) for side in (0, 1))
    plain = [max(values[first:last], default=LEAST) for first, last in pairs]
    assert range_maximum(np.array(values, dtype=np.int64), low, high).tolist() == plain


# -- deques that are really run ------------------------------------------------------------------


class Deques:
    """Workers that push, pop and steal at random, every step at a time of its own.

    late: the longest that a timestamp differs from its operation. wrong: the share of takes from
    the end that is not promised. truth: for the timestamp of a take, the task's places from the
    oldest and the newest.
    At last every deque is emptied by its owner.
    """

    def __init__(self, seed, workers=3, steps=120, late=0, wrong=0.3, spacing=20 * US):
        self.draw = random.Random(seed)
        self.late, self.wrong = late, wrong
        self.deques = [[] for _ in range(workers)]
        self.free = [1] * workers
        self.running = [None] * workers
        self.truth = {}
        self.tasks = []
        now = 10 * TOLERANCE_NS
        for _ in range(steps):
            now += self.draw.randint(2, spacing)
            self.step(self.draw.randrange(workers), now)
        for worker, deque in enumerate(self.deques):
            while deque:
                now += 10 * TOLERANCE_NS
                self.take(worker, worker, now)
        for worker in range(workers):
            self.finish(worker)

    def step(self, worker, now):
        delay = self.draw.randint(0, self.late)
        victim = worker if self.draw.random() < 0.5 else self.draw.randrange(len(self.deques))
        if self.draw.random() < 0.55:
            if now - delay > self.free[worker]:
                task = Task(len(self.tasks), now - delay, spawned_by=worker)
                self.tasks.append(task)
                self.deques[worker].append(task)
                self.free[worker] = now
        elif now > self.free[worker] + 1 and self.deques[victim]:
            self.take(worker, victim, now + delay)

    def take(self, worker, victim, timestamp):
        self.finish(worker)
        deque = self.deques[victim]
        newest = (victim == worker) is not (self.draw.random() < self.wrong)
        place = len(deque) - 1 if newest else 0
        self.truth[timestamp] = (place, len(deque) - 1 - place)
        task = deque.pop(place)
        task.worker, task.started = worker, timestamp
        task.taken_from = OWN_DEQUE if victim == worker else victim
        self.free[worker], self.running[worker] = timestamp, task

    def finish(self, worker):
        if self.running[worker] is not None:
            self.free[worker] += 1
            self.running[worker].ended = self.free[worker]
            self.running[worker] = None

    def found(self):
        """Return the takes that are found, by their timestamp, as plain values."""
        own_names = {"task": "number", "owner": "spawned_by"}
        rows = {
            name: np.array([getattr(t, own_names.get(name, name)) for t in self.tasks], np.int64)
            for name in ("task", "owner", "worker", "spawned", "started", "ended", "taken_from")
        }
        rows["soonest"] = soonest(rows)
        found = takes(rows, np.ones(len(self.tasks), dtype=np.bool_))
        parts = [getattr(found, part.name).tolist() for part in fields(found)]
        return {
            row[0]: dict(zip([f.name for f in fields(found)], row, strict=True))
            for row in zip(*parts, strict=True)
        }


def promised(take, truth):
    """Return whether a take was at the end that is promised of it."""
    return truth[0 if take["stolen"] else 1] == 0


@given(st.integers(0, 100_000))
def test_places_and_lengths_by_exact_timestamps_are_those_of_the_deques(seed):
    run = Deques(seed)
    for timestamp, take in run.found().items():
        oldest, newest = run.truth[timestamp]
        assert (take["from_oldest"], take["from_newest"]) == (oldest, newest)
        assert take["length"] == oldest + newest + 1


@given(st.integers(0, 100_000), st.integers(0, TOLERANCE_NS))
def test_takes_judged_by_late_timestamps_are_judged_as_they_were(seed, late):
    run = Deques(seed, late=late)
    for timestamp, take in run.found().items():
        if take["judged"]:
            assert take["at_end"] is promised(take, run.truth[timestamp])
            assert sum(run.truth[timestamp]) >= 1


@given(st.integers(0, 100_000))
def test_takes_that_are_neither_judged_nor_ambiguous_had_no_choice(seed):
    run = Deques(seed, late=TOLERANCE_NS)
    for timestamp, take in run.found().items():
        assert not (take["judged"] and take["ambiguous"])
        if not take["judged"] and not take["ambiguous"]:
            assert run.truth[timestamp] == (0, 0)


@given(st.integers(0, 100_000))
def test_takes_far_from_all_others_are_never_ambiguous(seed):
    run = Deques(seed, spacing=4_000 * US)
    timestamps = sorted(m for task in run.tasks for m in (task.spawned, task.started))
    near = {
        m for pair in pairwise(timestamps) if pair[1] - pair[0] <= 2 * TOLERANCE_NS for m in pair
    }
    for timestamp, take in run.found().items():
        if not near:
            assert not take["ambiguous"]
            assert take["judged"] is (sum(run.truth[timestamp]) > 0)


# -- by hand -------------------------------------------------------------------------------------


def two_workers(order, thief=1, idle_interval=1_000 * US, count=40):
    """Return `count` rounds in which worker 0 spawns three tasks and `thief` takes them in turn.

    order: 0 the oldest, 2 the newest.
    """
    history = History(2, 0)
    now = idle_interval
    for _ in range(count):
        pushed = [Task(0, now + number * idle_interval, spawned_by=0) for number in range(3)]
        now += 3 * idle_interval
        for place in order:
            task = pushed[place]
            task.worker, task.started, task.ended = thief, now, now + idle_interval // 2
            task.taken_from = OWN_DEQUE if thief == 0 else 0
            now += idle_interval
        history.tasks += pushed
    for number, task in enumerate(history.tasks):
        task.number = number
    history.end = now + idle_interval
    return history


def ends_of(history):
    return ends(ledger(history).pools[0], 0, history.end)


def test_a_thief_that_takes_the_oldest_keeps_its_promise():
    found = ends_of(two_workers((0, 1, 2)))
    # The last of three has no choice.
    assert (found.stolen.takes, found.stolen.with_choice, found.stolen.at_end) == (120, 80, 80)
    assert (found.thieves_oldest, found.owners_newest) == ("kept", "unknown")


def test_a_thief_that_takes_the_newest_breaks_it_and_the_first_timestamps_are_reported():
    history = two_workers((2, 1, 0))
    found = ends_of(history)
    assert (found.stolen.with_choice, found.stolen.at_end, found.stolen.rank) == (80, 0, 1.5)
    assert found.thieves_oldest == "broken"
    taken = sorted(task.started for task in history.tasks)
    assert found.stolen.timestamps_ns == (taken[0], taken[1], taken[3], taken[4], taken[6])


@pytest.mark.parametrize(("order", "verdict"), [((2, 1, 0), "kept"), ((0, 1, 2), "broken")])
def test_an_owner_is_held_to_the_newest(order, verdict):
    assert ends_of(two_workers(order, thief=0)).owners_newest == verdict


def test_an_owner_is_judged_however_short_its_tasks_are():
    found = ends_of(two_workers((2, 1, 0), thief=0, idle_interval=100))
    assert (found.own.with_choice, found.own.at_end, found.own.ambiguous) == (80, 80, 0)


def test_a_few_takes_give_no_verdict():
    assert ends_of(two_workers((2, 1, 0), count=14)).thieves_oldest == "unknown"


def test_a_share_near_the_bound_is_broken_only_with_enough_data():
    def verdict(at_end, with_choice):
        return end_verdict(EndReading(with_choice, 0, with_choice, at_end, 0.0, 2.0, ()))

    # Wilson's upper limits (95 %): 26 of 30 reaches 0.947, 800 of 1000 only 0.824.
    assert [verdict(27, 30), verdict(26, 30), verdict(800, 1000)] == ["kept", "unknown", "broken"]


def test_tasks_moved_between_deques_are_counted_and_leave_the_promise_open():
    history = two_workers((0, 1, 2))
    for task in history.tasks[::3]:
        task.taken_from = OWN_DEQUE  # a thief that takes several keeps some in its own deque
    found = ends_of(history)
    assert (found.unplaced, found.thieves_oldest) == (40, "unknown")


def test_tasks_from_the_inbox_are_in_no_deque():
    history = two_workers((0, 1, 2))
    history.tasks.append(Task(120, 5, 1, 10, 20, taken_from=INBOX, spawned_by=-1))
    history.tasks.append(Task(121, 6, 1, 30, 40, taken_from=INBOX, spawned_by=0))
    found = ends_of(history)
    assert (found.stolen.takes, found.own.takes, found.unplaced) == (120, 0, 0)


def test_cancelled_tasks_lie_in_the_deque_until_then_and_are_no_takes():
    history = two_workers((0, 1), count=40)
    for task in history.tasks[2::3]:
        task.worker, task.outcome, task.spawned = -1, CANCELLED, task.spawned
        task.started = task.ended = history.end - 1
    found = ends_of(history)
    assert (found.stolen.takes, found.stolen.with_choice) == (80, 80)
    assert found.stolen.at_end == 2  # in later rounds older tasks are still there


def test_a_task_that_may_have_been_pushed_after_a_take_is_no_choice_for_it():
    tasks = [Task(0, 10 * US, 1, 100 * US, 300 * US, taken_from=0, spawned_by=0)]
    # Timestamped before the take but perhaps pushed after: timestamps may be the tolerance off.
    tasks.append(Task(1, 60 * US, 0, 900 * US, 950 * US, taken_from=OWN_DEQUE, spawned_by=0))
    tasks.append(Task(2, 5 * US, 1, 80 * US, 90 * US, taken_from=INBOX))
    found = ends_of(History(2, 2_000 * US, tasks))
    assert (found.stolen.takes, found.stolen.with_choice, found.stolen.ambiguous) == (1, 0, 1)


def test_an_empty_window_has_no_takes():
    found = ends_of(History(2, 10))
    assert (found.own.takes, found.stolen.takes, found.unplaced) == (0, 0, 0)


def test_damaged_timestamps_are_left_out():
    history = two_workers((0, 1, 2))
    history.tasks.append(Task(120, 1 << 62, 1, 5, 20, taken_from=0, spawned_by=0))
    history.tasks.append(
        Task(122, 700, 1, (1 << 63) - 2, (1 << 63) - 1, taken_from=0, spawned_by=1)
    )
    history.tasks.append(Task(121, -5, 1, 1 << 61, 1 << 62, taken_from=0, spawned_by=700))
    assert ends_of(history).stolen.takes == 120


def test_only_the_latest_tasks_are_rebuilt_where_there_are_many():
    pool = ledger(two_workers((0, 1, 2))).pools[0]
    since = last_rows(pool.tasks, 0, 60)
    # Sixty end from then on; the first of them had been taken before.
    assert ends(pool, since, pool.complete_ns).stolen.with_choice == 39
    assert last_rows(pool.tasks, 0, 120) == 0


def test_a_live_view_is_computed_once_a_second_and_at_the_very_end():
    history = two_workers((0, 1, 2), idle_interval=100_000 * US)
    past = JobHistory()
    held = Ledger()
    seen = []
    for frame in frames(history):
        take_in(held, frame)
    for part in (0, 1, 10, 20):
        # The same rows; only the time up to which they are known to be complete moves on.
        held.pools[0].complete_ns = history.end - 4_000_000 * US + part * 100_000 * US
        past.extend(held)
        seen.append(read(held, source(), None, past).pools[0].ends)
    assert seen[1] is seen[0]
    assert seen[0].stolen.takes < seen[2].stolen.takes < seen[3].stolen.takes
    held.pools[0].closed_ns = held.pools[0].complete_ns = history.end
    assert read(held, source(), None, past).pools[0].ends.stolen.takes == 120
