"""A harbour weighs cargo with the threads of multiprocessing.dummy."""

import time
from multiprocessing.dummy import Pool

from ending import kind, tell


def weigh(crate):
    time.sleep(0.001)
    return crate


def seal(crate, colour):
    return crate, colour


if __name__ == "__main__":
    with Pool(3) as pool:
        weighed = pool.map(weigh, range(30), chunksize=3)
        sealed = [pool.apply(seal, (crate, "blue")) for crate in range(5)]
        tell(weigh=kind(10, calls=len(weighed)), seal=kind(len(sealed)))
