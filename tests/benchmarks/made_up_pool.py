"""A process to watch: a made-up work-stealing pool whose workers never stop changing state.

Each worker is a thread of its own, as in a real pool, because the dashboard reads the kernel's
counters of each thread. Prints its number of workers once every one is bound, and ends when stdin
closes.
"""

from __future__ import annotations

import random
import sys
import threading
import time
from time import monotonic_ns

import idlehands

STEP_SECONDS = 0.02
KINDS = ("divide", "solve", "join", "write")


class Driven:
    """One worker's made-up life: each step ends what it was in and begins something else."""

    def __init__(self, probe: idlehands.PoolProbe, index: int) -> None:
        self.random = random.Random(index)
        self.worker = probe.worker(index)
        self.others = [other for other in range(probe.workers) if other != index]
        self.state = "between"

    def step(self) -> None:
        """Do one thing more, where that is possible from the present state."""
        if self.random.random() < 0.3:
            return
        worker = self.worker
        if self.state == "task":
            worker.finished()
        elif self.state == "parked":
            worker.unparked(self.random.choice(self.others), monotonic_ns())
        self.state = self.random.choice(("task", "task", "task", "searching", "parked", "between"))
        if self.state == "task":
            self._task()
        elif self.state == "searching":
            worker.searching()
            for victim in self.random.sample(self.others, 4):
                worker.missed(victim)
        elif self.state == "parked":
            worker.parked()

    def _task(self) -> None:
        worker = self.worker
        token = worker.spawned(self.random.choice(KINDS))
        if self.random.random() < 0.3:
            victim = self.random.choice(self.others)
            worker.stolen(victim)
            worker.running(token, victim)
        else:
            worker.running(token)


def drive(driven: Driven, bound: threading.Barrier) -> None:
    """Bind and then drive a worker for ever."""
    driven.worker.bind()
    bound.wait()
    while True:
        driven.step()
        time.sleep(STEP_SECONDS)


def main() -> None:
    """Run until stdin closes."""
    workers = int(sys.argv[1])
    probe = idlehands.declare_pool("made-up", workers)
    depths = random.Random(0)
    probe.expose_depths(lambda: (3, [depths.randrange(20) for _ in range(workers)]))
    all_driven = [Driven(probe, index) for index in range(workers)]
    bound = threading.Barrier(workers + 1)
    for driven in all_driven:
        threading.Thread(target=drive, args=(driven, bound), daemon=True).start()
    bound.wait()
    print(probe.workers, flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main()
