"""An exception that nothing catches ends the program, with its own traceback and status."""

from concurrent.futures import ThreadPoolExecutor


def fail():
    raise LookupError("not there")


def deep(depth):
    if depth:
        deep(depth - 1)
    pool.submit(fail).result(5)


pool = ThreadPoolExecutor(1)
try:
    pool.submit(abs, -1).result()
    raise KeyError("first")
except KeyError as error:
    raise RuntimeError("second\nline") from error
