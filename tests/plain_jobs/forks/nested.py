"""Children fork children of their own, each with a pool before and after."""

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")


def level(depth):
    with ThreadPoolExecutor(1) as pool:
        value = pool.submit(abs, -depth).result()
    if depth == 5:
        return value
    child = os.fork()
    if child == 0:
        os._exit(level(depth + 1))
    value += os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(abs, -value).result()


print(level(1))
sys.stdout.flush()
