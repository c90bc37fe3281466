"""A result whose unpickling raises breaks the pool, as it does without a probe."""

from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool


class RaisesOnLoad:
    def __reduce__(self):
        return explode, ()


def explode():
    raise ValueError("unpickled")


if __name__ == "__main__":
    pool = ProcessPoolExecutor(1)
    print(pool.submit(abs, -4).result())
    error = pool.submit(RaisesOnLoad).exception()
    print(type(error).__name__, error)
    print(error.__cause__)
    try:
        pool.submit(abs, -4)
    except BrokenProcessPool as broken:
        print(broken)
