"""A module of a package is run by its name, with worker processes of every start method."""

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context


def work(number):
    return number * 3


if __name__ == "__main__":
    print(__name__, __package__, __spec__.name, os.path.basename(sys.argv[0]))
    for method in ("fork", "spawn", "forkserver"):
        with ProcessPoolExecutor(1, mp_context=get_context(method)) as pool:
            print(list(pool.map(work, range(3))), flush=True)
