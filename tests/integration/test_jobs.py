"""Jobs as people run them: `idlehands run`, captured and explained by the commands themselves.

The counts expected are those of the jobs, see `probes_pools`; that the worker time adds up to
the time that the workers were there is the definition of the eight categories (docs/figures.md).
"""

from __future__ import annotations

import json

import pytest
from probes_pools import CALLS, CASES, FAILING, SINGLES, WARM_UP

from helpers import idlehands, wait_until

CATEGORIES = (
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
        assert all(time[category] >= 0 for category in CATEGORIES)
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


NEVER_CHECKED = "from idlehands import _slots_pool; _slots_pool.CHECK_FOR_DEAD_NS = 1 << 62\n"
"""So that those which died are found as the job ends, or never."""


@pytest.mark.parametrize("first", ["", NEVER_CHECKED], ids=["checked", "at the end"])
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


BREAKING = """
import multiprocessing, os, signal, sys, time
from concurrent.futures import ProcessPoolExecutor

def haul(seconds):
    time.sleep(seconds)

def end_by(way):
    time.sleep(0.1)
    os.write(1, b"%d\\n" % os.getpid())
    if way.isdigit():
        os._exit(int(way))
    os.kill(os.getpid(), getattr(signal, way))

if __name__ == "__main__":
    workers, way, method = int(sys.argv[1]), sys.argv[2], sys.argv[3]
    context = multiprocessing.get_context(method)
    pool = ProcessPoolExecutor(workers, mp_context=context)
    list(pool.map(haul, [0.05] * 8 * workers))
    print("ready", flush=True)
    sys.stdin.readline()
    futures = [pool.submit(haul, 60) for n in range(workers - 1)]
    futures.append(pool.submit(end_by, way))
    if sys.argv[4:]:
        pool.shutdown(wait=False)
    for future in futures:
        future.exception()
    sys.stdin.readline()
"""
WAYS = {
    "SIGKILL": "was killed by signal 9 (SIGKILL)",
    "SIGSEGV": "was killed by signal 11 (SIGSEGV)",
    "3": "ended with exit status 3",
}


def said_of_who_broke_it(run):
    """Return (the process that broke the only pool, the finding of it, whom the pool names)."""
    said, document, _ = run
    (pool,) = document["pools"]
    assert pool["broken"]
    broke = [dead for dead in pool["stays"]["dead"] if dead["exit_status"] is not None]
    assert pool["findings"][0]["code"] == "lost-worker"
    return int(said), pool["findings"][0]["sentence"], [dead["pid"] for dead in broke]


@pytest.mark.long
@pytest.mark.parametrize(
    ("way", "workers", "method"),
    [
        *((way, workers, "fork") for way in WAYS for workers in "24"),
        *(("SIGSEGV", "4", method) for method in ("spawn", "forkserver")),
    ],
)
def test_a_pool_that_breaks_names_the_process_that_ended_first_and_how(
    way, workers, method, captured
):
    who, sentence, named = said_of_who_broke_it(captured(BREAKING, workers, way, method))
    assert named == [who]
    assert f"The pool broke: process {who} {WAYS[way]} in __main__.end_by, 0.1 s" in sentence
    assert sentence.endswith("The pool then ended its other workers itself.")


@pytest.mark.long
def test_a_pool_that_breaks_while_it_is_shut_down_names_the_process_too(captured):
    """Its executor has let go of its processes by then."""
    run = captured(BREAKING, "2", "SIGKILL", "fork", "shut down")
    who, sentence, named = said_of_who_broke_it(run)
    assert named == [who]
    assert f"process {who} was killed by signal 9 (SIGKILL) in __main__.end_by" in sentence


UNSTARTED = """
import os, sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

def fail_to_start():
    os.write(1, b"%d\\n" % os.getpid())
    os._exit(3)

if __name__ == "__main__":
    with ThreadPoolExecutor(1) as crew:  # so that somebody can attach before
        crew.submit(abs, 1).result()
        print("ready", flush=True)
        sys.stdin.readline()
    pool = ProcessPoolExecutor(1, initializer=fail_to_start)
    pool.submit(abs, 1).exception()
    sys.stdin.readline()
"""


def test_a_pool_that_breaks_before_its_first_task_is_a_finding(captured):
    said, document, text = captured(UNSTARTED)
    (pool,) = (pool for pool in document["pools"] if pool["broken"])
    (finding,) = (f for f in pool["findings"] if f["code"] == "lost-worker")
    assert finding["sentence"] == (
        f"The pool broke: process {said} ended with exit status 3, in no task."
    )
    assert f"process {said} died" in text


GONE_BY = """
import os, signal, sys, time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

def haul(number):
    time.sleep(0.02)

def explode():
    os.kill(os.getpid(), signal.SIGKILL)

if __name__ == "__main__":
    pool = {"thread": ThreadPoolExecutor, "process": ProcessPoolExecutor}[sys.argv[1]](2)
    began = time.monotonic()
    while time.monotonic() < began + 3.5:
        list(pool.map(haul, range(8)))
    if sys.argv[2] == "broken":
        pool.submit(explode).exception()
    lived = time.monotonic() - began
    pool.shutdown()
    print(lived, flush=True)
    sys.stdin.readline()
"""


@pytest.mark.long
@pytest.mark.parametrize(
    ("sort", "end"),
    [
        pytest.param("thread", "closed", marks=pytest.mark.extra),
        pytest.param("process", "closed", marks=pytest.mark.extra),
        ("process", "broken"),
    ],
)
def test_a_closed_pool_has_as_much_history_for_a_late_reader_as_an_open_one(sort, end, start):
    job, folder = start(GONE_BY, sort, end)
    assert float(job.says()) > 3.0

    def has_closed():
        listed = json.loads(idlehands("pools", "--json", folder=folder).stdout)
        return [pool["closed"] for process in listed for pool in process["pools"]] == [True]

    wait_until(has_closed, "the pool's end")
    done = idlehands("explain", job.pid, "--json", "--for", "3s", folder=folder)
    (pool,) = json.loads(done.stdout)["pools"]
    live = idlehands("watch", job.pid, "--no-screen", "--for", "2s", folder=folder).stdout
    last = live.splitlines()[-1]
    assert pool["window_s"] > 3.0  # it closed before those three seconds: all that is held
    assert pool["tasks"]["finished"] > 100
    assert "tasks/s" in last
    codes = [finding["code"] for finding in pool["findings"]]
    if sort == "process":  # of threads nobody has read the CPU time
        assert {"blocked-in-task", "too-few-workers"} & set(codes)
    if end == "broken":
        assert codes[0] == "lost-worker"
        assert "lost-worker; broken" in last


DYING = """
import queue, sys, threading, time

orders, known = queue.Queue(), {"lime": 1}

def price(name):
    time.sleep(0.05)
    return known[name]

def serve():
    while True:
        call, name = orders.get()
        call(name)
        orders.task_done()

if __name__ == "__main__":
    threading.excepthook = lambda arguments: None
    threads = [threading.Thread(target=serve) for _ in range(4)]
    for thread in threads:
        thread.start()
        orders.put((price, "lime"))
    orders.join()
    print("ready", flush=True)
    sys.stdin.readline()
    for name in ("lime", "lime", "clay", "clay", "clay", "clay", *["lime"] * 20):
        orders.put((price, name))
    for thread in threads:
        thread.join()
    print(orders.qsize(), flush=True)
    time.sleep(1.5)
    sys.stdin.readline()
"""


@pytest.mark.long
def test_threads_around_a_queue_that_exceptions_ended_are_a_finding_and_their_tasks_are_lost(
    captured,
):
    left, document, text = captured(DYING)
    (pool,) = document["pools"]
    tasks, stays = pool["tasks"], pool["stays"]
    assert (tasks["lost"], stays["died"], stays["present"]) == (4, 4, 0)
    assert tasks["spawned"] == tasks["finished"] + 4 + int(left) == 30
    assert tasks["queued"] == int(left)
    finding = pool["findings"][0]
    assert finding["code"] == "lost-worker"
    assert finding["sentence"].startswith("4 workers died; the first one was worker ")
    assert ", a thread, in __main__.price, 0." in finding["sentence"]
    assert "exception" in finding["advice"]
    assert "4 lost with their worker" in text


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
