"""Eight worker threads fork at the same time, again and again; every child runs a task of its
own.
"""

import os
import threading
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")
barrier = threading.Barrier(8)


def work(number):
    barrier.wait()
    child = os.fork()
    if child == 0:
        os._exit(number)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


with ThreadPoolExecutor(8) as pool:
    for _ in range(10):
        assert sorted(pool.map(work, range(8))) == list(range(8))
print("all came back")
