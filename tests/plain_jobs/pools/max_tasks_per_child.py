"""Worker processes are replaced after some tasks each (Python 3.11)."""

# /// job
# since = "3.11"
# ///
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor


def work(number):
    return os.getpid()


if __name__ == "__main__":
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=context, max_tasks_per_child=2) as pool:
        pids = [pool.submit(work, number).result() for number in range(6)]
    print(len(set(pids)))
