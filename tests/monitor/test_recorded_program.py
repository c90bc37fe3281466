"""From recorded rows to a program: steps by hand, and a whole run that comes out again."""

from __future__ import annotations

import pytest

from histories import History, Task, ledger
from idlehands_monitor.analysis.whatif.program import Do
from idlehands_monitor.analysis.whatif.recorded import KindShares, recorded
from idlehands_monitor.analysis.whatif.rules import Machine, Team
from idlehands_monitor.analysis.whatif.simulator import simulate

ALL_ON = (KindShares(1.0, 0.0),)
HALF = (KindShares(0.5, 0.25),)
"""A quarter of the own time was spent in a run queue."""


def program_of(history, shares=ALL_ON, **options):
    return recorded(ledger(history).pools[0], 0, history.end, shares, **options).program


def steps_of(history, shares=ALL_ON, task=0, **options):
    return program_of(history, shares, **options).steps[task]


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


def test_what_is_on_a_core_holds_the_lock_where_that_is_said():
    assert steps_of(one(), locked=True) == ((Do.LOCKED, 100),)


def test_a_task_comes_from_outside_when_it_was_handed_in():
    history = one()
    history.tasks.append(Task(1, 60, 0, 130, 140))
    assert program_of(history).comes_ns == {0: 0, 1: 50}


def test_a_child_is_spawned_at_the_same_point_of_its_parents_own_time():
    history = one()
    history.tasks.append(Task(1, 50, 0, 130, 140, parent=0))
    assert program_of(history).comes_ns == {0: 0}
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
    program = program_of(history)
    outcome = simulate(program, Machine(workers), [Team(workers)])
    assert outcome.began_ns == tuple(task.started for task in history.tasks)
    assert outcome.ended_ns == tuple(task.ended for task in history.tasks)
