"""Tasks are submitted from deep inside a recursion, and recurse to the limit themselves."""

import sys
from concurrent.futures import ThreadPoolExecutor

sys.setrecursionlimit(400)


def deep(depth):
    return 0 if depth == 0 else 1 + deep(depth - 1)


def submit_at(depth):
    if depth:
        return submit_at(depth - 1)
    return pool.submit(deep, 100).result()


with ThreadPoolExecutor(2) as pool:
    print(pool.submit(deep, 300).result())
    print(type(pool.submit(deep, 1000).exception()).__name__)
    print(submit_at(300))
    print(pool.submit(deep, 300).result())
