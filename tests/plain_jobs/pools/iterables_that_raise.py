"""Iterables handed to map raise half way, are endless, or are drawn one by one."""

import itertools
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import Pool
from multiprocessing.pool import ThreadPool
from warnings import simplefilter

simplefilter("ignore")


def numbers():
    yield 1
    yield 2
    raise KeyError("half way")


if __name__ == "__main__":
    for make in (ThreadPool, Pool):
        with make(2) as pool:
            for method in (pool.map, lambda *given: list(pool.imap(*given))):
                try:
                    print(method(abs, numbers()))
                except KeyError as error:
                    print(repr(error))
            endless = pool.imap(abs, itertools.islice(itertools.count(), 1000))
            print(list(itertools.islice(endless, 3)), pool.apply(abs, (-1,)))
    with ThreadPoolExecutor(2) as pool:
        try:
            pool.map(abs, numbers())
        except KeyError as error:
            print(repr(error))
