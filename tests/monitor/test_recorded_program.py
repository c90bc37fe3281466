"""From recorded rows to a program: steps by hand, and a whole run that comes out again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from histories import History, Task, ledger
from idlehands_monitor.analysis.whatif.program import Do
from idlehands_monitor.analysis.whatif.recorded import KindShares, recorded
from idlehands_monitor.analysis.whatif.rules import Machine, Team
from idlehands_monitor.analysis.whatif.simulator import simulate

ALL_ON = (KindShares(1.0, 0.0),)
HALF = (KindShares(0.5, 0.25, core_wait=0.25),)
"""A quarter of the own time was spent in a run queue."""


def recorded_of(history, shares=ALL_ON):
    return recorded(ledger(history).pools[0], 0, history.end, shares)


def steps_of(history, shares=ALL_ON, task=0):
    return recorded_of(history, shares).program.steps[task]


def one(**changes):
    history = History(1, 1000)
    history.tasks = [
        Task(0, **{"spawned": 10, "worker": 0, "started": 20, "ended": 120, **changes})
    ]
    return history


def test_a_task_is_so_long_on_a_core_as_its_kinds_share_says():
    assert steps_of(one()) == ((Do.CORE, 100),)


def test_run_queue_wait_is_left_out():
    assert steps_of(one(), HALF) == ((Do.OFF, 25), (Do.CORE, 50))


def test_a_cpu_time_that_was_read_with_the_task_comes_before_its_kinds_share():
    # 20 of 100 ns on a core; of the other 80 a half was off the core, as of its kind's rest.
    assert steps_of(one(cpu=20), HALF) == ((Do.OFF, 40), (Do.CORE, 20))


def test_waits_for_locks_are_left_out_and_said():
    held = recorded_of(one(), (KindShares(0.5, 0.1, core_wait=0.3, lock_wait=0.1),))
    assert held.program.steps[0] == ((Do.OFF, 10), (Do.CORE, 50))
    assert (held.core_wait_ns, held.lock_wait_ns) == (pytest.approx(30), pytest.approx(10))


def test_a_task_comes_from_outside_when_it_was_handed_in():
    history = one()
    history.tasks.append(Task(1, 60, 0, 130, 140))
    held = recorded_of(history)
    assert held.came_ns[held.outside].tolist() == [10, 60]


def test_a_task_that_was_handed_in_before_the_window_comes_with_it():
    history = one()
    held = recorded(ledger(history).pools[0], 15, history.end, ALL_ON)
    assert held.came_ns.tolist() == [15]


def test_of_many_tasks_the_last_are_taken():
    history = one()
    history.tasks += [Task(n, 20 * n, 0, 130 + 10 * n, 135 + 10 * n) for n in range(1, 6)]
    held = recorded(ledger(history).pools[0], 0, history.end, ALL_ON, most=2)
    assert held.task.tolist() == [4, 5]
    assert held.all_tasks == 6
    assert held.whole_s == pytest.approx(175e-9)
    assert held.came_ns.tolist() == [170, 170]  # when the first of them began


def test_a_child_is_spawned_at_the_same_point_of_its_parents_own_time():
    history = one()
    history.tasks.append(Task(1, 50, 0, 130, 140, parent=0))
    assert recorded_of(history).outside.tolist() == [0]
    assert steps_of(history) == ((Do.CORE, 30), (Do.SPAWN, 1), (Do.CORE, 70))


def two_tasks(wait):
    history = History(2, 1000)
    history.tasks = [Task(0, 0, 0, 0, 100), Task(1, 10, 1, 20, 60, parent=0)]
    history.waits = [(0, 0, 30, 70, *wait)]
    return history


def test_a_wait_on_another_task_is_a_join_and_takes_no_own_time():
    spawn = ((Do.CORE, 10), (Do.SPAWN, 1), (Do.CORE, 20))
    assert steps_of(two_tasks([1])) == (*spawn, (Do.JOIN, 1), (Do.CORE, 30))


def test_any_other_recorded_wait_is_time_off_the_core():
    spawn = ((Do.CORE, 10), (Do.SPAWN, 1), (Do.CORE, 20))
    assert steps_of(two_tasks([])) == (*spawn, (Do.OFF, 40), (Do.CORE, 30))


def test_a_window_without_a_whole_task_has_no_program():
    history = one()
    assert recorded(ledger(history).pools[0], 50, history.end, ALL_ON) is None


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_the_recorded_run_comes_out_again(workers):
    # So many workers, ten tasks of 10 to 100 ns at once, the next one to the first that is free.
    history, free = History(workers, 2000), [0] * workers
    for number in range(10):
        worker = min(range(workers), key=lambda index: (free[index], index))
        length = 10 * (number * 7 % 10 + 1)
        history.tasks.append(Task(number, 0, worker, free[worker], free[worker] + length))
        free[worker] += length
    held = recorded_of(history)
    program = replace(held.program, comes_ns=dict.fromkeys(range(10), 0))
    outcome = simulate(program, Machine(workers), [Team(workers)])
    assert outcome.began_ns == tuple(task.started for task in history.tasks)
    assert outcome.ended_ns == tuple(task.ended for task in history.tasks)


def tree(first, at, parent=None):
    """Return a task from outside (or of a parent) at a time, and the one that it spawns."""
    above = {} if parent is None else {"parent": parent}
    return [
        Task(first, at, 0, at, at + 20, **above),
        Task(first + 1, at + 5, 1, at + 5, at + 9, parent=first),
    ]


def test_a_part_of_a_run_has_whole_trees():
    history = History(2, 1000)
    history.tasks = [*tree(0, 0), *tree(2, 100), *tree(4, 200)]
    held = recorded(ledger(history).pools[0], 0, history.end, ALL_ON, most=5)
    assert held.task.tolist() == [2, 3, 4, 5]


def test_a_tree_is_there_even_if_it_is_larger_than_allowed():
    history = History(2, 1000)
    history.tasks = tree(0, 0)
    held = recorded(ledger(history).pools[0], 0, history.end, ALL_ON, most=1)
    assert held.task.tolist() == [0, 1]


def test_tasks_of_a_tree_whose_top_is_missing_are_left_out():
    history = History(2, 1000)
    history.tasks = [*tree(10, 0, parent=3), *tree(12, 100)]
    held = recorded(ledger(history).pools[0], 0, history.end, ALL_ON)
    assert held.task.tolist() == [12, 13]


def test_tasks_of_a_tree_whose_top_still_runs_are_kept_where_there_are_no_others():
    history = History(2, 1000)
    history.tasks = tree(10, 0, parent=3)
    held = recorded(ledger(history).pools[0], 0, history.end, ALL_ON)
    assert held.task.tolist() == [10, 11]
    assert held.outside.tolist() == [0]
