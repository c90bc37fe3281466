"""A worker process is killed inside a task: the pool is broken, and says so in the usual words."""

import os
import signal
import time
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool


def die(number):
    time.sleep(0.3)  # until all tasks are handed in
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    pool = ProcessPoolExecutor(2)
    print(pool.submit(abs, -1).result())
    futures = [pool.submit(die, 1)] + [pool.submit(time.sleep, 0.01) for _ in range(5)]
    print([type(future.exception()).__name__ for future in futures][0])
    try:
        pool.submit(abs, -1)
    except BrokenProcessPool as error:
        print(error)
