"""Jobs that each spend their workers' time in one way, for tests and for the table in the docs.

sleep     tasks that sleep
python    tasks that compute in Python, under the interpreter lock
compiled  tasks that compute in compiled code that gives the lock back, one a core
crowded   the same with four times as many workers
quota     as compiled, in a control group with less CPU time than it could use
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

from control_groups import control_group

SCRIPT = """
import hashlib, sys, time
from collections import deque
from concurrent.futures import ThreadPoolExecutor

def sleep():
    time.sleep(0.05)

def count():
    until = time.thread_time() + 0.02
    while time.thread_time() < until:
        sum(range(1000))

def derive():
    hashlib.pbkdf2_hmac("sha256", b"tide", b"harbour", 20_000)

task, workers, end = globals()[sys.argv[1]], int(sys.argv[2]), None
with ThreadPoolExecutor(workers) as pool:
    pool.submit(task).result()
    print("ready", flush=True)
    going = deque(pool.submit(task) for _ in range(3 * workers))
    stop = []
    import threading
    threading.Thread(target=lambda: stop.append(sys.stdin.readline()), daemon=True).start()
    while not stop:
        going.popleft().result()
        going.append(pool.submit(task))
"""
QUOTA_CORES = 0.5


class PureJob(NamedTuple):
    """A job by its name: which task, how many workers, whether under a quota."""

    name: str
    task: str
    workers: int
    quota: bool = False


CORES = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 2
JOBS = (
    PureJob("sleep", "sleep", 4),
    PureJob("python", "count", 4),
    PureJob("compiled", "derive", CORES),
    PureJob("crowded", "derive", 4 * CORES),
    PureJob("quota", "derive", CORES, quota=True),
)


def explained(job: PureJob, folder: Path, environment: dict[str, str], seconds: float) -> Any:
    """Run a job, watch it for so long, and return what `explain --json` says of it.

    Raises OSError where it should run under a quota and no control group can be made.
    """
    script = folder / f"{job.name}.py"
    script.write_text(SCRIPT)
    command = [sys.executable, "-m", "idlehands", "run", str(script), job.task, str(job.workers)]
    group = control_group(QUOTA_CORES) if job.quota else contextlib.nullcontext()
    with group as procs:
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            text=True,
        )
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdout.readline()
            if procs is not None:
                procs.write_text(str(process.pid))
            explain = ["explain", str(process.pid), "--json", "--no-gains", "--for", f"{seconds}s"]
            done = subprocess.run(
                [sys.executable, "-m", "idlehands", *explain],
                env=environment,
                check=True,
                stdout=subprocess.PIPE,
                text=True,
            )
            process.stdin.write("stop\n")
            process.stdin.close()
            process.wait(60)
        finally:
            process.kill()
            process.wait()
            process.stdout.close()
    return json.loads(done.stdout)
