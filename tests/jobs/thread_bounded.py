"""A ferry line books crossings; no more than eight are under way at any time."""

import itertools
import time
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait

from ending import kind, tell


def cross(number):
    time.sleep(0.001 * (number % 3))
    return number


if __name__ == "__main__":
    crossings = iter(range(90))
    arrived = 0
    with ThreadPoolExecutor(3, thread_name_prefix="ferry line") as pool:
        under_way = {pool.submit(cross, number) for number in itertools.islice(crossings, 8)}
        while under_way:
            done, under_way = wait(under_way, return_when=FIRST_COMPLETED)
            arrived += len(done)
            for number in itertools.islice(crossings, len(done)):
                under_way.add(pool.submit(cross, number))
        tell(cross=kind(arrived))
