"""A program that starts as root and goes on as another user, its worker processes too."""

# /// job
# root = true
# ///
import os
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from warnings import simplefilter

simplefilter("ignore")
UNPRIVILEGED = 54_323


def work(number):
    return number, os.getuid()


if __name__ == "__main__":
    with ThreadPoolExecutor(1) as threads:
        print(threads.submit(work, 1).result())
        with ProcessPoolExecutor(2, mp_context=get_context("fork")) as pool:
            print(pool.submit(work, 1).result())
        os.setgid(UNPRIVILEGED)
        os.setuid(UNPRIVILEGED)
        print(threads.submit(work, 2).result())
        with get_context("fork").Pool(2) as pool:
            print(pool.map(work, range(4)))
        with ProcessPoolExecutor(2, mp_context=get_context("fork")) as pool:
            print(list(pool.map(work, range(4))))
