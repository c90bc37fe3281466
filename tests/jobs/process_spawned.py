"""An observatory reads plates in processes that start afresh and load their charts first."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell

charts = {}


def load_charts():
    charts["north"] = 9


def read_plate(plate):
    return plate * charts["north"]


if __name__ == "__main__":
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(2, mp_context=context, initializer=load_charts) as pool:
        plates = list(pool.map(read_plate, range(30)))
        tell(read_plate=kind(len(plates)))
