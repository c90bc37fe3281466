"""Pools inside of tasks of pools: threads in threads, processes in threads, threads in
processes.
"""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import ThreadPool
from warnings import simplefilter

simplefilter("ignore")


def threads(number):
    with ThreadPoolExecutor(2) as pool:
        return sum(pool.map(abs, range(-number, 0)))


def processes(number):
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(threads, number).result()


if __name__ == "__main__":
    with ThreadPoolExecutor(2) as pool:
        print(list(pool.map(threads, range(4))))
    with ProcessPoolExecutor(2) as pool:
        print(list(pool.map(threads, range(4))))
    with ThreadPool(2) as pool:
        print(pool.map(processes, range(2)))
    with ProcessPoolExecutor(1) as pool:
        print(pool.submit(processes, 3).result())
