"""Reference counts of arguments, functions and results are what they are without a probe."""

import sys
from concurrent.futures import ThreadPoolExecutor, wait


def work(thing):
    return None


def outer():
    def inner(thing):
        return thing

    return inner


thing, inner = object(), outer()
before = sys.getrefcount(thing), sys.getrefcount(inner), sys.getrefcount(work)
with ThreadPoolExecutor(1) as pool:
    wait([pool.submit(work, thing) for _ in range(20)])
    wait([pool.submit(inner, thing) for _ in range(20)])
    pool.submit(abs, -1).result()
    after = sys.getrefcount(thing), sys.getrefcount(inner)
print([count - start for count, start in zip(after, before)])
