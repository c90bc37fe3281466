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

OLDEST_FIRST = """
import sys, threading
from dataclasses import replace
from idlehands_demo.faults import FAULTS
from idlehands_demo.plan import Plan
from idlehands_demo.pool import WorkStealingPool
from idlehands_demo.scenarios import Settings
from idlehands_demo.tide import run_tide_archive

with WorkStealingPool(1, "waits-for-the-monitor"):
    print("ready", flush=True)
    sys.stdin.readline()
fault = replace(FAULTS["owners-take-oldest"], plan=Plan())
run_tide_archive(Settings(8, 8.0, 2, fault), threading.Event())
print("done", flush=True)
sys.stdin.readline()
"""
"""Owners take the oldest task of halved batches; a steal could have brought the larger half."""


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
    # No more: a second that another finding accounts for counts once.
    assert 0 < cost <= time["waking_s"] + time["searching_s"]
    assert "wakes in" in text
    assert "larger tasks" in text


@pytest.mark.extra
@pytest.mark.long
def test_owners_that_take_the_oldest_task_leave_little_work_to_thieves(captured):
    _, document, _ = captured(OLDEST_FIRST)
    pool = next(pool for pool in document["pools"] if pool["name"] == "tide-archive")
    found = findings_of(pool)
    assert set(found) == {"wrong-steal-end"}
    assert "owners took the oldest" in found["wrong-steal-end"]["sentence"]
    assert 0 < found["wrong-steal-end"]["worker_seconds"] <= pool["worker_time"]["searching_s"]
    assert 0 < pool["larger_steals"]["brought_s"] < pool["larger_steals"]["could_s"]


@pytest.mark.extra
@pytest.mark.parametrize(
    ("fault", "expected", "says"),
    [
        ("thieves-take-newest", "wrong-steal-end", "wrong end"),
        ("fixed-victims", "uneven-victims", "unevenly"),
        ("nearest-neighbour", "uneven-victims", "unevenly"),
        ("global-lock", "deque-contention", "waited for each other"),
        ("", "", ""),
    ],
)
def test_the_headline_of_the_demonstration_is_its_fault(tmp_path, fault, expected, says):
    folder, file = tmp_path / "sockets", tmp_path / "a.idlehands"
    folder.mkdir(mode=0o700)
    chosen = ["--fault", fault] if fault else []
    demo = ["demo", "--for", "8s", "--seed", "2", "--no-screen", "--capture", file]
    done = idlehands(*demo, *chosen, folder=folder)
    assert done.returncode == 0, done.stderr
    done = idlehands("explain", file, "--json", folder=folder)
    (pool,) = json.loads(done.stdout)["pools"]
    headline = next(iter(pool["findings"]), {"code": "", "sentence": ""})
    assert headline["code"] == expected
    assert says in headline["sentence"]
