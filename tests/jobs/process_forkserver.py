"""A dye house tries recipes, each in a process from a server of forks."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell


def dye(recipe):
    return recipe * recipe


if __name__ == "__main__":
    context = multiprocessing.get_context("forkserver")
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        dyed = [future.result() for future in [pool.submit(dye, n) for n in range(24)]]
        tell(dye=kind(len(dyed)))
