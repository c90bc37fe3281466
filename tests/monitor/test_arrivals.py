"""How work comes, recognised from when tasks came and ended: simulated streams of each sort."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from idlehands_monitor.analysis.whatif.arrivals import coming
from idlehands_monitor.analysis.whatif.program import Do, Program, independent
from idlehands_monitor.analysis.whatif.rules import Machine, Team
from idlehands_monitor.analysis.whatif.simulator import simulate
from idlehands_monitor.model.whatif import Arrivals

MS = 1_000_000


def recognised(program, workers, **options):
    """Simulate a program and recognise how its tasks came."""
    outcome = simulate(program, Machine(workers), [Team(workers)])
    came, ended = np.array(outcome.came_ns), np.array(outcome.ended_ns)
    order = np.argsort(came, kind="stable")
    return coming(came[order].astype(np.int64), ended[order].astype(np.int64), **options)


def exponential(seed, count, mean_ns):
    random = Random(seed)
    return [round(random.expovariate(1 / mean_ns)) for _ in range(count)]


def poisson(seed, count, mean_ns):
    return np.cumsum(exponential(seed, count, mean_ns)).tolist()


def stream(count, in_flight, lengths, after_ns):
    """Return a program with so many in flight; `after_ns` after an end the next one comes."""
    steps = tuple(((int(Do.CORE), length),) for length in lengths)
    gates = {n: (n - in_flight + 1, after_ns[n]) for n in range(in_flight, count)}
    return Program(steps, dict.fromkeys(range(in_flight), 0), gates=gates)


@pytest.mark.parametrize("seed", range(5))
def test_tasks_that_are_all_there_at_first_are_a_batch(seed):
    found = recognised(independent(exponential(seed, 300, MS)), 4)
    assert found.arrivals is Arrivals.BATCH
    assert not found.count.any()


def test_one_task_is_a_batch():
    assert recognised(independent([MS]), 1).arrivals is Arrivals.BATCH


@pytest.mark.parametrize("seed", range(5))
def test_batches_that_wait_for_the_slowest_task_are_batches_with_gates(seed):
    lengths = exponential(seed, 120, MS)
    gates = {n: (n // 20 * 20, 1000 + n % 20) for n in range(20, 120)}
    steps = tuple(((int(Do.CORE), length),) for length in lengths)
    found = recognised(Program(steps, dict.fromkeys(range(20), 0), gates=gates), 4)
    assert found.arrivals is Arrivals.BATCH
    assert found.count.tolist() == [n // 20 * 20 for n in range(120)]
    assert set(found.after_ns[20:].tolist()) == {1000 + n for n in range(20)}


@pytest.mark.parametrize("in_flight", [1, 4, 32])
@pytest.mark.parametrize("seed", range(3))
def test_a_stream_with_so_many_in_flight_is_closed(in_flight, seed):
    after = exponential(seed + 100, 400, MS // 50)
    lengths = exponential(seed, 400, MS)
    found = recognised(stream(400, in_flight, lengths, after), 4)
    assert found.arrivals is Arrivals.CLOSED
    assert found.in_flight == in_flight
    assert found.count[in_flight:].tolist() == list(range(1, 401 - in_flight))


@pytest.mark.parametrize("load", [0.3, 0.6, 0.8, 0.95, 1.2])
@pytest.mark.parametrize("seed", range(6))
def test_poisson_arrivals_are_open_however_busy_the_workers_are(load, seed):
    came = poisson(seed, 500, MS / (4 * load))
    found = recognised(independent(exponential(seed + 50, 500, MS), came), 4)
    assert found.arrivals is Arrivals.OPEN


@pytest.mark.parametrize("load", [0.1, 0.3, 0.6, 0.9])
@pytest.mark.parametrize("jitter", [0.0, 0.01, 0.05, 0.3])
@pytest.mark.parametrize("seed", range(3))
def test_arrivals_like_clockwork_are_open_even_if_tasks_take_all_the_same_time(load, jitter, seed):
    random, gap = Random(seed), round(MS / (4 * load))
    lengths = [round(MS * random.uniform(1 - jitter, 1 + jitter)) for _ in range(400)]
    found = recognised(independent(lengths, [n * gap for n in range(400)]), 4)
    assert found.arrivals is Arrivals.OPEN


def test_what_is_asked_for_comes_before_what_is_recognised():
    found = recognised(independent([MS] * 50), 4, asked=Arrivals.OPEN)
    assert found.arrivals is Arrivals.OPEN


@pytest.mark.parametrize("seed", range(3))
def test_tasks_that_are_handed_in_much_faster_than_they_are_run_are_a_batch(seed):
    """Handing in takes a third of the whole time; a queue grows until the last one has come."""
    came = [n * MS // 12 for n in range(400)]
    found = recognised(independent(exponential(seed, 400, MS), came), 4)
    assert found.arrivals is Arrivals.BATCH


@pytest.mark.parametrize("seed", range(3))
def test_a_stream_whose_hand_ins_are_as_slow_as_its_tasks_is_closed_if_it_is_often_full(seed):
    after = exponential(seed + 100, 600, MS)
    found = recognised(stream(600, 4, exponential(seed, 600, MS), after), 2)
    assert found.arrivals is Arrivals.CLOSED
    assert found.in_flight == 4


def test_two_in_flight_nearly_always_are_a_closed_stream():
    after = exponential(100, 300, MS // 5)
    found = recognised(stream(300, 2, exponential(0, 300, MS), after), 6)
    assert (found.arrivals, found.in_flight) == (Arrivals.CLOSED, 2)


@pytest.mark.parametrize("pause_ns", [1000, 20 * MS])
def test_batches_after_a_short_or_an_even_pause_are_batches(pause_ns):
    gates = {n: (n // 20 * 20, pause_ns + n % 20) for n in range(20, 200)}
    steps = tuple(((int(Do.CORE), length),) for length in exponential(1, 200, MS))
    found = recognised(Program(steps, dict.fromkeys(range(20), 0), gates=gates), 4)
    assert found.arrivals is Arrivals.BATCH
    assert found.count.tolist() == [n // 20 * 20 for n in range(200)]
