"""What being watched costs a process without a probe: paired runs of a job, watched and not.

The job is a thread pool of two that hashes outside the interpreter lock, so that it wants both
of two cores, and hands its tasks in a few at a time. Its process lives through all runs and says
what CPU and wall time each took; `idlehands watch PID --no-screen` runs beside every other one,
from before it begins until after it ends. Which of a pair comes first turns pair by pair. A
benchmark, never a test.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
from time import sleep

import psutil
from support import Row, arguments, finish, quartiles

BAR = 1.01
SECONDS = 5

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

    def watched(self) -> tuple[float, float, float]:
        """Return the same of a run that is watched, and the watcher's own CPU seconds a second."""
        watcher = subprocess.Popen(
            [sys.executable, "-m", "idlehands", "watch", str(self.process.pid), "--no-screen"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert watcher.stdout is not None
        while "sampled)" not in watcher.stdout.readline():
            if watcher.poll() is not None:
                raise SystemExit("the job could not be watched")
        before = _cpu(watcher.pid)
        cpu, wall = self.run()
        spent = (_cpu(watcher.pid) - before) / wall
        watcher.kill()
        watcher.wait()
        return cpu, wall, spent


def _cpu(pid: int) -> float:
    """Return the CPU seconds of a process and of its children that have ended (the dumps)."""
    times = psutil.Process(pid).cpu_times()
    return times.user + times.system + times.children_user + times.children_system


def main() -> int:
    """Measure the pairs and print the median ratio of each kind of time."""
    options = arguments(__doc__.splitlines()[0], rounds=15, seconds=SECONDS).parse_args()
    pairs = 2 if options.quick else options.rounds
    job = Job(options.seconds / (10 if options.quick else 1))
    cpus, walls, spent, lengths = [], [], [], []
    for number in range(pairs):
        if number % 2:
            watched = job.watched()
            sleep(0.5)
            alone = job.run()
        else:
            alone = job.run()
            watched = job.watched()
        cpus.append(watched[0] / alone[0])
        walls.append(watched[1] / alone[1])
        spent.append(watched[2])
        lengths.append(alone[1])
        sleep(0.5)  # the watcher's end is no part of the next run
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
