"""The first task forks, and the child uses a pool of its own."""

# /// job
# rounds = ["1", "2", "3", "4", "5"]
# ///
import os
from concurrent.futures import ThreadPoolExecutor
from warnings import simplefilter

simplefilter("ignore")


def fork():
    child = os.fork()
    if child == 0:
        with ThreadPoolExecutor(2) as own:
            os._exit(sum(own.map(abs, range(-3, 3))))
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


with ThreadPoolExecutor(2) as pool:
    print([future.result() for future in [pool.submit(fork) for _ in range(4)]])
