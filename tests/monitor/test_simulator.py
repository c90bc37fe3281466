"""The simulator against published schedules, bounds and queues, and by hand."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from idlehands_monitor.analysis.whatif.program import Do, Program, independent
from idlehands_monitor.analysis.whatif.rules import (
    NO_OVERHEADS,
    ONE_QUEUE,
    Machine,
    Overheads,
    Rules,
    Taking,
    Team,
)
from idlehands_monitor.analysis.whatif.simulator import simulate

LIST = Rules(Taking.LIST)
DEQUES = Rules(Taking.DEQUES)


def run(program, workers, rules=ONE_QUEUE, overheads=NO_OVERHEADS, machine=None, seed=0):
    """Run a program on one team; each worker has a core of its own unless a machine is given."""
    team = Team(workers, rules, overheads)
    return simulate(program, machine or Machine(workers), [team], seed)


# -- list scheduling -----------------------------------------------------------------------------

# R. L. Graham 1969, "Bounds on multiprocessing timing anomalies", SIAM J. Appl. Math.
# 17(2):416-429: nine tasks, T1 before T9, T4 before T5 to T8.
NINE = (3, 2, 2, 2, 4, 4, 4, 4, 9)
BEFORE = {8: (0,), 4: (3,), 5: (3,), 6: (3,), 7: (3,)}


def list_schedule(number, lengths=NINE, before=BEFORE, order=range(9)):
    """Return the end of a list schedule; `before`: the tasks that must have ended, by task."""
    place = {task: at for at, task in enumerate(order)}
    after = {place[task]: tuple(place[one] for one in first) for task, first in before.items()}
    steps = tuple(((Do.CORE, lengths[task]),) for task in order)
    comes = {task: 0 for task in range(len(steps)) if task not in after}
    return run(Program(steps, comes, after), number, LIST).end_ns


@pytest.mark.parametrize(("number", "end"), [(3, 12), (4, 15), (5, 12), (1, 34)])
def test_more_processors_can_take_longer_as_in_grahams_nine_tasks(number, end):
    assert list_schedule(number) == end


def test_shorter_tasks_can_take_longer_as_in_grahams_nine_tasks():
    assert list_schedule(3, [length - 1 for length in NINE]) == 13


def test_fewer_constraints_can_take_longer_as_in_grahams_nine_tasks():
    assert list_schedule(3, before={8: (0,), 6: (3,), 7: (3,)}) == 16


def test_another_order_of_the_list_can_take_longer_as_in_grahams_nine_tasks():
    assert list_schedule(3, order=(0, 1, 3, 4, 5, 2, 8, 6, 7)) == 14


@pytest.mark.parametrize("number", range(2, 9))
def test_the_tight_list_family_takes_twice_as_long_as_needed_less_one(number):
    # Graham 1966, Bell Syst. Tech. J. 45:1563-1581: 2m - 1 against m.
    lengths = [1] * (number * (number - 1)) + [number]
    assert run(independent(lengths), number, LIST).end_ns == 2 * number - 1


@pytest.mark.parametrize("number", range(2, 8))
def test_the_tight_family_of_longest_first_takes_four_thirds(number):
    # Graham 1969: two each of 2m - 1 to m + 1 and three of m; 4m - 1 against 3m.
    lengths = [length for length in range(2 * number - 1, number, -1) for _ in range(2)]
    lengths += [number] * 3
    assert run(independent(lengths), number, LIST).end_ns == 4 * number - 1


# F. S. Hillier, G. J. Lieberman, Introduction to Operations Research, project management: 14 tasks,
# work 79 weeks, critical path of 44.
WEEKS = dict(zip("ABCDEFGHIJKLMN", (2, 4, 10, 6, 4, 5, 7, 9, 7, 8, 4, 5, 2, 6), strict=True))
AFTER = {
    **{"B": "A", "C": "B", "D": "C", "E": "C", "F": "E", "G": "D", "H": "EG", "I": "C"},
    **{"J": "FI", "K": "J", "L": "J", "M": "H", "N": "KL"},
}


@pytest.mark.parametrize(("number", "weeks"), [(1, 79), (3, 44), (4, 44)])
def test_the_project_of_fourteen_tasks_takes_its_work_or_its_critical_path(number, weeks):
    names = list(WEEKS)
    before = {names.index(task): tuple(map(names.index, first)) for task, first in AFTER.items()}
    assert list_schedule(number, list(WEEKS.values()), before, range(14)) == weeks


# -- fork and join -------------------------------------------------------------------------------


def fib(n):
    """Return P-FIB (CLRS, 3rd edition, section 27.1): unit strands around a spawn and a sync."""
    steps = []

    def task(n):
        mine = len(steps)
        steps.append(((Do.CORE, 1),))
        if n > 1:
            first, second = task(n - 1), task(n - 2)
            steps[mine] = (
                *((Do.CORE, 1), (Do.SPAWN, first), (Do.CORE, 1), (Do.SPAWN, second)),
                *((Do.JOIN, first), (Do.JOIN, second), (Do.CORE, 1)),
            )
        return mine

    task(n)
    return Program(tuple(steps), {0: 0})


def fibonacci(n):
    first, second = 0, 1
    for _ in range(n):
        first, second = second, first + second
    return first


@pytest.mark.parametrize("n", range(17))
def test_one_worker_takes_the_work_of_fib(n):
    # Work 4F(n+1) - 3.
    assert run(fib(n), 1, DEQUES).end_ns == 4 * fibonacci(n + 1) - 3


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 8, 10])
def test_workers_without_end_take_the_span_of_fib(n):
    # Span 2n for n >= 2.
    assert run(fib(n), 256, DEQUES).end_ns == 2 * n


@pytest.mark.parametrize("number", [2, 3, 4, 8, 16])
@pytest.mark.parametrize("seed", range(3))
def test_free_steals_make_a_greedy_schedule_of_fib(number, seed):
    # CLRS, theorem 27.1: at most (T1 - Tinf)/P + Tinf; work and span law from below.
    work, span = 4 * fibonacci(16) - 3, 30
    end = run(fib(15), number, DEQUES, seed=seed).end_ns
    assert max(work / number, span) <= end <= (work - span) / number + span


@st.composite
def trees(draw, depth=3):
    """Return (a program that spawns and joins as a tree, its span)."""
    steps = []

    def task(depth):
        """Add a task and all that it spawns; return (its number, the span from its begin on)."""
        mine, parts, chain, longest = len(steps), [], 0, 0
        steps.append(())
        children = []
        for _ in range(draw(st.integers(0, 3)) if depth else 0):
            length = draw(st.integers(0, 4))
            chain += length
            child, span = task(depth - 1)
            children.append(child)
            longest = max(longest, chain + span)
            parts += [(Do.CORE, length), (Do.SPAWN, child)]
        last = draw(st.integers(0, 4))
        steps[mine] = (*parts, *((Do.JOIN, child) for child in children), (Do.CORE, last))
        return mine, max(chain, longest) + last

    root, span = task(depth)
    return Program(tuple(steps), {root: 0}), span


@settings(deadline=None, max_examples=60)
@given(trees(), st.integers(1, 5))
def test_free_steals_make_a_greedy_schedule_of_any_tree(tree, number):
    program, span = tree
    work = program.work_ns
    end = run(program, number, DEQUES).end_ns
    assert max(work / number, span) <= end <= (work - span) / number + span + 1e-9


# -- queues --------------------------------------------------------------------------------------


def test_the_waits_of_a_simulated_clinic_are_those_of_erlang():
    # D. Gross, C. M. Harris, Fundamentals of Queueing Theory, eye clinic, M/M/3: six an hour,
    # twenty minutes each: mean wait 8.889 min. 60,000 patients: within 8 %.
    random, now, comes, lengths = Random(5), 0.0, [], []
    for _ in range(60_000):
        now += random.expovariate(6.0) * 3600e9
        comes.append(round(now))
        lengths.append(round(random.expovariate(3.0) * 3600e9))
    outcome = run(independent(lengths, comes), 3)
    waits = [began - came for came, began in zip(outcome.came_ns, outcome.began_ns, strict=True)]
    assert sum(waits) / len(waits) / 60e9 == pytest.approx(80 / 9, rel=0.08)


def test_one_queue_is_served_in_the_order_of_arrival():
    outcome = run(independent([5, 1, 1], [0, 2, 1]), 1)
    assert outcome.began_ns == (0, 6, 5)


# -- cores, the lock, overheads ------------------------------------------------------------------


def two(step):
    return Program(((step,), (step,)), {0: 0, 1: 0})


@pytest.mark.parametrize(
    ("step", "workers", "machine", "end"),
    [
        ((Do.CORE, 10), 2, Machine(1), 20),  # one core is shared
        ((Do.CORE, 10), 2, Machine(1.5), 10 / 0.75),
        ((Do.CORE, 10), 2, Machine(4), 10),
        ((Do.LOCKED, 10), 2, Machine(4, one_lock=True), 20),  # threads take turns
        ((Do.LOCKED, 10), 2, Machine(4), 10),  # processes do not
        ((Do.OFF, 10), 2, Machine(1), 10),  # a sleep needs no core
        ((Do.OFF, 10), 1, Machine(1), 20),  # but a worker
    ],
)
def test_two_tasks_share_what_they_need(step, workers, machine, end):
    assert run(two(step), workers, machine=machine).end_ns == pytest.approx(end)


def test_a_thread_with_the_lock_and_one_without_run_side_by_side():
    program = Program((((Do.LOCKED, 10),), ((Do.CORE, 10),)), {0: 0, 1: 0})
    assert run(program, 2, machine=Machine(2, one_lock=True)).end_ns == 10


def test_a_task_that_comes_later_slows_those_on_the_core_from_then_on():
    outcome = run(independent([10, 10], [0, 5]), 2, machine=Machine(1))
    assert outcome.ended_ns == (15, 20)


def test_each_task_pays_its_dispatch_and_the_wake_of_its_worker():
    overheads = Overheads(dispatch_ns=2, wake_ns=3)
    assert run(independent([10]), 1, overheads=overheads).end_ns == 15


def test_a_steal_pays_its_attempts():
    program = Program((((Do.SPAWN, 1), (Do.CORE, 10)), ((Do.CORE, 10),)), {0: 0})
    outcome = run(program, 2, DEQUES, Overheads(attempt_ns=4))
    assert (outcome.steals, outcome.attempts, outcome.end_ns) == (1, 1, 14)


def test_a_batch_waits_for_the_slowest_task_before_it():
    program = Program(
        (((Do.CORE, 3),), ((Do.CORE, 9),), ((Do.CORE, 1),)), {0: 0, 1: 0}, {2: (0, 1)}
    )
    outcome = run(program, 2)
    assert (outcome.came_ns[2], outcome.end_ns) == (9, 10)


def test_so_many_ends_open_the_gate_of_the_next_task():
    steps = tuple(((Do.CORE, length),) for length in (3, 9, 1))
    program = Program(steps, {0: 0, 1: 0}, gates={2: (1, 5)})
    outcome = run(program, 3)
    assert (outcome.came_ns[2], outcome.end_ns) == (8, 9)


def test_the_ends_of_spawned_tasks_open_no_gate():
    program = Program(
        (((Do.SPAWN, 1), (Do.CORE, 10)), ((Do.CORE, 1),), ((Do.CORE, 1),)),
        {0: 0},
        gates={2: (1, 0)},
    )
    assert run(program, 3).came_ns[2] == 10


def test_a_lock_is_held_by_one_task_at_a_time_and_goes_to_who_waits_longest():
    inside = ((Do.ACQUIRE, 0), (Do.OFF, 10), (Do.RELEASE, 0))
    program = Program((inside, inside, inside), {0: 0, 1: 1, 2: 2})
    outcome = run(program, 3)
    assert outcome.ended_ns == (10, 20, 30)
    assert outcome.lock_wait_ns == 9 + 18


def test_a_task_is_handed_over_off_the_core_before_it_begins():
    outcome = run(independent([10, 10]), 1, overheads=Overheads(dispatch_ns=2, hand_over_ns=3))
    assert outcome.began_ns == (5, 20)
    assert outcome.end_ns == 30


def test_workers_that_nobody_wakes_look_for_tasks_themselves():
    overheads = Overheads(poll_ns=8)
    outcome = run(independent([1], [3]), 1, Rules(wakes=False), overheads)
    assert outcome.began_ns == (8,)


def test_a_worker_that_gives_up_parks_beside_queued_tasks():
    """The one worker that is woken makes one attempt at one of seven victims."""
    steps = (((Do.SPAWN, 1), (Do.CORE, 10)), ((Do.CORE, 10),))
    ends = {
        run(Program(steps, {0: 0}), 8, Rules(Taking.DEQUES, attempts=1), seed=seed).end_ns
        for seed in range(20)
    }
    assert ends == {10, 20}


def test_each_team_runs_its_own_tasks_on_the_cores_of_all():
    steps = (((Do.CORE, 10),),) * 4
    program = Program(steps, dict.fromkeys(range(4), 0), teams=(0, 0, 1, 1))
    outcome = simulate(program, Machine(2), [Team(1), Team(1)])
    assert outcome.ended_ns == (10, 20, 10, 20)


# -- the same again, and never -------------------------------------------------------------------


def test_a_seed_gives_the_same_run_again():
    runs = [run(fib(10), 4, DEQUES, Overheads(1, 1, 5), seed=7) for _ in range(2)]
    assert runs[0] == runs[1]


@pytest.mark.parametrize("helping", [True, False])
def test_tasks_that_wait_for_each_other_are_an_error(helping):
    program = Program((((Do.JOIN, 1),), ((Do.JOIN, 0),)), {0: 0, 1: 0})
    with pytest.raises(ValueError, match="2 tasks wait for each other for ever"):
        run(program, 2, Rules(helping=helping))


def test_a_pool_without_workers_or_cores_is_an_error():
    with pytest.raises(ValueError, match="0 workers can run nothing"):
        Team(0)
    with pytest.raises(ValueError, match="nothing can run on 0 cores"):
        Machine(0)
