"""A worker of multiprocessing.Pool is killed inside a task: another takes its place."""

import multiprocessing
import os
import signal
import time


def die():
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    context = multiprocessing.get_context("fork")
    pool = context.Pool(2)
    print(pool.map(abs, range(-3, 0)))
    before = {worker.pid for worker in pool._pool}
    pool.apply_async(die)
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        if len({worker.pid for worker in pool._pool} - before) == 1:
            break
        time.sleep(0.01)
    print(len(pool._pool), pool.map(abs, range(-3, 0)))
    pool.terminate()
    pool.join()
