"""Work, span and the bounds on time and steals, on real runs of the demonstration's pool.

The job (`fork_join_job`) times its own strands and works out work and span without the probe; the
pool counts its own steals.

What holds in every run is asserted of every run: the work law and the span law (T. H. Cormen, C. E.
Leiserson, R. L. Rivest, C. Stein, Introduction to Algorithms, 3rd edition, section 27.1), and the
largest number of steals from a complete tree (C. E. Leiserson, T. B. Schardl, W. Suksompong 2016).
The greedy bound (R. L. Graham 1966) leaves out what a scheduler itself takes, and a worker that the
machine holds up; so one run of three with each number of workers must keep it. The number of steal
attempts (R. D. Blumofe, C. E. Leiserson 1999) is bounded in expectation, up to a constant.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest

import fork_join_job as job
from helpers import most_steals
from idlehands_monitor.model.graph import EXPECTED_SHARE

# One process runs the job for all tests of this module.
pytestmark = [pytest.mark.long, pytest.mark.xdist_group("bounds")]

MOST_BETWEEN_STAMPS = 0.1
"""Share of the job's own figure that lies between its clock readings and the probe's at most. A
reading comes within microseconds of 2 ms of sleep, but on a crowded machine a thread may lose its
core between the two."""


@pytest.fixture(scope="module")
def runs(captured_once):
    """Each pool by its name: what the job knows of it, what the monitor says, its promises."""
    output, document, text = captured_once(Path(job.__file__).read_text())
    known = json.loads(output)
    found = {
        pool["name"]: SimpleNamespace(
            known=SimpleNamespace(**known[pool["name"]]),
            pool=pool,
            graph=SimpleNamespace(**pool["graph"]),
            promises={promise["code"]: promise for promise in pool["promises"]},
            text=text[text.index(f"Pool {pool['name']}: ") :],
        )
        for pool in document["pools"]
        if pool["name"] in known
    }
    assert set(found) == set(known)
    assert all(run.pool["lost_rows"] == 0 for run in found.values())
    return found


def attempts(runs, name):
    return [runs[f"{name}-{attempt}"] for attempt in range(job.ROUNDS)]


def greedy(run):
    return run.promises["within-greedy-bound"]


def fibonacci(n):
    return n if n < 2 else fibonacci(n - 1) + fibonacci(n - 2)


@pytest.mark.parametrize("workers", job.FIB_WORKERS)
def test_work_and_span_are_those_that_the_job_measured_itself(runs, workers):
    rounds = attempts(runs, f"fib-{workers}")
    for name in ("work_s", "span_s"):
        ratios = [getattr(run.graph, name) / getattr(run.known, name) for run in rounds]
        # The probe's stamps lie around the job's own, so less can never be seen.
        assert min(ratios) >= 1
        assert min(ratios) <= 1 + MOST_BETWEEN_STAMPS
    for run in rounds:
        assert run.graph.tasks == 2 * fibonacci(job.FIB + 1) - 1
        # The book's P-FIB has work 4F(n+1) - 3 and span 2n in strands, which sleep at least that.
        assert run.graph.work_s >= (4 * fibonacci(job.FIB + 1) - 3) * job.STRAND_S
        assert run.graph.span_s >= 2 * job.FIB * job.STRAND_S


def test_no_run_takes_less_than_the_work_law_and_the_span_law_say(runs):
    for run in runs.values():
        graph = run.graph
        assert graph.workers == run.known.workers
        assert graph.work_law_s == pytest.approx(graph.work_s / graph.workers)
        assert graph.measured_s >= max(graph.work_law_s, graph.span_s)
        bound = (graph.work_s - graph.span_s) / graph.workers + graph.span_s
        assert graph.greedy_bound_s == pytest.approx(bound)


def test_the_time_that_a_computation_took_is_the_jobs_own(runs):
    for run in runs.values():
        if hasattr(run.known, "work_s"):  # else its root ends before the rest of it
            # The job's clock starts before the root is spawned and stops after it has ended.
            assert run.graph.measured_s <= run.known.took_s
    run = runs["held-up"]
    assert run.graph.measured_s >= run.known.took_s * (1 - MOST_BETWEEN_STAMPS)


@pytest.mark.parametrize("workers", job.FIB_WORKERS)
def test_a_pool_with_all_its_work_at_hand_stays_within_the_greedy_bound(runs, workers):
    # The promise leaves 5 % for pushing, taking and waking, which are no part of the bound.
    verdicts = [greedy(run)["verdict"] for run in attempts(runs, f"fib-{workers}")]
    assert set(verdicts) <= {"kept", "broken"}
    assert "kept" in verdicts


def test_a_pool_whose_tasks_lie_beside_parked_workers_breaks_the_greedy_bound(runs):
    promise = greedy(runs["held-up"])
    assert promise["verdict"] == "broken"
    assert promise["effect"] > 2  # in truth one worker of eight runs it all, at five times it


def test_a_pool_whose_workers_park_after_one_attempt_is_further_from_the_bound(runs):
    healthy = [greedy(run)["effect"] for run in attempts(runs, "fib-8")]
    assert greedy(runs["early-park"])["effect"] > min(healthy)


def test_the_time_beyond_perfect_speedup_grows_with_the_span_and_not_with_the_work(runs):
    combs = {teeth: attempts(runs, f"comb-{teeth}") for teeth in job.COMB_TEETH}
    few, *_, many = ([run.known for run in rounds] for rounds in combs.values())
    work, span = (
        min(getattr(own, name) for own in many) / min(getattr(own, name) for own in few)
        for name in ("work_s", "span_s")
    )
    assert work > 8
    assert span < work / 3  # spawning sixteen takes longer than spawning one
    for rounds in combs.values():
        graphs = [run.graph for run in rounds]
        beyond = [g.measured_s - g.work_law_s - 0.05 * g.greedy_bound_s for g in graphs]
        assert any(more <= graph.span_s for more, graph in zip(beyond, graphs, strict=True))


def test_attempts_do_not_grow_with_the_work_and_lie_below_the_expected_maximum(runs):
    for teeth in job.COMB_TEETH:
        for run in attempts(runs, f"comb-{teeth}"):
            bound = run.graph.steals
            assert (bound["looks"], bound["hits"]) == (run.known.attempts, run.known.hits)
            searched = run.pool["worker_time"]["searching_s"]
            assert bound["look_s"] * bound["looks"] == pytest.approx(searched)
            expected = run.graph.workers * run.graph.span_s / bound["look_s"]
            assert bound["bound"] == pytest.approx(expected)
            assert 0 < bound["share"] < EXPECTED_SHARE


def test_every_steal_took_a_task_of_its_own(runs):
    for run in runs.values():
        assert run.pool["steals"]["hits"] == run.known.hits < run.graph.tasks


def test_steals_from_a_complete_tree_are_no_more_than_a_schedule_can_have(runs):
    run = runs["tree"]
    assert run.graph.tasks == 2**job.TREE
    assert 0 < run.pool["steals"]["hits"] <= most_steals(job.TREE_WORKERS - 1, job.TREE)


def test_the_text_says_work_span_bounds_and_steals_with_their_sources(runs):
    text = runs["fib-8-0"].text
    for fragment in ("work T1", "span Tinf", "parallelism", "T1/P = ", "(T1 - Tinf)/P + Tinf = "):
        assert fragment in text
    assert "Graham 1966" in text
    assert "P*Tinf" in text
    assert "Blumofe" in text
