"""Each finding of the scheduler on real runs with the fault that causes it, and none without."""

from __future__ import annotations

import json

import pytest

from helpers import idlehands

CODES = {"wrong-steal-end", "uneven-victims", "park-churn", "deque-contention"}

SHORT_GAPS = """
import sys, time
from idlehands_demo.pool import WorkStealingPool

with WorkStealingPool(2, "short-gaps", 1) as pool:
    print("ready", flush=True)
    sys.stdin.readline()
    until = time.monotonic() + 1.5
    while time.monotonic() < until:
        pool.submit(int).join()
print("done", flush=True)
sys.stdin.readline()
"""


def findings_of(pool):
    total = pool["worker_seconds"] - pool["worker_time"]["working_s"]
    assert sum(finding["worker_seconds"] for finding in pool["findings"]) <= total * (1 + 1e-9)
    return {finding["code"]: finding for finding in pool["findings"] if finding["code"] in CODES}


def test_a_pool_that_gets_one_task_after_another_has_the_finding_park_churn(captured):
    for _ in range(6):  # on a busy machine most of the time goes elsewhere
        _, document, text = captured(SHORT_GAPS)
        (pool,) = document["pools"]
        found = findings_of(pool)
        if found:
            break
    assert set(found) == {"park-churn"}
    time = pool["worker_time"]
    cost = found["park-churn"]["worker_seconds"]
    assert time["waking_s"] <= cost <= time["waking_s"] + time["searching_s"]
    assert "wakes in" in text
    assert "larger tasks" in text


@pytest.mark.long
@pytest.mark.parametrize(
    ("fault", "expected", "says"),
    [
        ("thieves-take-newest", "wrong-steal-end", "thieves took the newest"),
        ("owners-take-oldest", "wrong-steal-end", "owners took the oldest"),
        ("fixed-victims", "uneven-victims", "fixed order"),
        ("nearest-neighbour", "uneven-victims", "nearest neighbour"),
        ("global-lock", "deque-contention", "waited for each other"),
        ("", "", ""),
    ],
)
def test_the_demonstration_has_the_finding_of_its_fault_and_of_no_other(
    tmp_path, fault, expected, says
):
    folder, file = tmp_path / "sockets", tmp_path / "a.idlehands"
    folder.mkdir(mode=0o700)
    chosen = ["--fault", fault] if fault else []
    demo = ["demo", "--for", "8s", "--seed", "2", "--no-screen", "--capture", file]
    done = idlehands(*demo, *chosen, folder=folder)
    assert done.returncode == 0, done.stderr
    (pool,) = json.loads(idlehands("explain", file, "--json", "--no-gains", folder=folder).stdout)[
        "pools"
    ]
    found = findings_of(pool)
    assert set(found) == ({expected} if expected else set())
    for finding in found.values():
        assert says in finding["sentence"]
        time = pool["worker_time"]
        dispatch = time["dispatch_s"] if expected == "deque-contention" else 0.0
        assert 0 < finding["worker_seconds"] <= time["searching_s"] + dispatch
    if expected == "wrong-steal-end":
        assert 0 < pool["larger_steals"]["brought_s"] < pool["larger_steals"]["could_s"]
    else:
        assert pool["larger_steals"] is None
