"""A package that is run by its name and fails: its traceback and status are Python's."""

from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())


def fail():
    raise KeyError("gone")


fail()
