"""A program recurses and submits at every level until it gets a RecursionError: no task is lost."""

import sys
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(1)
futures = []
pool.submit(abs, -1).result()


def submit_at(depth):
    futures.append(pool.submit(abs, -1))
    return submit_at(depth + 1)


sys.setrecursionlimit(200)
try:
    submit_at(0)
except RecursionError as error:
    print(type(error).__name__)
sys.setrecursionlimit(1000)
print({future.result(5) for future in futures})
print(pool.submit(abs, -2).result(5))
pool.shutdown()
