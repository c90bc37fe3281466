"""A program makes process pool after process pool: its descriptors do not become more."""

import gc
import os
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import Pool
from warnings import simplefilter

simplefilter("ignore")


def count():
    gc.collect()
    return len(os.listdir("/proc/self/fd"))


def rounds(number):
    for _ in range(number):
        with ProcessPoolExecutor(1) as pool:
            pool.submit(abs, -1).result()
        with Pool(1) as pool:
            pool.map(abs, range(3))
            pool.close()
            pool.join()


if __name__ == "__main__":
    rounds(2)
    time.sleep(0.2)
    before = count()
    rounds(12)
    # A few may be kept for pools that have just closed, whatever the number of rounds.
    print(count() - before < 6)
