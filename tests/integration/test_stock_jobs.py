"""The jobs of `tests/jobs`, stock pools as people write them, under `idlehands run`.

Each job prints its own counts and then waits, so that a capture can hold all rows of its pools.
Jobs that know their own time split wait before they begin, too, and are watched from then on.
``JOBS_PYTHON`` names another Python to run them with, which must have msgpack.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

import idlehands as probe
from explain_schema import faults
from helpers import draft_of, environment, wait_until
from idlehands_monitor.ingest.sources.live import LiveSource
from idlehands_monitor.session import targets
from idlehands_monitor.session.machine import Machine
from idlehands_monitor.session.opening import read_target
from idlehands_monitor.views import markdown, text
from idlehands_monitor.views.json import pieces

FOLDER = Path(__file__).parent.parent / "jobs"
PACKAGES = ["orchard"]
JOBS = sorted([path.stem for path in FOLDER.glob("*.py") if path.stem != "ending"] + PACKAGES)
PYTHON = os.environ.get("JOBS_PYTHON", sys.executable)
NEEDS = {name: name.partition("_")[0] for name in JOBS if name.startswith(("joblib", "loky"))}
MADE_AT = re.compile(r"\w+\.py:\d+( \(\d+\))?")
PREFIX = re.compile(r"thread_name_prefix=\"([^\"]+)\"")
PREFIXES = {"asyncio"}.union(*(PREFIX.findall(path.read_text()) for path in FOLDER.glob("*.py")))
BUSY = ("working", "run_queue_wait")


@pytest.fixture
def explained(tmp_path):
    """Run a job with a capture of all of it; return its own counts and what `explain` says."""
    folder = tmp_path / "sockets"
    folder.mkdir(mode=0o700)
    started = []

    def run(name):
        sources = str(Path(probe.__file__).parent.parent)
        target = ["-m", name] if name in PACKAGES else [str(FOLDER / f"{name}.py")]
        job = subprocess.Popen(
            [PYTHON, "-m", "idlehands", "run", *target],
            env=environment(folder, PYTHONPATH=f"{sources}{os.pathsep}{FOLDER}"),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        started.append(job)
        first = json.loads(job.stdout.readline())
        file = tmp_path / f"{name}.idlehands"
        capture = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "capture", str(job.pid), "-o", str(file)],
            env=environment(folder),
            stderr=subprocess.PIPE,
            text=True,
        )
        started.append(capture)
        wait_until(draft_of(file).exists, "the capture", 60)
        counts = first or _begun(job)
        job.communicate("\n", timeout=60)
        assert job.returncode == 0
        assert capture.wait(60) == 0
        reading = read_target(str(file), 0.0, causes=False)
        assert reading.source.skipped == (), "a frame or a pool of our own was left out"
        document = json.loads("".join(pieces(reading)))
        assert faults(document) == []
        assert markdown.render(reading).count("\n") <= 60
        return counts, document, text.explain(reading)

    yield run
    for process in started:
        process.kill()
        process.communicate()


def _begun(job):
    """Let a job that waits for it begin; return its counts."""
    job.stdin.write("\n")
    job.stdin.flush()
    return json.loads(job.stdout.readline())


def _kinds(pools):
    """Return the counts of each kind, by its name without its module, over all pools."""
    seen = {}
    for kind in (kind for pool in pools for kind in pool["tasks"]["kinds"]):
        counts = seen.setdefault(kind["kind"].rpartition(".")[2], Counter())
        counts.update({part: kind[part] for part in ("finished", "failed", "calls")})
    return seen


OFTEN = [
    pytest.param(name, marks=pytest.mark.long if place % 2 else pytest.mark.extra)
    for place, name in enumerate(JOBS)
]
"""Every second job is among the long tests, the others run with `pytest -m extra`."""


@pytest.mark.parametrize("name", OFTEN)
def test_a_stock_job_has_its_exact_counts_and_readable_names(name, explained):
    if name in NEEDS:
        pytest.importorskip(NEEDS[name])
    counts, document, text = explained(name)
    pools = document["pools"]
    for pool in pools:
        assert pool["name"] in PREFIXES or MADE_AT.fullmatch(pool["name"]), pool["name"]
    own, seen = counts["kinds"], _kinds(pools)
    for kind in own:
        if own[kind]["finished"] is None:  # as the library pleased
            own[kind]["finished"] = seen[kind]["finished"]
    assert seen == own
    total = {
        part: sum(pool["tasks"][part] for pool in pools)
        for part in ("finished", "failed", "cancelled", "lost", "queued", "running")
    }
    assert total == {
        "finished": sum(kind["finished"] for kind in own.values()),
        "failed": sum(kind["failed"] for kind in own.values()),
        "cancelled": counts["cancelled"],
        "lost": counts["lost"],
        "queued": 0,
        "running": 0,
    }
    _says_nothing_false(counts, pools, text)
    _knows_the_time(counts["truth"], pools)


def _says_nothing_false(counts, pools, text):
    """Check what would be false of any of these jobs."""
    codes = {finding["code"] for pool in pools for finding in pool["findings"]}
    assert ("lost-worker" in codes) == (counts["lost"] > 0)
    assert not codes & {"long-searches", "cpu-quota", "memory-growth", "park-churn"}
    for pool in pools:
        matrix = pool["hand_overs"]["matrix"]
        outside, handed_in = sum(matrix[0]), sum(map(sum, matrix))
        by_workers = counts["by_workers"].get(pool["name"], 0)  # None: as threads happened to run
        assert by_workers is None or handed_in - outside == by_workers
        for finding in pool["findings"]:
            small = finding["code"] in ("lost-worker", "failing-tasks")  # whatever they cost
            assert finding["worker_seconds"] >= 0.05 or small
        assert pool["core_time_from"] == "kernel" or "run-queue wait" not in _heads(text, pool)
    for text_of_others in ("steal", "sampled, not recorded", " 1 workers", "had: 0.00"):
        assert text_of_others not in text


def _heads(text, pool):
    """Return the heads of one pool's table of kinds, without the one that claims less."""
    rows = text.partition(f"\nPool {pool['name']}: ")[2].partition("\nTasks: ")[2].splitlines()
    assert "finished" in rows[1] or not pool["tasks"]["kinds"]
    return rows[1].replace("blocked or run-queue wait", "")


def _knows_the_time(truth, pools):
    """Check where the time of each kind went, and what blocked workers waited for."""
    for name, (category, waited_for) in truth.items():
        pool, kind = next(
            (pool, kind)
            for pool in pools
            for kind in pool["tasks"]["kinds"]
            if kind["kind"].endswith(f".{name}")
        )
        assert pool["core_time_from"] == "kernel"
        busy = sum(kind[f"{part}_s"] for part in BUSY)
        # With too few samples of blocked workers, on a busy machine, waits are not divided.
        waits = [wait["sort"] for wait in (pool["blocked"] or {"waits": []})["waits"]]
        codes = [finding["code"] for finding in pool["findings"]]
        if category == "busy" and waited_for:  # one at a time, the others wait for the lock
            assert waits[:1] in ([], [waited_for])
            assert "blocked-in-task" not in codes
        elif category == "busy":
            assert busy > kind["blocked_s"]
            assert "interpreter-lock" not in codes
        else:
            assert kind["blocked_s"] > 10 * kind["working_s"]
            assert waits[:1] in ([], [waited_for or waits[0]])
            assert "blocked-in-task" in codes or (waited_for == "lock" and "lock-wait" in codes)
            assert "interpreter-lock" not in codes


LATE = """
import sys
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print("made", flush=True)
    sys.stdin.readline()
    pool.submit(int).result()
    sys.stdin.readline()
"""


def test_a_job_that_has_its_first_task_soon_is_attached_to_and_not_sampled(tmp_path, monkeypatch):
    folder, script = tmp_path / "sockets", tmp_path / "late.py"
    folder.mkdir(mode=0o700)
    script.write_text(LATE)
    monkeypatch.setenv("IDLEHANDS_DIR", str(folder))
    monkeypatch.setattr(targets, "FIRST_TASK_SECONDS", 60.0)
    job = subprocess.Popen(
        [sys.executable, "-m", "idlehands", "run", str(script)],
        env=environment(folder),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    told = []

    def go_on(seconds):
        if not told:  # it is being waited for: only now has it a task
            told.append(job.stdin.write("\n"))
            job.stdin.flush()
        time.sleep(seconds)

    with job:
        try:
            assert job.stdout.readline() == "made\n"
            source = targets.open_live(str(job.pid), Machine(sleep=go_on))
            assert isinstance(source, LiveSource)
            source.close()
        finally:
            job.kill()
