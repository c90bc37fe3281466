"""A parent with one thread of its own forks 800 times between two uses of a pool made at one
place.
"""

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
sys.setrecursionlimit(200)


def use(number):
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(abs, number).result()


print(use(-1))
statuses = set()
for _ in range(800):
    child = os.fork()
    if child == 0:
        os._exit(0)
    statuses.add(os.waitpid(child, 0)[1])
print(statuses, use(-2))
