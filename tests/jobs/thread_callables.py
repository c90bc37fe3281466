"""A clock repair shop hands in bound methods, a partial and a callable object."""

import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from ending import kind, tell


class Clock:
    def oil(self):
        time.sleep(0.001)

    @staticmethod
    def wind(turns):
        time.sleep(0.001)


class Polisher:
    def __call__(self, part):
        time.sleep(0.001)


if __name__ == "__main__":
    with ThreadPoolExecutor(2) as pool:
        oiled = [pool.submit(Clock().oil) for _ in range(20)]
        wound = [pool.submit(partial(Clock.wind, 3)) for _ in range(25)]
        polished = [pool.submit(Polisher(), part) for part in range(15)]
        for future in (*oiled, *wound, *polished):
            future.result()
        tell(oil=kind(20), wind=kind(25), Polisher=kind(15))
