"""A weather station polls its gauges from a pool of threads."""

import time
from multiprocessing.pool import ThreadPool

from ending import kind, tell


def poll(gauge):
    time.sleep(0.002)
    return gauge


if __name__ == "__main__":
    with ThreadPool(4) as pool:
        polled = pool.map(poll, range(48), chunksize=1)
        tell(poll=kind(len(polled)))
