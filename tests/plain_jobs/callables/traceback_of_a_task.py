"""The traceback of a failing task, as the task's future keeps it, from thread and process pools."""

import traceback
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing.pool import Pool, ThreadPool
from warnings import simplefilter

simplefilter("ignore")


def fail(number):
    return 1 / number


def inner(number):
    try:
        fail(number)
    except ZeroDivisionError as error:
        raise ValueError("outer") from error


def show(error):
    print("".join(traceback.format_exception(type(error), error, error.__traceback__)))


if __name__ == "__main__":
    for executor in (ThreadPoolExecutor, ProcessPoolExecutor):
        with executor(1) as pool:
            show(pool.submit(fail, 0).exception())
            show(pool.submit(inner, 0).exception())
    for kind in (ThreadPool, Pool):
        with kind(1) as pool:
            for method in (pool.map_async, pool.starmap_async):
                failed = []
                method(fail, [(0,)], error_callback=failed.append).wait()
                show(failed[0])
