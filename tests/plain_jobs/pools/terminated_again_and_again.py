"""Pools of multiprocessing are terminated with tasks at work and queued, again and again."""

# /// job
# since = "3.11"
# ///

import multiprocessing
import time
from warnings import simplefilter

simplefilter("ignore")
if __name__ == "__main__":
    context = multiprocessing.get_context("fork")
    for number in range(15):
        pool = context.Pool(2)
        pool.map_async(time.sleep, [0.001] * 100, chunksize=1)
        time.sleep(0.003 * (number % 4))
        pool.terminate()
        pool.join()
    print("all terminated", multiprocessing.active_children())
