"""A job of three kinds of task, run with more workers than cores, whose tasks measure themselves.

`python kinds_job.py threads|processes WORKERS SECONDS`: prints "ready", waits for a line, runs
tasks for so long, and prints as JSON: the begin and the end on the monotonic clock, and what the
tasks of each kind took: time in all, on a core, waiting for one, and blocked, in seconds.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import sys
import threading
import time
from collections import deque
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

SLEEP_S, COMPUTE_S, MIXED_S = 0.08, 0.03, 0.015


here = threading.local()


def queued_ns():
    """Return what the calling thread has waited for a core so far (scheduler/sched-stats.rst)."""
    if not hasattr(here, "file"):
        here.file = os.open(f"/proc/self/task/{threading.get_native_id()}/schedstat", os.O_RDONLY)
    return int(os.pread(here.file, 100, 0).split()[1])


def measured(kind, work):
    """Read the counter last at either end: behind it comes a wait for the interpreter lock."""
    began, on, queued = time.monotonic_ns(), time.thread_time_ns(), queued_ns()
    work()
    ended, on = time.monotonic_ns(), time.thread_time_ns() - on
    return kind, ended - began, on, queued_ns() - queued


def compute(seconds):
    until = time.thread_time() + seconds
    while time.thread_time() < until:
        hashlib.pbkdf2_hmac("sha256", b"tide", b"harbour", 10_000)  # without the interpreter lock


def sleeping(size):
    return measured("sleeping", lambda: time.sleep(size * SLEEP_S))


def computing(size):
    return measured("computing", lambda: compute(size * COMPUTE_S))


def mixed(size):
    def work():
        compute(size * MIXED_S)
        time.sleep(size * MIXED_S)
        compute(size * MIXED_S)

    return measured("mixed", work)


def run(pool, workers, seconds):
    draw, going, done = random.Random(7), deque(), []
    began = time.monotonic()
    while time.monotonic() < began + seconds:
        while len(going) < 4 * workers:
            kind = draw.choice((sleeping, computing, mixed))
            going.append(pool.submit(kind, draw.uniform(0.5, 1.5)))
        done.append(going.popleft().result())
    return done + [future.result() for future in going]


def say(line):
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main():
    workers, seconds = int(sys.argv[2]), float(sys.argv[3])
    make = ProcessPoolExecutor if sys.argv[1] == "processes" else ThreadPoolExecutor
    with make(workers) as pool:
        list(pool.map(sleeping, [0.2] * 4 * workers))
        say("ready")
        sys.stdin.readline()
        began_ns = time.monotonic_ns()
        done = run(pool, workers, seconds)
        ended_ns = time.monotonic_ns()
        sums = {}
        for kind, *times in done:
            sums[kind] = [a + b / 1e9 for a, b in zip(sums.get(kind, (0, 0, 0)), times)]
        kinds = {
            kind: {"all": all_s, "working": on, "run_queue_wait": queued}
            for kind, (all_s, on, queued) in sums.items()
        }
        for truth in kinds.values():
            truth["blocked"] = truth["all"] - truth["working"] - truth["run_queue_wait"]
        say(json.dumps({"began_ns": began_ns, "ended_ns": ended_ns, "kinds": kinds}))
        sys.stdin.readline()


if __name__ == "__main__":
    main()
