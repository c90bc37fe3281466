"""Jobs as people run them: `idlehands run`, captured and explained by the commands themselves.

The counts expected are those of the jobs, see `probes_pools`; that the worker time adds up to
the time that the workers were there is the definition of the eight entries (docs/figures.md).
"""

from __future__ import annotations

import json

import pytest
from probes_pools import CALLS, CASES, FAILING, SINGLES, WARM_UP

ENTRIES = (
    "working_s",
    "blocked_s",
    "run_queue_wait_s",
    "dispatch_s",
    "searching_s",
    "waking_s",
    "starved_s",
    "no_work_s",
)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_captured_job_has_its_counts_its_workers_and_a_ledger_that_closes(case, captured):
    if case.needs:
        pytest.importorskip(case.needs)
    said, document, text = captured(case.script(), case.method)
    pools = document["pools"]
    assert {pool["kind"] for pool in pools} == {case.kind}
    kinds = {}
    for pool in pools:
        for kind in pool["tasks"]["kinds"]:
            name = kind["kind"].rpartition(".")[2]
            kinds[name] = kinds.get(name, 0) + kind["finished"]
    assert kinds["single"] == SINGLES + WARM_UP
    if case.name != "joblib":
        assert kinds["several"] == CALLS // case.chunk
    failed = sum(pool["tasks"]["failed"] for pool in pools)
    assert failed == (FAILING if case.fails else 0)
    seen = {tuple(pair) for pair in json.loads(said)}
    ran = [w for pool in pools for w in pool["per_worker"] if w["tasks_finished"]]
    # A worker process may come when another has left, and then has its place: joblib replaces
    # some, and one that was slow to start finds the job done.
    if all(pool["stays"]["joined"] == len(pool["per_worker"]) for pool in pools):
        assert {(worker["pid"], worker["native_id"]) for worker in ran} == seen
    for pool in pools:
        time = pool["worker_time"]
        assert all(time[entry] >= 0 for entry in ENTRIES)
        assert sum(time.values()) == pytest.approx(pool["worker_seconds"], rel=1e-9)
        each = [sum(worker["worker_time"].values()) for worker in pool["per_worker"]]
        assert sum(each) == pytest.approx(pool["worker_seconds"], rel=1e-9)
        assert max(each) <= pool["window_s"] * (1 + 1e-9)
        tasks = pool["tasks"]
        assert tasks["spawned"] == tasks["finished"] + tasks["cancelled"] + tasks["lost"]
        assert sum(map(sum, pool["hand_overs"]["matrix"])) == tasks["finished"]
        assert pool["lost_rows"] == 0
        assert pool["detail"] == "full"
    assert "Queue length" in text
    assert "thief" not in text


MANY = """
import sys
from concurrent.futures import ThreadPoolExecutor

def nothing():
    pass

with ThreadPoolExecutor(2) as pool:
    pool.submit(nothing).result()
    print("ready", flush=True)
    sys.stdin.readline()
    for _ in range(500):
        for future in [pool.submit(nothing) for _ in range(200)]:
            future.result()
print("done", flush=True)
sys.stdin.readline()
"""


@pytest.mark.parametrize("detail", ["full", "auto"])
def test_the_counts_of_a_job_of_100_000_tasks_are_exact_in_every_detail(detail, captured):
    _, document, _ = captured(MANY, IDLEHANDS_DETAIL=detail)
    (pool,) = document["pools"]
    assert pool["tasks"]["finished"] == 100_001
    assert pool["tasks"]["spawned"] == 100_001
    if detail == "full":
        assert pool["detail"] == "full"


BROKEN = """
import os, signal, sys, time
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

def work(number):
    time.sleep(0.002)

def explode(number):
    os.kill(os.getpid(), signal.SIGKILL)

if __name__ == "__main__":
    pool = ProcessPoolExecutor(2)
    pool.submit(work, 0).result()
    print("ready", flush=True)
    sys.stdin.readline()
    futures = [pool.submit(work, n) for n in range(20)]
    futures.append(pool.submit(explode, 1))
    futures += [pool.submit(work, n) for n in range(20)]
    dropped = sum(isinstance(f.exception(), BrokenProcessPool) for f in futures)
    print(dropped, flush=True)
    sys.stdin.readline()
"""


NEVER_LOOKED_AT = "from idlehands import _board_pool; _board_pool.LOOK_FOR_DEAD_NS = 1 << 62\n"
"""So that those which died are found as the job ends, or never."""


@pytest.mark.parametrize("first", ["", NEVER_LOOKED_AT], ids=["looked at", "at the end"])
def test_a_broken_pool_is_shown_as_such_with_the_last_task_of_the_worker_that_died(captured, first):
    said, document, text = captured(first + BROKEN)
    (pool,) = document["pools"]
    assert "terminated abruptly" in pool["broken"]
    assert "__main__.explode" in [dead["kind"] for dead in pool["stays"]["dead"]]
    assert pool["findings"][0]["code"] == "lost-worker"
    tasks = pool["tasks"]
    assert tasks["lost"] == pool["stays"]["died"] >= 1
    assert tasks["finished"] + tasks["lost"] + tasks["cancelled"] == tasks["spawned"] == 42
    assert tasks["lost"] + tasks["cancelled"] >= int(said) - 2
    assert "The pool is broken" in text
    assert "died in __main__.explode" in text


REPLACED = """
import multiprocessing, sys, time

def work(number):
    time.sleep(0.001)

if __name__ == "__main__":
    with multiprocessing.get_context("fork").Pool(2, maxtasksperchild=4) as pool:
        pool.apply(work, (0,))
        print("ready", flush=True)
        sys.stdin.readline()
        pool.map(work, range(40), chunksize=1)
        pool.close()
        pool.join()
    print("done", flush=True)
    sys.stdin.readline()
"""


def test_worker_processes_that_are_replaced_stay_two_workers_and_are_counted(captured):
    _, document, _ = captured(REPLACED)
    (pool,) = document["pools"]
    assert pool["tasks"]["finished"] == 41
    assert pool["workers"] <= 3
    assert pool["stays"]["joined"] == pool["stays"]["left"] >= 10
    assert pool["stays"]["died"] == 0
