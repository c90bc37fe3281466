"""Glass is blown in two worker processes.

The fault: one process is killed from outside in the middle of a task, and the executor is broken.
The job keeps its queue until somebody comes.
"""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from own_measure import LOOPS_A_MS, compute, lengths, report, scaled, seconds_since, settings


def blow_glass(loops: int) -> None:
    compute(abs(loops))
    if loops < 0:
        os.kill(os.getpid(), signal.SIGKILL)


def main() -> None:
    given = settings(glasses=400, mean_ms=30.0, killed_at=250, seconds=9.0, seed=21)
    number = scaled(given.glasses, given.scale)
    loops = [round(LOOPS_A_MS * ms) for ms in lengths(number, given.mean_ms, given.seed)]
    killed = min(number - 1, scaled(given.killed_at, given.scale))
    loops[killed] = -loops[killed]
    began = time.monotonic()
    with ProcessPoolExecutor(max_workers=2) as pool:
        blown = [pool.submit(blow_glass, glass) for glass in loops]
        broken = 0
        for future in blown:
            try:
                future.result()
            except BrokenProcessPool:
                broken += 1
        time.sleep(max(0.0, given.seconds * given.scale - seconds_since(began)))
    assert broken
    report("seconds", seconds_since(began))


if __name__ == "__main__":
    main()
