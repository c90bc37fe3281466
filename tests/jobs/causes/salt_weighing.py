"""Salt is weighed by a `multiprocessing.Pool` of three.

The fault: a worker process is killed in the middle of a task. The pool starts another, but the
task is lost, and the job waits for its result until its own limit of time.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time

from own_measure import compute, lengths, report, scaled, seconds_since, settings


def weigh_salt(wait_s: float) -> float:
    time.sleep(abs(wait_s))
    compute(3000)
    if wait_s < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return wait_s


def main() -> None:
    given = settings(sacks=300, mean_ms=50.0, killed_at=100, seconds=9.0, seed=22)
    number = scaled(given.sacks, given.scale)
    waits = lengths(number, given.mean_ms / 1e3, given.seed)
    killed = min(number - 1, scaled(given.killed_at, given.scale))
    waits[killed] = -waits[killed]
    began = time.monotonic()
    with multiprocessing.Pool(3) as pool:
        weighed = [pool.apply_async(weigh_salt, (wait_s,)) for wait_s in waits]
        missing = 0
        for result in weighed:
            left_s = max(0.0, given.seconds * given.scale - seconds_since(began))
            try:
                result.get(timeout=left_s)
            except multiprocessing.TimeoutError:
                missing += 1
    assert missing
    report("seconds", seconds_since(began))


if __name__ == "__main__":
    main()
