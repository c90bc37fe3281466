"""A package that is run by its name: its main module's names, arguments and imports."""

# /// job
# arguments = ["one", "-x"]
# ///
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from . import part


def work(number):
    return number + part.offset


if __name__ == "__main__":
    print(__name__, __package__, __spec__.name, os.path.basename(__file__), sys.argv[1:])
    print(os.path.relpath(sys.argv[0]), sys.path[0] == os.getcwd(), sorted(globals()))
    with ProcessPoolExecutor(1, mp_context=get_context("fork")) as pool:
        print(list(pool.map(work, range(3))))
