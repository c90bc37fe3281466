"""Larger and smaller pieces: what becomes of tasks from outside, of siblings and of recursions."""

from __future__ import annotations

from dataclasses import replace

import pytest

from idlehands_monitor.analysis.whatif.grain import regrained
from idlehands_monitor.analysis.whatif.list_of_changes import all_changes
from idlehands_monitor.analysis.whatif.program import Do, Program, independent
from idlehands_monitor.analysis.whatif.rules import Machine, Overheads, Team
from idlehands_monitor.analysis.whatif.scenario import Scenario
from idlehands_monitor.model.changes import Grain
from idlehands_monitor.model.whatif import Arrivals


def scenario(program, workers=2, arrivals=Arrivals.BATCH, kinds=None, **overheads):
    kinds = kinds or (0,) * len(program.steps)
    team = Team(workers, overheads=Overheads(**overheads))
    return Scenario(program, Machine(workers), (team,), arrivals, kinds, ("grind", "pour"))


def steps(found):
    return found.program.steps


def core(*lengths):
    return tuple((Do.CORE, length) for length in lengths)


def recursion(depth, length):
    """Return a task that spawns two halves and joins them, down to leaves; 1 ns of its own."""
    made = []

    def task(depth):
        mine = len(made)
        made.append(core(length))
        if depth:
            first, second = task(depth - 1), task(depth - 1)
            made[mine] = (
                *((Do.CORE, 1), (Do.SPAWN, first), (Do.SPAWN, second)),
                *((Do.JOIN, second), (Do.JOIN, first)),
            )
        return mine

    task(depth)
    return Program(tuple(made), {0: 0})


def test_tasks_from_outside_are_put_together_in_the_order_in_which_they_come():
    found = regrained(scenario(independent([1, 2, 3, 4, 5], [0, 9, 3, 5, 7])), 2)
    assert steps(found) == (core(1, 3), core(2), core(4, 5))
    assert found.program.comes_ns == {0: 3, 1: 9, 2: 7}


def test_only_tasks_of_one_kind_are_put_together():
    found = regrained(scenario(independent([1, 2, 3, 4]), kinds=(0, 1, 1, 0)), 2)
    assert steps(found) == (core(1), core(2, 3), core(4))
    assert found.kinds == (0, 1, 0)


def test_threads_that_hand_tasks_over_to_processes_have_fewer_of_them_to_hand_over():
    before = scenario(independent([10] * 8))
    before = replace(before, machine=Machine(2, others=1.0, of_the_job=0.75))
    machine = regrained(before, 4).machine
    assert machine.of_the_job == 0.75 / 4
    assert machine.foreign == 0.25


def test_pieces_are_tried_that_are_large_enough_for_their_dispatch_to_hardly_count():
    """A dispatch of 80 µs is 5 % of 32 tasks of 50 µs: the next power of two below is taken."""
    tasks = independent([50_000] * 4000, [0] * 4000)
    (larger,) = (
        change.factor
        for (change,) in all_changes(scenario(tasks, dispatch_ns=80_000), with_curve=True)
        if isinstance(change, Grain) and change.factor > 2
    )
    assert larger == 32


def test_each_worker_is_left_some_pieces():
    tasks = independent([50_000] * 80, [0] * 80)
    (larger,) = (
        change.factor
        for (change,) in all_changes(scenario(tasks, dispatch_ns=80_000), with_curve=True)
        if isinstance(change, Grain) and change.factor > 2
    )
    assert larger == 4


def test_fewer_tasks_pay_fewer_dispatches():
    before = scenario(independent([10] * 8), 1, dispatch_ns=5)
    assert before.run().end_ns == 8 * 15
    assert regrained(before, 4).run().end_ns == 8 * 10 + 2 * 5


def test_a_recursion_ends_one_level_earlier():
    before = scenario(recursion(3, 10))
    found = regrained(before, 2)
    assert len(steps(found)) == 7
    assert found.program.work_ns == before.program.work_ns
    assert sum(step == (Do.CORE, 10) for task in steps(found) for step in task) == 8
    assert found.run().end_ns >= 40


def test_four_times_as_large_is_two_levels_earlier():
    assert len(steps(regrained(scenario(recursion(3, 10)), 4))) == 3


def test_siblings_are_spawned_and_joined_as_one():
    spawns = tuple((Do.SPAWN, n) for n in (1, 2, 3))
    joins = tuple((Do.JOIN, n) for n in (1, 2, 3))
    program = Program(((*spawns, *joins), core(1), core(2), core(3)), {0: 0})
    found = regrained(scenario(program), 2)
    assert steps(found) == (
        ((Do.SPAWN, 1), (Do.SPAWN, 2), (Do.JOIN, 1), (Do.JOIN, 2)),
        core(1, 2),
        core(3),
    )


def test_pieces_are_divided_and_joined_one_by_one():
    program = Program((((Do.SPAWN, 1), (Do.JOIN, 1)), core(5)), {0: 0})
    found = regrained(scenario(program), 0.5)
    assert steps(found) == (
        ((Do.SPAWN, 1), (Do.SPAWN, 2), (Do.JOIN, 1), (Do.JOIN, 2)),
        core(3),
        core(2),
    )


def test_divided_pieces_come_when_the_whole_one_did():
    found = regrained(scenario(independent([10, 10], [0, 7])), 0.5)
    assert found.program.comes_ns == {0: 0, 1: 0, 2: 7, 3: 7}


@pytest.mark.parametrize(("factor", "gates"), [(2, {1: (1, 3)}), (0.5, {4: (4, 3), 5: (4, 3)})])
def test_gates_open_after_the_same_part_of_the_work(factor, gates):
    program = Program((core(4),) * 3, {0: 0, 1: 0}, gates={2: (2, 3)})
    assert regrained(scenario(program), factor).program.gates == gates


@pytest.mark.parametrize("factor", [0, -1, 1.5, 0.4])
def test_other_factors_are_an_error(factor):
    with pytest.raises(ValueError, match="use ×2, ×3, ÷2 and so on"):
        regrained(scenario(independent([1])), factor)


def test_what_the_data_of_a_task_takes_stays_however_many_become_one():
    before = scenario(independent([1_000_000] * 8), 1, dispatch_ns=10_000_000)
    after = regrained(before, 4)
    saved = before.run().end_ns - after.run().end_ns
    assert saved == pytest.approx(6 * 1_000_000, rel=0.01)
