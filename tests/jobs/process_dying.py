"""A mine: one shaft collapses, its crew is sent down again by a new pool."""

import os
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from ending import kind, tell


def dig(shaft):
    if shaft == "rotten":
        os._exit(7)
    return shaft


def dig_with(shafts):
    with ProcessPoolExecutor(1) as pool:
        dug = 0
        for shaft in shafts:
            try:
                pool.submit(dig, shaft).result()
                dug += 1
            except BrokenProcessPool:
                return dug, 1
        return dug, 0


if __name__ == "__main__":
    first, lost = dig_with(["coal", "salt", "clay", "rotten"])
    second, none = dig_with(["iron", "tin"])
    tell(lost=lost + none, dig=kind(first + second))
