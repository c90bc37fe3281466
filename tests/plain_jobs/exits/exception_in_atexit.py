"""Functions at exit raise, submit to a closed pool, and use a pool that is open."""

import atexit
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
print(pool.submit(abs, -1).result())


def submit():
    try:
        print(pool.submit(abs, -2).result())
    except RuntimeError as error:
        print(error)


@atexit.register
def fail():
    raise ValueError("at exit")


atexit.register(submit)
atexit.register(print, "first")
