"""What being watched costs a process without a probe: paired runs of a job, watched and not.

The job is a thread pool of two that hashes outside the interpreter lock, so that it wants both of
two cores, and hands its tasks in a few at a time. Its process lives through all runs and reports
the CPU and wall time of each; `idlehands watch PID --no-screen` runs during every other run, from
before its begin until after its end. The order within a pair changes from pair to pair. A
benchmark, never a test.
"""

from __future__ import annotations

import os
import signal
import statistics
import subprocess
import sys
import threading

import psutil
from support import Row, arguments, finish, quartiles

BAR = 1.01
SECONDS = 2

JOB = """
import hashlib, sys, time
from concurrent.futures import ThreadPoolExecutor, wait

def task():
    hashlib.pbkdf2_hmac("sha256", b"salt", b"word", 1000)

def run(pool, tasks):
    for _ in range(tasks // 16):
        wait([pool.submit(task) for _ in range(16)])

seconds = float(sys.argv[1])
with ThreadPoolExecutor(2) as pool:
    tasks = 160
    while True:
        began = time.perf_counter()
        run(pool, tasks)
        took = time.perf_counter() - began
        if took > 1:
            break
        tasks *= 2
    tasks = int(tasks * seconds / took)
    print("ready", flush=True)
    while sys.stdin.readline():
        wall, cpu = time.perf_counter(), time.process_time()
        run(pool, tasks)
        print(time.process_time() - cpu, time.perf_counter() - wall, flush=True)
"""


class Job:
    """The job's process, which runs the same tasks each time it is told to."""

    def __init__(self, seconds: float) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", JOB, str(seconds)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._line()

    def _line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def run(self) -> tuple[float, float]:
        """Return the seconds of (CPU, wall) of one run."""
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()
        cpu, wall = map(float, self._line().split())
        return cpu, wall


class Watcher:
    """`idlehands watch` on a process, stopped except while it is told to watch."""

    def __init__(self, pid: int) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "watch", str(pid), "--no-screen"],
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        assert self.process.stdout is not None
        while "sampled)" not in self.process.stdout.readline():
            if self.process.poll() is not None:
                raise SystemExit("the job could not be watched")
        threading.Thread(target=self.process.stdout.read, daemon=True).start()
        self.set_running(False)

    def set_running(self, runs: bool) -> None:
        """Let it and its dumps run, or stop them."""
        os.killpg(self.process.pid, signal.SIGCONT if runs else signal.SIGSTOP)

    def cpu_seconds(self) -> float:
        """Return the CPU seconds of it and of the dumps that have ended."""
        times = psutil.Process(self.process.pid).cpu_times()
        return times.user + times.system + times.children_user + times.children_system

    def close(self) -> None:
        """End it."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


def main() -> int:
    """Measure the pairs and print the median ratio of each kind of time."""
    options = arguments(__doc__.splitlines()[0], rounds=60, seconds=SECONDS).parse_args()
    pairs = 2 if options.quick else options.rounds
    job = Job(options.seconds / (10 if options.quick else 1))
    watcher = Watcher(job.process.pid)
    cpus, walls, spent, lengths = [], [], [], []
    for number in range(pairs):
        runs = {}
        for watched in (True, False) if number % 2 else (False, True):
            watcher.set_running(watched)
            before = watcher.cpu_seconds()
            runs[watched] = job.run()
            if watched:
                spent.append((watcher.cpu_seconds() - before) / runs[True][1])
        cpus.append(runs[True][0] / runs[False][0])
        walls.append(runs[True][1] / runs[False][1])
        lengths.append(runs[False][1])
    watcher.close()
    job.process.kill()
    job.process.wait()
    rows = []
    for name, ratios in (("CPU", cpus), ("wall", walls)):
        low, middle, high = quartiles(ratios)
        measured = f"median of {pairs} pairs, quartiles {low:.3f} to {high:.3f}"
        rows.append(Row(f"{name} time of a job without a probe, watched", measured, middle, BAR))
    notes = [
        f"a run takes {statistics.median(lengths):.1f} s unwatched; the watcher and its dumps "
        f"take {statistics.median(spent):.1%} of a core"
    ]
    return finish(options, rows, notes)


if __name__ == "__main__":
    sys.exit(main())
