"""A brewery tests barrels one by one; a leaking one ends the whole map, which is caught."""

import multiprocessing

from ending import kind, tell


class Leaking(Exception):
    pass


def test_barrel(barrel):
    if barrel == 13:
        raise Leaking(barrel)
    return barrel


if __name__ == "__main__":
    pool = multiprocessing.Pool(2)
    try:
        pool.map(test_barrel, range(30), chunksize=1)
        leaking = 0
    except Leaking:
        leaking = 1
    pool.close()
    pool.join()
    tell(test_barrel=kind(30, leaking))
