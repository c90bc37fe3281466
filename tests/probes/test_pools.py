"""Every pool that is probed from outside: real jobs under `idlehands run`, read over the socket.

The counts expected are those of the jobs themselves, see `probes_pools`.
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict

import pytest
from probes_pools import CALLS, CASES, FAILING, SINGLES, WARM_UP, Case

from idlehands import FAILED, FINISHED
from idlehands.wire import TASKS, WORKER_LIFETIMES


def rows_of(frames, table, received):
    """Return the rows of a table, each a map of its columns and ``worker``: (pool, worker)."""
    rows = []
    for pool, worker in received.rings(frames, table.name):
        ring = received(frames, table.name, worker, pool)
        assert ring.lost == 0
        columns = [ring.columns[name] for name in table.names]
        for row in zip(*columns):
            rows.append({"worker": (pool, worker), **dict(zip(table.names, row))})
    return rows


@pytest.fixture
def finished_job(start_job, attach):
    """Run a case's job to its end; return (frames, the (process, thread) pairs that ran tasks)."""

    def run(case: Case):
        if case.needs:
            pytest.importorskip(case.needs)
        job = start_job(case.script(), case.method)
        assert job.says() == "ready"
        reader = attach(job.pid)
        reader.take_in_thread()
        job.tell("go")
        seen = {tuple(pair) for pair in json.loads(job.says())}
        job.tell("end")
        assert job.ends() == ""
        frames = reader.take_all()
        assert frames[-1]["frame"] == "bye"
        return frames, seen

    return run


@pytest.mark.parametrize("case", CASES, ids=str)
def test_every_task_of_a_job_is_recorded_once_by_the_worker_that_ran_it(
    case, finished_job, received
):
    frames, seen = finished_job(case)
    names = [frame for frame in frames if frame["frame"] == "names"]
    assert {frame["pool_kind"] for frame in names} == {case.kind}
    kinds = {frame["pool"]: frame["task_kinds"] for frame in names}
    tasks = rows_of(frames, TASKS, received)
    for task in tasks:
        task["kind"] = kinds[task["worker"][0]][task["kind"]].rpartition(".")[2]
        assert 0 < task["spawned_ns"] <= task["started_ns"] <= task["ended_ns"]
    several = [task for task in tasks if task["kind"] == "several"]
    assert len(tasks) - len(several) == SINGLES + WARM_UP
    assert {task["kind"] for task in tasks} == {"single", "several"}
    assert sum(max(1, task["size"]) for task in several) == CALLS
    if case.name != "joblib":  # which chooses its own batches at the end
        assert len(several) == CALLS // case.chunk
    outcomes = Counter(task["outcome"] for task in tasks)
    assert outcomes[FAILED] == (FAILING if case.fails else 0)
    assert outcomes[FINISHED] == len(tasks) - outcomes[FAILED]
    assert len({(task["worker"][0], task["task"]) for task in tasks}) == len(tasks)
    there = {
        (lifetime["pid"], lifetime["native_id"])
        for lifetime in rows_of(frames, WORKER_LIFETIMES, received)
    }
    assert seen <= there, "a task ran where no worker is known to have been"


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_tasks_of_a_worker_follow_each_other_inside_its_lifetimes(case, finished_job, received):
    frames, _ = finished_job(case)
    lifetimes = defaultdict(list)
    for lifetime in rows_of(frames, WORKER_LIFETIMES, received):
        lifetimes[lifetime["worker"]].append((lifetime["began_ns"], lifetime["ended_ns"]))
    last_end: dict[tuple[int, int], int] = {}
    tasks = rows_of(frames, TASKS, received)
    for task in sorted(tasks, key=lambda task: task["started_ns"]):
        worker, begin, end = task["worker"], task["started_ns"], task["ended_ns"]
        assert begin >= last_end.get(worker, 0), "two tasks of one worker at a time"
        last_end[worker] = end
        assert any(low <= begin <= end <= high for low, high in lifetimes[worker])
