"""How many workers an open pool needs: against theory, against simulated queues, and by hand."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from readings import source
from scipy.stats import t as student

from histories import History, Task, ledger
from idlehands_monitor.analysis.assemble import read
from idlehands_monitor.analysis.queueing.theory import erlang_c, mmc_wait
from idlehands_monitor.analysis.whatif.program import independent
from idlehands_monitor.analysis.whatif.rules import Machine, Team
from idlehands_monitor.analysis.whatif.simulator import simulate
from idlehands_monitor.analysis.whatif.sizing import (
    SIGNIFICANT,
    SLICES,
    Queue,
    Simulated,
    Supply,
    fewest_workers,
    growth,
    hurts_in_s,
    least_workers,
    queue_over,
    sizing,
)
from idlehands_monitor.model.queueing import QueueingReading

SECOND = 10**9
STEADY = Queue(np.zeros(SLICES + 1, dtype=np.int64), 10.0)
ENOUGH = Supply(cores=2, core_s=0.01)


def reading_of(rate, held_s, *, servers=1, wait_s=0.02):
    """Return the flow of a pool with random arrivals and run times."""
    wait = mmc_wait(rate, held_s, servers)
    return QueueingReading(
        servers=servers,
        arrival_rate=rate,
        mean_in_pool=1.0,
        mean_time_s=wait_s + held_s,
        mean_queue_wait_s=wait_s,
        mean_service_s=held_s,
        utilisation=rate * held_s / servers,
        arrival_variation=1.0,
        service_variation=1.0,
        mmc_wait_s=wait,
        allen_cunneen_wait_s=wait,
        closed=True,
        before_s=0.0,
        after_s=0.0,
    )


def walk(rate, seconds, seed):
    """Return the queue of a simulated M/M/1 with a mean run time of 1 s, empty at its begin."""
    random, now, came, lengths = Random(seed), 0.0, [], []
    while (now := now + random.expovariate(rate)) < seconds:
        came.append(round(now * SECOND))
        lengths.append(round(random.expovariate(1.0) * SECOND))
    began = simulate(independent(lengths, came), Machine(1), [Team(1)]).began_ns
    edges = np.linspace(0, seconds * SECOND, SLICES + 1)
    queued = np.searchsorted(came, edges) - np.searchsorted(began, edges)
    return Queue(queued.astype(np.int64), float(seconds))


# -- the reading ---------------------------------------------------------------------------------


def test_a_steady_pool_by_hand():
    # Ten tasks a second of 50 ms each on one worker: M/M/1 waits ρτ/(1 − ρ).
    found = sizing(reading_of(10, 0.05), STEADY, ENOUGH, Simulated(0.04, 0.5, 1))
    assert (found.utilisation, found.wait_s, found.least_workers) == (0.5, 0.02, 1)
    assert found.mmc_wait_s == found.allen_cunneen_wait_s == pytest.approx(0.05)
    assert (found.simulated_wait_s, found.wanted_p95_s, found.workers) == (0.04, 0.5, 1)
    assert (found.growth_per_s, found.backlog_hurts_in_s) == (0, None)


@pytest.mark.parametrize(
    ("held_s", "supply", "spawning"),
    [
        (0.1, ENOUGH, False),  # a utilisation of 1
        (0.05, ENOUGH, True),
        (0.05, Supply(0.4, 0.05), False),  # half a core needed
        (0.05, Supply(2, 0.1, locked_s=0.1), False),  # the lock is always held
    ],
)
def test_no_formula_of_waits_holds_without_a_steady_state_or_with_spawned_tasks(
    held_s, supply, spawning
):
    found = sizing(reading_of(10, held_s), STEADY, supply, spawning=spawning)
    assert (found.mmc_wait_s, found.allen_cunneen_wait_s) == (None, None)


def overloaded():
    """Return a pool of one worker to which ten tasks a second come; it runs eight of them."""
    history = History(1, 10 * SECOND)
    for number in range(100):
        came, began = number * SECOND // 10, number * SECOND // 8
        ended = began + SECOND // 8
        worker = 0 if ended <= 10 * SECOND else -1
        history.tasks.append(Task(number, came, worker, began, ended))
    return history


def test_a_recorded_pool_that_is_too_slow_grows_and_its_backlog_hurts():
    held = ledger(overloaded())
    pool = read(held, source(), None).pools[0]
    queue = queue_over(held.pools[0], 0, 10 * SECOND)
    assert queue.lengths[0] == 0
    assert queue.lengths[-1] == pytest.approx(20, abs=1)
    found = sizing(pool.queueing, queue, ENOUGH, Simulated(wanted_p95_s=5.0))
    assert found.utilisation == pytest.approx(1, abs=0.02)
    assert found.growth_per_s == pytest.approx(2.0, abs=0.1)
    # A wait of 5 s is 40 tasks at eight a second; 20 are there.
    assert found.backlog_hurts_in_s == pytest.approx(10, abs=1)
    assert found.least_workers == 2


# -- workers -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "task_s", "supply", "workers"),
    [
        (10, 0.05, Supply(2, 0.01), 1),
        (10, 0.25, Supply(2, 0.01), 3),
        (10, 0.3, Supply(2, 0.01), 4),  # at exactly three the queue still grows
        (0, 0.3, Supply(2, 0.01), 1),
        (10, 0.3, Supply(2, 0.2), None),  # two cores of two
        (10, 0.3, Supply(4, 0.2, locked_s=0.1), None),
        (10, 0.3, Supply(4, 0.2, locked_s=0.09), 4),
    ],
)
def test_the_least_workers_carry_more_than_the_offered_load(rate, task_s, supply, workers):
    assert least_workers(rate, task_s, supply) == workers


def test_a_load_below_nothing_is_refused():
    with pytest.raises(ValueError, match="neither may be below 0"):
        least_workers(-1, 1, Supply(1, 1))


@given(st.integers(1, 40), st.integers(0, 200), st.data())
def test_the_search_finds_the_fewest_with_few_values(least, span, data):
    most = least + span
    fewest = data.draw(st.integers(least, most + 1))
    asked = []

    def value_of(workers):
        asked.append(workers)
        return 1.0 if workers >= fewest else 2.0

    found = fewest_workers(value_of, 1.5, least, most)
    assert found == (fewest if fewest <= most else None)
    assert len(asked) == len(set(asked))
    assert all(least <= workers <= most for workers in asked)
    place = min(fewest, most) - least + 1
    assert len(asked) <= 2 * math.log2(place) + 2


def test_the_search_ends_where_it_changes_from_too_few_to_enough_for_now():
    """Noise lets 5 miss and 4 reach: the one found reached it, and one fewer did not."""
    values = {1: 9.0, 2: 7.0, 3: 6.0, 4: 4.9, 5: 5.1, 6: 4.0, 7: 3.0, 8: 2.0}
    found = fewest_workers(values.__getitem__, 5.0, 1, 8)
    assert values[found] <= 5.0 < values[found - 1]


def test_a_value_that_is_not_a_number_is_never_enough():
    assert fewest_workers(lambda _: math.nan, 5.0, 1, 8) is None


@pytest.mark.parametrize(("least", "most"), [(0, 3), (4, 3)])
def test_a_search_among_no_numbers_is_refused(least, most):
    with pytest.raises(ValueError, match="no numbers of workers"):
        fewest_workers(float, 1.0, least, most)


def test_the_search_by_theory_gives_the_agents_of_a_support_desk():
    # 30 calls an hour of 5 minutes, at least 90 % of which wait for nobody: C(5, 2.5) = 0.13037,
    # C(6, 2.5) = 0.04744 (computed).
    least = least_workers(0.5, 5.0, Supply(100, 0.0))
    assert least == 3
    assert fewest_workers(lambda agents: erlang_c(agents, 2.5), 0.1, least, 50) == 6


# -- growth --------------------------------------------------------------------------------------


def test_the_bound_of_growth_is_that_of_students_t():
    assert pytest.approx(student.ppf(0.99, SLICES - 1), abs=5e-4) == SIGNIFICANT


def test_a_backlog_hurts_when_its_tasks_take_as_long_as_the_wanted_wait():
    assert hurts_in_s(20, 2.0, 8.0, 5.0) == 10.0
    assert hurts_in_s(50, 2.0, 8.0, 5.0) == 0.0
    assert hurts_in_s(20, 0.0, 8.0, 5.0) is None


def test_a_queue_that_shrinks_does_not_grow():
    found = growth(Queue(np.arange(SLICES, -1, -1), 10.0))
    assert found.per_s == pytest.approx(-2)
    assert not found.significant


def test_an_overloaded_queue_is_said_to_grow_by_arrivals_less_ends():
    found = [growth(walk(1.3, 1500, seed)) for seed in range(20)]
    assert sum(one.significant for one in found) >= 18
    assert np.mean([one.per_s for one in found]) == pytest.approx(0.3, rel=0.1)


@pytest.mark.parametrize("load", [0.5, 0.9])
def test_a_steady_queue_is_not_said_to_grow(load):
    """At most one window in a hundred does; of 60 at most two, but for one chance in 40."""
    assert sum(growth(walk(load, 400, seed)).significant for seed in range(60)) <= 2
