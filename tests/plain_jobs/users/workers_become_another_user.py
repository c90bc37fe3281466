"""Every worker process becomes another user in its initializer."""

# /// job
# root = true
# ///
import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

UNPRIVILEGED = 54_324


def become():
    os.setuid(UNPRIVILEGED)


def work(number):
    return number, os.getuid()


if __name__ == "__main__":
    context = get_context("fork")
    with context.Pool(2, initializer=become, maxtasksperchild=2) as pool:
        # Printed when no process is started any more: a fork in the middle of it could hang anyway.
        first = pool.map(work, range(6), chunksize=1)
        pool.close()
        pool.join()
    print(first, flush=True)
    with ProcessPoolExecutor(2, mp_context=context, initializer=become) as pool:
        print(list(pool.map(work, range(4))))
