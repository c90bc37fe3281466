"""Simulated queues against exact waits of theory: one pool, two in a row, and Little's law.

A simulated mean is compared within its own interval: Student's t over independent runs with fixed
seeds, each without its first tenth, at a confidence of 99.9 %. So in a correct simulator one
comparison in 1000 is false for chance. There are 14 in the default suite and 50 in the
long tests: 0.064 false alarms were expected when the seeds were chosen, and none ever after.
"""

from __future__ import annotations

from heapq import heapreplace
from itertools import pairwise
from math import exp, sqrt
from random import Random
from statistics import mean, stdev

import numpy as np
import pytest
from scipy.stats import t as student

from idlehands_monitor.analysis.queueing.theory import (
    allen_cunneen_wait,
    erlang_b,
    erlang_c,
    little,
    mmc_wait,
)
from idlehands_monitor.analysis.whatif.program import Do, Program, independent
from idlehands_monitor.analysis.whatif.rules import Machine, Team
from idlehands_monitor.analysis.whatif.simulator import simulate

SECOND = 10**9
CONFIDENCE = 0.999
RUNS = 10


def exponential(random):
    return random.expovariate(1.0)


def constant(_random):
    return 1.0


def erlang_of_four(random):
    return sum(random.expovariate(4.0) for _ in range(4))


def stream(rate, tasks, random, service=exponential):
    """Return (arrivals, lengths) in ns: a Poisson stream of tasks with a mean length of 1 s."""
    now, comes, lengths = 0.0, [], []
    for _ in range(tasks):
        now += random.expovariate(rate) * SECOND
        comes.append(round(now))
        lengths.append(max(1, round(service(random) * SECOND)))
    return comes, lengths


def play(program, *workers):
    """Run a program on teams of so many workers, with a core for each of them."""
    return simulate(program, Machine(sum(workers)), [Team(number) for number in workers])


def waits(outcome, first, end):
    """Return the waits in seconds of the tasks in [first, end)."""
    came, began = np.array(outcome.came_ns[first:end]), np.array(outcome.began_ns[first:end])
    return (began - came) / SECOND


def one_pool(servers, load, seed, tasks, service=exponential):
    """Return the waits at one pool, without the first tenth: a run begins empty."""
    comes, lengths = stream(load * servers, tasks, Random(seed), service)
    return waits(play(independent(lengths, comes), servers), tasks // 10, tasks)


def assert_within_interval(found, exact):
    """Assert that an exact value is within the interval of the mean of independent values."""
    error = stdev(found) / sqrt(len(found))
    margin = error * student.ppf((1 + CONFIDENCE) / 2, len(found) - 1)
    assert abs(mean(found) - exact) <= margin, (mean(found), exact, margin)
    assert margin <= 0.35 * exact, "the interval is too wide to say anything"


# -- M/M/c ---------------------------------------------------------------------------------------

# A. K. Erlang (1917); D. Gross, C. M. Harris, Fundamentals of Queueing Theory. The formulas are
# tested against published tables in test_queueing.py.


def compare_with_erlang(servers, load, tasks):
    runs = [one_pool(servers, load, 1000 * servers + seed, tasks) for seed in range(RUNS)]
    exact = mmc_wait(load * servers, 1.0, servers)
    assert_within_interval([float(run.mean()) for run in runs], exact)
    shares = [float((run > 0).mean()) for run in runs]
    assert_within_interval(shares, erlang_c(servers, load * servers))


@pytest.mark.parametrize("servers", [1, 2])
def test_a_half_loaded_pool_waits_as_erlang_says(servers):
    compare_with_erlang(servers, 0.5, tasks=4_000)


@pytest.mark.extra
@pytest.mark.parametrize("load", [0.5, 0.8, 0.9])
@pytest.mark.parametrize("servers", [1, 2, 4, 8])
def test_a_pool_waits_as_erlang_says(servers, load):
    compare_with_erlang(servers, load, tasks=20_000)


def test_one_queue_runs_a_path_as_the_recursion_of_its_workers_does():
    """Each task begins when it came, or when the first of the three workers is free."""
    comes, lengths = stream(2.0, 3_000, Random(4))
    free, begun = [0] * 3, []
    for came, length in zip(comes, lengths, strict=True):
        begun.append(max(came, free[0]))
        heapreplace(free, begun[-1] + length)
    assert list(play(independent(lengths, comes), 3).began_ns) == pytest.approx(begun, abs=1.0)


@pytest.mark.extra
def test_a_sample_path_of_three_servers_waits_as_the_eye_clinic_does():
    # Gross & Harris, M/M/3, six an hour, twenty minutes each: mean wait 4/27 h, P(wait) 4/9;
    # P(wait > t) = C exp(-(c mu - lambda) t).
    comes, lengths = stream(2.0, 200_000, Random(20080))
    found = waits(play(independent(lengths, comes), 3), 0, 200_000)
    assert found.mean() / 3 == pytest.approx(4 / 27, abs=0.006)
    assert (found > 0).mean() == pytest.approx(4 / 9, abs=0.012)
    for later in (0.5, 1.0, 2.0):
        assert (found > later).mean() == pytest.approx(4 / 9 * exp(-later), abs=0.012)


@pytest.mark.parametrize(
    ("servers", "half", "one"),
    [(1, 0.404, 0.245), (2, 0.022, 0.003)],
)
def test_few_patients_of_the_county_hospital_wait_long(servers, half, one):
    # F. S. Hillier, G. J. Lieberman, Introduction to Operations Research: two an hour, three an
    # hour served by each doctor; P(wait > 1/2 h), P(wait > 1 h). Printed values from memory.
    runs = [one_pool(servers, 2 / 3 / servers, seed, 10_000) for seed in range(4)]
    found = np.concatenate(runs) / 3  # a mean run time is a third of an hour
    assert (found > 0.5).mean() == pytest.approx(half, abs=0.02)
    assert (found > 1.0).mean() == pytest.approx(one, abs=0.02)


@pytest.mark.extra
def test_a_hundred_servers_wait_as_halfin_and_whitt_say():
    # S. Halfin, W. Whitt (1981), Oper. Res. 29(3):567-588: with (1 - rho) sqrt(c) = 1 near 0.22336;
    # exactly C(100, 90) = 0.21694.
    shares = [float((one_pool(100, 0.9, seed, 30_000) > 0).mean()) for seed in range(RUNS)]
    assert_within_interval(shares, 0.21694)
    assert mean(shares) == pytest.approx(0.22336, rel=0.1)


@pytest.mark.parametrize(
    ("offered", "servers", "lost"), [(8.108, 15, 0.01), (1.0, 1, 1 / 2), (1.0, 2, 1 / 5)]
)
def test_waits_with_probability_c_follow_from_lost_ones_with_probability_b(offered, servers, lost):
    # C = B / (1 - rho (1 - B)), with B from printed tables (the first looked up, others recalled).
    load = offered / servers
    assert erlang_b(servers, offered) == pytest.approx(lost, abs=1e-5)
    if load < 1:
        expected = lost / (1 - load * (1 - lost))
        assert erlang_c(servers, offered) == pytest.approx(expected, abs=1e-4)


@pytest.mark.extra
@pytest.mark.parametrize(
    ("servers", "offered", "wait"),
    [
        (3, 2.0, 8.889 / 20),  # Gross & Harris, eye clinic: 8.889 min of 20
        (1, 2 / 3, 2.0),  # Hillier & Lieberman, County Hospital: 2/3 h of 1/3 h
        (2, 2 / 3, 1 / 8),  # 1/24 h
        (1, 0.75, 3.0),  # R. Bronson (1982), Schaum's Operations Research, 23.14: 4.5 min of 1.5
        (1, 0.8, 4.0),  # 23.3: 1/6 h in the system, of which 1/30 h served
        (3, 600 / 365, 0.43 / 2),  # 24.6: 0.43 d of 2 d
        (1, 0.25, 0.667 / 2),  # R. Jain (1991), example 31.1: 2.667 ms in the system, 2 ms served
        (5, 10 / 3, 4 / 20),  # example 31.2: 24 min in the system, 20 min served
    ],
)
def test_examples_of_textbooks_wait_as_printed(servers, offered, wait):
    runs = [one_pool(servers, offered / servers, seed, 20_000) for seed in range(RUNS)]
    exact = mmc_wait(offered, 1.0, servers)
    assert exact == pytest.approx(wait, rel=0.03)  # printed with two digits
    assert_within_interval([float(run.mean()) for run in runs], exact)


@pytest.mark.extra
def test_five_pools_of_one_take_as_much_longer_than_one_pool_as_terminals_do():
    # R. Jain (1991), examples 31.2 and 31.3: 24 min in the system together, 60 min apart.
    together, apart = [], []
    for seed in range(RUNS):
        random = Random(seed)
        comes, lengths = stream(10 / 3, 20_000, random)
        steps = tuple(((Do.CORE, length),) for length in lengths)
        teams = tuple(random.randrange(5) for _ in lengths)
        program = Program(steps, dict(enumerate(comes)), teams=teams)
        apart.append(float(waits(play(program, *(1,) * 5), 2_000, 20_000).mean()))
        program = Program(steps, dict(enumerate(comes)))
        together.append(float(waits(play(program, 5), 2_000, 20_000).mean()))
    assert_within_interval(apart, 60 / 20 - 1)
    assert_within_interval(together, mmc_wait(10 / 3, 1.0, 5))


# -- other run times -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("service", "variation", "wait"), [(constant, 0.0, 0.5), (erlang_of_four, 0.25, 0.625)]
)
def test_one_worker_waits_as_pollaczek_and_khinchine_say(service, variation, wait):
    # R. B. Cooper (1981), Introduction to Queueing Theory, 2nd edition, p. 189: at load 0.5.
    runs = [one_pool(1, 0.5, seed, 4_000, service) for seed in range(RUNS)]
    assert_within_interval([float(run.mean()) for run in runs], wait)
    assert allen_cunneen_wait(0.5, 1.0, 1, 1.0, variation) == pytest.approx(wait)


@pytest.mark.extra
@pytest.mark.parametrize(
    ("load", "service", "wait"),
    [(0.8, constant, 2.0), (0.8, erlang_of_four, 2.5), (0.9, constant, 4.5)],
)
def test_one_worker_under_load_waits_as_pollaczek_and_khinchine_say(load, service, wait):
    runs = [one_pool(1, load, seed, 20_000, service) for seed in range(RUNS)]
    assert_within_interval([float(run.mean()) for run in runs], wait)


@pytest.mark.extra
@pytest.mark.parametrize("servers", [2, 4])
def test_the_approximation_of_allen_and_cunneen_is_near_for_constant_run_times(servers):
    # A. O. Allen (1990), Probability, Statistics, and Queueing Theory (from memory). It is exact
    # for one worker or exponential times only: within 12 % here.
    found = mean(float(one_pool(servers, 0.8, seed, 20_000, constant).mean()) for seed in range(5))
    approximate = allen_cunneen_wait(0.8 * servers, 1.0, servers, 1.0, 0.0)
    assert found == pytest.approx(approximate, rel=0.12)


# -- two pools in a row --------------------------------------------------------------------------


def tandem(first, second, rate, seed, tasks):
    """Return the outcome of a stream through two pools of so many workers.

    Task i of the first pool hands in task n + i of the second one when it ends.
    """
    random = Random(seed)
    comes, lengths = stream(rate, tasks, random)
    lengths += [max(1, round(random.expovariate(1.0) * SECOND)) for _ in range(tasks)]
    program = Program(
        tuple(((Do.CORE, length),) for length in lengths),
        dict(enumerate(comes)),
        {tasks + task: (task,) for task in range(tasks)},
        teams=(0,) * tasks + (1,) * tasks,
    )
    return play(program, first, second)


def compare_tandem(first, second, rate, tasks):
    # P. J. Burke (1956), "The output of a queuing system", Oper. Res. 4(6):699-704: what leaves
    # M/M/c is Poisson again. So each pool is an M/M/c of its own, and what an arrival finds in one
    # says nothing of the other (J. R. Jackson 1957, Oper. Res. 5(4):518-521). Both from memory.
    outcomes = [tandem(first, second, rate, seed, tasks) for seed in range(RUNS)]
    early = tasks // 10
    parts = [waits(out, early, tasks) for out in outcomes]
    later = [waits(out, tasks + early, 2 * tasks) for out in outcomes]
    for runs, servers in ((parts, first), (later, second)):
        assert_within_interval([float(run.mean()) for run in runs], mmc_wait(rate, 1.0, servers))
        shares = [float((run > 0).mean()) for run in runs]
        assert_within_interval(shares, erlang_c(servers, rate))
    return outcomes


@pytest.mark.parametrize(("first", "second"), [(1, 1), (2, 1)])
def test_each_pool_of_two_in_a_row_waits_as_if_it_were_alone(first, second):
    compare_tandem(first, second, 0.5, tasks=4_000)


@pytest.mark.extra
@pytest.mark.parametrize(("first", "second", "rate"), [(1, 1, 0.8), (2, 1, 0.8), (4, 2, 1.6)])
def test_each_pool_of_two_in_a_row_under_load_waits_as_if_it_were_alone(first, second, rate):
    compare_tandem(first, second, rate, tasks=20_000)


def test_tasks_leave_a_pool_as_at_random_as_they_come():
    """Burke: times between ends are exponential, and each is independent of the next."""
    ends = sorted(tandem(2, 1, 1.0, seed=3, tasks=20_000).ended_ns[:20_000])
    between = np.diff(np.array(ends[2_000:])) / SECOND
    assert between.mean() == pytest.approx(1.0, rel=0.03)
    assert (between.std() / between.mean()) ** 2 == pytest.approx(1.0, abs=0.05)
    assert np.corrcoef(between[:-1], between[1:])[0, 1] == pytest.approx(0.0, abs=0.03)
    for later in (0.5, 1.0, 2.0):
        assert (between > later).mean() == pytest.approx(exp(-later), abs=0.015)


# -- Little --------------------------------------------------------------------------------------


def test_littles_law_is_exact_on_a_simulated_path():
    # J. D. C. Little (1961), Oper. Res. 9(3):383-387. Worked by hand: arrivals 0, 1, 3, departures
    # 2, 5, 6; L = 9/6, W = 3.
    outcome = play(independent([2, 3, 1], [0, 1, 3]), 1)
    assert outcome.ended_ns == (2, 5, 6)
    found = little(np.array(outcome.came_ns), np.array(outcome.ended_ns).astype(np.int64), 0, 6)
    assert (found.closed, found.mean_in_system, found.mean_time_s) == (True, 1.5, 3e-9)


def test_a_simulated_pool_holds_as_many_tasks_as_little_says():
    comes, lengths = stream(2.0, 5_000, Random(9))
    outcome = play(independent(lengths, comes), 3)
    came, ended = (np.array(times, dtype=np.int64) for times in (outcome.came_ns, outcome.ended_ns))
    found = little(came, ended, 0, int(ended.max()))
    events = sorted([(at, 1) for at in came.tolist()] + [(at, -1) for at in ended.tolist()])
    area = present = 0
    for (at, change), (then, _) in pairwise(events):
        present += change
        area += present * (then - at)
    assert found.closed
    assert found.area_ns == area == int((ended - came).sum())
