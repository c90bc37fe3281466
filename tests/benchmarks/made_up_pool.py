"""A process to watch: a made-up work-stealing pool whose workers never stop changing state.

Several workers are driven by one thread, each always by the same one, which is all that the
probe asks for; so a pool of 256 needs no 256 threads and leaves the other core to what is
measured. Prints its process id once every worker is bound, and ends when stdin closes.
"""

from __future__ import annotations

import random
import sys
import threading
import time
from time import monotonic_ns

import idlehands

WORKERS_PER_THREAD = 32
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


def drive(driven: list[Driven], bound: threading.Barrier) -> None:
    """Bind and then drive some workers for ever."""
    for one in driven:
        one.worker.bind()
    bound.wait()
    while True:
        for one in driven:
            one.step()
        time.sleep(STEP_SECONDS)


def main() -> None:
    """Run until stdin closes."""
    workers = int(sys.argv[1])
    probe = idlehands.declare_pool("made-up", workers)
    depths = random.Random(0)
    probe.expose_depths(lambda: (3, [depths.randrange(20) for _ in range(workers)]))
    all_driven = [Driven(probe, index) for index in range(workers)]
    groups = [
        all_driven[start : start + WORKERS_PER_THREAD]
        for start in range(0, workers, WORKERS_PER_THREAD)
    ]
    bound = threading.Barrier(len(groups) + 1)
    for group in groups:
        threading.Thread(target=drive, args=(group, bound), daemon=True).start()
    bound.wait()
    print(probe.workers, flush=True)
    sys.stdin.read()


if __name__ == "__main__":
    main()
