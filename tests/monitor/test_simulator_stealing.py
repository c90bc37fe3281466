"""Simulated work stealing against published bounds, exact mean values and orders."""

from __future__ import annotations

from itertools import repeat
from math import comb, log2, sqrt
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from idlehands_monitor.analysis.whatif.program import Do, Program
from idlehands_monitor.analysis.whatif.rules import (
    NO_OVERHEADS,
    Machine,
    Overheads,
    Rules,
    Taking,
    Team,
)
from idlehands_monitor.analysis.whatif.simulator import simulate

DEQUES = Rules(Taking.DEQUES)


def run(program, workers, rules=DEQUES, overheads=NO_OVERHEADS, cores=None, seed=0):
    """Run a program on one team; each worker has a core of its own unless told."""
    return simulate(program, Machine(cores or workers), [Team(workers, rules, overheads)], seed)


# -- steal on empty ------------------------------------------------------------------------------

# M. Mitzenmacher (1998), "Analyses of load stealing models based on differential equations",
# SPAA '98, 212-221; Theory Comput. Syst. 34:77-98 (2001). Each worker has Poisson arrivals of rate
# λ and exponential run times of mean 1. A worker that has run its last task tries one random victim
# and takes one task if it holds at least two (one runs, so at least one is in its deque). The
# table was recalled from memory, and follows from the formula in `mean_time`.
MEAN_TIMES = {0.5: 1.618034, 0.7: 2.107275, 0.8: 2.561553, 0.9: 3.541381, 0.95: 4.887482}
ONE_ATTEMPT = Rules(Taking.DEQUES, attempts=1)
SECOND = 10**9


def mean_time(load):
    """Return the mean time in the system, 1/(1 - r), for workers without number."""
    two = ((1 + load) - sqrt((1 + load) ** 2 - 4 * load**2)) / 2
    return 1 / (1 - load / (1 + load - two))


@pytest.mark.parametrize(("load", "expected"), MEAN_TIMES.items())
def test_the_mean_field_formula_gives_the_table(load, expected):
    assert mean_time(load) == pytest.approx(expected, abs=5e-7)


def streams(load, workers, tasks, seed):
    """Return tasks from outside, each put in a random worker's deque: a Poisson stream for each."""
    random, now, comes, homes, steps = Random(seed), 0.0, {}, {}, []
    for task in range(tasks):
        now += random.expovariate(load * workers) * SECOND
        comes[task] = round(now)
        homes[task] = random.randrange(workers)
        steps.append(((Do.CORE, round(random.expovariate(1.0) * SECOND)),))
    return Program(tuple(steps), comes, homes=homes)


def mean_time_in_system(load, rules, workers, tasks, seed):
    """Return the mean from hand-in to end, without the first tenth: the run begins empty."""
    program = streams(load, workers, tasks, seed)
    outcome = run(program, workers, rules, seed=seed)
    first = tasks // 10
    times = [
        ended - came
        for came, ended in zip(outcome.came_ns[first:], outcome.ended_ns[first:], strict=True)
    ]
    return sum(times) / len(times) / SECOND


def test_stealing_on_empty_takes_the_mean_field_time_at_half_load():
    found = mean_time_in_system(0.5, ONE_ATTEMPT, workers=128, tasks=60_000, seed=1)
    assert found == pytest.approx(1.618034, abs=0.03)


# The more loaded, the slower a run forgets how it began, and the longer or the more it has to be;
# and the more workers it takes to be like workers without number.
@pytest.mark.extra
@pytest.mark.parametrize(
    ("load", "workers", "tasks", "seeds"),
    [
        (0.5, 128, 300_000, 1),
        (0.7, 128, 300_000, 1),
        (0.8, 128, 300_000, 4),
        (0.9, 256, 600_000, 2),
    ],
)
def test_stealing_on_empty_takes_the_mean_field_time(load, workers, tasks, seeds):
    found = [
        mean_time_in_system(load, ONE_ATTEMPT, workers, tasks, seed) for seed in range(2, 2 + seeds)
    ]
    assert sum(found) / seeds == pytest.approx(MEAN_TIMES[load], abs=0.03)


def test_a_task_from_outside_goes_to_the_deque_of_its_worker_and_wakes_no_other():
    steps = (((Do.CORE, 10),),) * 3
    program = Program(steps, {0: 0, 1: 1, 2: 2}, homes={0: 1, 1: 1, 2: 0})
    outcome = run(program, 2, ONE_ATTEMPT)
    assert outcome.began_ns == (0, 10, 2)
    assert outcome.steals == 0


# -- a bag of unit tasks -------------------------------------------------------------------------

# M. Tchiboukdjian, N. Gast, D. Trystram (2013), "Decentralized list scheduling", Ann. Oper. Res.
# 207:237-259: W unit tasks on one of m workers; a steal takes half of the victim's tasks and one
# unit of time. The expected end is at most W/m + 3.65 log2(W).
BAG, WORKERS, UNIT = 2048, 16, 1000


def bag_end(seed):
    root = (*((Do.SPAWN, task) for task in range(1, BAG)), (Do.CORE, UNIT))
    program = Program((root, *((((Do.CORE, UNIT),),) * (BAG - 1))), {0: 0})
    rules = Rules(Taking.DEQUES, steals_half=True)
    return run(program, WORKERS, rules, Overheads(attempt_ns=UNIT), seed=seed).end_ns / UNIT


def test_a_bag_of_unit_tasks_ends_within_the_bound_of_steal_half():
    ends = [bag_end(seed) for seed in range(20)]
    assert BAG / WORKERS <= sum(ends) / len(ends) <= BAG / WORKERS + 3.65 * log2(BAG)


def test_a_thief_of_half_keeps_what_it_does_not_run():
    root = (*((Do.SPAWN, task) for task in (1, 2, 3, 4, 5)), (Do.CORE, 100))
    program = Program((root, *((((Do.CORE, 10),),) * 5)), {0: 0})
    outcome = run(program, 2, Rules(Taking.DEQUES, steals_half=True))
    # Five are queued: the thief takes the oldest three, and then the older one of the other two.
    assert outcome.steals == 3
    assert outcome.began_ns == (0, 0, 20, 10, 30, 40)


# -- how many steals there can be ----------------------------------------------------------------

# C. E. Leiserson, T. B. Schardl, W. Suksompong (2016), "Upper bounds on number of steals in rooted
# trees", Theory Comput. Syst. 58(2):223-240, with the sum up to the number of thieves.


def most_steals(workers, children, height):
    """Return the most successful steals in a complete tree that one worker begins."""
    thieves = range(1, workers)
    return sum((children - 1) ** thief * comb(height, thief) for thief in thieves)


@pytest.mark.parametrize(
    ("workers", "children", "height", "most"),
    [
        *((2, 2, 10, 10), (4, 2, 10, 175), (8, 2, 10, 967), (3, 2, 4, 10), (4, 2, 3, 7)),
        *((2, 3, 1, 2), (2, 3, 2, 4), (3, 3, 2, 8), (7, 2, 6, 63), (9, 2, 6, 63)),
    ],
)
def test_the_formula_gives_the_table_of_the_most_steals(workers, children, height, most):
    assert most_steals(workers, children, height) == most


def tree(children, height, lengths):
    """Return a complete tree: a task hands in all children but the last, which it is itself."""
    steps = []

    def task(height):
        mine = len(steps)
        steps.append(())
        parts = []
        for left in range(height, 0, -1):
            parts.append((Do.CORE, next(lengths)))
            parts += [(Do.SPAWN, task(left - 1)) for _ in range(children - 1)]
        steps[mine] = (*parts, (Do.CORE, next(lengths)))
        return mine

    task(height)
    return Program(tuple(steps), {0: 0})


def lengths(seed):
    random = Random(seed)
    while True:
        yield random.choice((0, 1, 1, 2, 5, 40))


TREES = [(2, 2, 10), (4, 2, 10), (8, 2, 10), (3, 2, 4), (4, 2, 3), (2, 3, 2), (3, 3, 2), (3, 3, 6)]


@pytest.mark.parametrize(("workers", "children", "height"), TREES)
def test_no_run_of_a_tree_has_more_steals_than_there_can_be(workers, children, height):
    most = most_steals(workers, children, height)
    for seed in range(20):
        program = tree(children, height, lengths(seed))
        overheads = Overheads(attempt_ns=seed % 3, wake_ns=seed % 2)
        assert run(program, workers, overheads=overheads, seed=seed).steals <= most


@pytest.mark.parametrize(
    ("workers", "children", "height"), [(2, 2, 3), (3, 2, 2), (3, 2, 3), (2, 3, 2)]
)
def test_some_run_of_a_small_tree_has_as_many_steals_as_there_can_be(workers, children, height):
    counts = {
        run(tree(children, height, lengths(seed)), workers, seed=seed).steals for seed in range(400)
    }
    assert max(counts) == most_steals(workers, children, height)


# -- the order of a deque ------------------------------------------------------------------------


def random_tree(seed, depth=5):
    """Return (steps, children of each task) of a random tree of tasks."""
    random, steps, children = Random(seed), [], []

    def task(depth):
        mine = len(steps)
        steps.append(())
        children.append([])
        for _ in range(random.randrange(4) if depth else 0):
            children[mine].append(task(depth - 1))
        parts = ((Do.SPAWN, child) for child in children[mine])
        steps[mine] = (*parts, (Do.CORE, random.randrange(1, 9)))
        return mine

    task(depth)
    return tuple(steps), children


@given(st.integers(0, 10_000))
@settings(deadline=None, max_examples=40)
def test_one_worker_runs_a_tree_depth_first(seed):
    # D. Chase, Y. Lev (2005), "Dynamic circular work-stealing deque", SPAA '05, 21-28: the owner
    # takes the newest. So it runs all below its last child before the child handed in before.
    steps, children = random_tree(seed)
    order, stack = [], [0]
    while stack:
        order.append(stack.pop())
        stack += children[order[-1]]
    began = run(Program(steps, {0: 0}), 1).began_ns
    assert sorted(range(len(steps)), key=began.__getitem__) == order


def test_a_thief_takes_the_oldest_of_the_deque_and_the_owner_the_newest():
    root = (*((Do.SPAWN, task) for task in (1, 2, 3)), (Do.CORE, 5))
    program = Program((root, *((((Do.CORE, 50),),) * 3)), {0: 0})
    assert run(program, 2).began_ns == (0, 0, 50, 5)


# -- attempts ------------------------------------------------------------------------------------


@pytest.mark.parametrize("workers", [4, 8, 16])
def test_the_only_victim_with_tasks_is_found_after_half_the_workers_on_average(workers):
    # Probing without repetition: (n + 1)/(k + 1) of n = P - 1 victims of which k = 1 has tasks, so
    # P/2 (W. Feller, An Introduction to Probability Theory I). Variance (n² - 1)/12 for each; the
    # mean of 2000 within four standard errors.
    root = ((Do.SPAWN, 1), (Do.CORE, 10))
    program = Program((root, ((Do.CORE, 10),)), {0: 0})
    runs = 2000
    attempts = sum(run(program, workers, seed=seed).attempts for seed in range(runs))
    error = sqrt(((workers - 1) ** 2 - 1) / 12 / runs)
    assert attempts / runs == pytest.approx(workers / 2, abs=4 * error)


@pytest.mark.parametrize("height", [4, 6, 8, 10])
def test_attempts_are_bounded_by_the_span_however_much_the_work_grows(height):
    # R. D. Blumofe, C. E. Leiserson (1999), J. ACM 46(5):720-748: O(P Tinf) attempts expected.
    # From height 4 to 10 the work grows from 31 to 2047, the span from 5 to 11.
    workers, seeds = 4, 20
    unit = Overheads(attempt_ns=1)
    attempts = sum(
        run(tree(2, height, repeat(1)), workers, overheads=unit, seed=seed).attempts
        for seed in range(seeds)
    )
    assert attempts / seeds <= workers * (height + 1)


# -- laws ----------------------------------------------------------------------------------------


@given(
    st.integers(0, 10_000),
    st.integers(1, 6),
    st.sampled_from([0.5, 1, 2, 8]),
    st.builds(Overheads, *(st.integers(0, 3) for _ in range(4))),
    st.sampled_from([DEQUES, ONE_ATTEMPT, Rules(Taking.DEQUES, steals_half=True)]),
)
@settings(deadline=None, max_examples=60)
def test_no_run_takes_less_than_the_work_law_and_the_span_law(
    seed, workers, cores, overheads, rules
):
    # CLRS, 3rd edition, (27.2), (27.3); with fewer cores than workers the cores bound the time:
    # N. S. Arora, R. D. Blumofe, C. G. Plaxton (1998), SPAA '98, 119-129.
    steps, children = random_tree(seed, depth=4)
    own = [sum(number for do, number in task if do == Do.CORE) for task in steps]
    span = [0] * len(steps)
    for task in reversed(range(len(steps))):  # a task hands all in at its beginning
        span[task] = max([own[task], *(span[child] for child in children[task])])
    program = Program(steps, {0: 0})
    end = run(program, workers, rules, overheads, cores, seed).end_ns
    assert end >= max(program.work_ns / min(workers, cores), span[0]) - 1e-6
