"""What a run does not say directly is found again from runs in which it is known."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from idlehands_monitor.analysis.whatif.calibrating import calibrated, shortened
from idlehands_monitor.analysis.whatif.program import Do, Program
from idlehands_monitor.analysis.whatif.rules import Machine, Team
from idlehands_monitor.analysis.whatif.scenario import Scenario
from idlehands_monitor.analysis.whatif.shaping import with_interpreter_lock, with_lock
from idlehands_monitor.model.whatif import Arrivals

MS = 1_000_000


def scenario(cores=2.0, *, one_lock=False, workers=4, tasks=400, off=1.0):
    """Return a batch of tasks that compute 1 ms on average, and are blocked `off` times as long."""
    random = Random(5)
    steps = tuple(
        ((Do.OFF, round(off * length)), (Do.CORE, length))
        for length in (round(random.uniform(0.2, 1.8) * MS) for _ in range(tasks))
    )
    program = Program(steps, dict.fromkeys(range(tasks), 0))
    machine = Machine(cores, one_lock=one_lock)
    kinds = tuple(n % 2 for n in range(tasks))
    return Scenario(program, machine, (Team(workers),), Arrivals.BATCH, kinds, ("grind", "pour"))


def found(true, plain, **options):
    outcome = true.run()
    waits = (outcome.core_wait_ns, outcome.lock_wait_ns)
    return calibrated(plain, *waits, **{"locking": frozenset(), **options})


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_the_share_of_core_time_that_needs_the_interpreter_lock_is_found(share):
    plain = scenario(4.0, one_lock=True, off=0.2)
    true = replace(plain, program=with_interpreter_lock(plain.program, share))
    made = found(true, plain)
    assert made.interpreter_share == pytest.approx(share, abs=0.08)
    assert made.scenario.run().end_ns == pytest.approx(true.run().end_ns, rel=0.03)


def test_little_core_time_needs_the_interpreter_lock_where_nobody_waits_for_it():
    true, plain = (scenario(4.0, one_lock=lock, off=0.2) for lock in (False, True))
    made = found(true, plain)
    assert made.interpreter_share < 0.25
    assert made.scenario.run().end_ns == pytest.approx(true.run().end_ns, rel=0.03)


def test_all_core_time_needs_the_interpreter_lock_where_nothing_contradicts():
    made = found(scenario(4.0, one_lock=True, workers=1), scenario(4.0, one_lock=True, workers=1))
    assert made.interpreter_share == 1.0


@pytest.mark.parametrize("others", [0.5, 1.0, 2.5])
def test_how_much_other_processes_wanted_the_cores_is_found(others):
    plain = scenario(2.0, off=0.1)
    true = replace(plain, machine=replace(plain.machine, others=others))
    made = found(true, plain)
    assert made.scenario.machine.others == pytest.approx(others, abs=0.15)
    assert made.interpreter_share is None


@pytest.mark.parametrize(("beside", "foreign"), [(0.4, 0.6), (3.0, 0.0)])
def test_threads_of_the_job_itself_are_not_taken_for_other_processes(beside, foreign):
    plain = scenario(2.0, off=0.1)
    true = replace(plain, machine=replace(plain.machine, others=1.0))
    machine = found(true, plain, busy_beside=beside).scenario.machine
    assert machine.others == pytest.approx(1.0, abs=0.15)
    assert machine.foreign == pytest.approx(foreign, abs=0.15)
    assert machine.undisturbed.others == machine.of_the_job


def test_nobody_else_wants_the_cores_where_the_pools_own_tasks_explain_all_waits():
    assert found(scenario(2.0), scenario(2.0)).scenario.machine.others == 0.0


def test_waits_for_a_core_that_busy_cores_do_not_explain_stay_waits_of_the_tasks():
    plain = scenario(2.0, workers=1, off=20.0)
    more = 0.05 * plain.program.work_ns
    made = calibrated(plain, more, 0.0, frozenset())
    assert made.scenario.run().end_ns == pytest.approx(plain.run().end_ns + more, rel=0.01)


@pytest.mark.parametrize("share", [0.2, 0.4, 0.7])
def test_how_long_tasks_hold_the_lock_that_they_wait_for_is_found(share):
    plain = scenario(8.0, workers=6, off=3.0)
    holders = [task for task, kind in enumerate(plain.kinds) if kind == 1]
    true = replace(plain, program=with_lock(plain.program, holders, share))
    made = found(true, plain, locking=frozenset({1}))
    assert made.lock_share == pytest.approx(share, abs=0.05)


def test_waits_that_no_lock_of_these_tasks_explains_are_said_to_be_none():
    plain = scenario(8.0, workers=2)
    made = calibrated(plain, 0.0, 10 * plain.program.work_ns, frozenset({1}))
    assert made.lock_share is None


def test_waits_without_a_sign_of_what_for_may_have_been_for_the_interpreter_lock():
    """Four threads that only compute: three quarters of their time off the core is the lock's."""
    true = scenario(4.0, one_lock=True, off=0.0)
    true = replace(true, program=with_interpreter_lock(true.program, 1.0))
    waited = true.run().core_wait_ns
    plain = scenario(4.0, one_lock=True, off=3.0)
    made = calibrated(plain, 0.0, 0.0, frozenset(), unknown_ns=waited)
    assert made.scenario.run().end_ns == pytest.approx(true.run().end_ns, rel=0.05)


def test_a_long_run_is_judged_by_its_first_tasks():
    shorter, part = shortened(scenario(tasks=400), most=100)
    assert len(shorter.program.steps) == len(shorter.kinds) == 100
    assert part == pytest.approx(0.25, abs=0.03)


def test_a_part_of_a_run_has_whole_trees():
    spawning = ((Do.SPAWN, 1), (Do.CORE, 10), (Do.JOIN, 1))
    steps = (spawning, ((Do.CORE, 5),)) * 50
    steps = tuple(
        tuple((do, n + place // 2 * 2) if do in (Do.SPAWN, Do.JOIN) else (do, n) for do, n in task)
        for place, task in enumerate(steps)
    )
    whole = scenario(tasks=1)
    program = Program(steps, {place: place for place in range(0, 100, 2)})
    shorter, part = shortened(replace(whole, program=program, kinds=(0,) * 100), most=9)
    assert len(shorter.program.steps) == 10
    assert part == 0.1
    assert shorter.run().end_ns > 0


def test_a_graph_whose_trees_join_each_other_stays_whole():
    steps = (((Do.CORE, 1),), ((Do.JOIN, 2),), ((Do.CORE, 1),))
    program = Program(steps, {0: 0, 1: 1, 2: 2})
    whole = replace(scenario(tasks=1), program=program, kinds=(0, 0, 0))
    assert shortened(whole, most=2) == (whole, 1.0)


@pytest.mark.parametrize("others", [0.5, 1.0, 2.0])
def test_threads_beside_the_workers_that_hold_the_interpreter_lock_are_found(others):
    plain = scenario(4.0, one_lock=True, off=2.0, workers=2)
    plain = replace(plain, program=with_interpreter_lock(plain.program, 1.0))
    true = replace(plain, machine=replace(plain.machine, lock_others=others))
    made = found(true, plain, lock_part=1.0)
    assert made.scenario.machine.lock_others == pytest.approx(others, abs=0.15)
    assert made.scenario.machine.others == 0.0
