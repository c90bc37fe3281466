"""A program makes pool after pool: it has as many descriptors after fifty as after two."""

import gc
import os
import time
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.pool import ThreadPool


def count():
    gc.collect()
    return len(os.listdir("/proc/self/fd"))


def rounds(number):
    for _ in range(number):
        with ThreadPoolExecutor(2) as pool:
            pool.submit(abs, -1).result()
        with ThreadPool(2) as pool:
            pool.map(abs, range(3))


rounds(2)
time.sleep(0.2)
before = count()
rounds(50)
print(count() - before)
