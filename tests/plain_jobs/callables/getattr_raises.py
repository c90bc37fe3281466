"""Tasks whose attributes raise when they are asked for, other than AttributeError."""

from concurrent.futures import ThreadPoolExecutor
from multiprocessing.pool import ThreadPool


class Touchy:
    def __getattr__(self, name):
        raise RuntimeError(f"asked for {name}")

    def __call__(self, number):
        return number + 1


class TouchyAll(Touchy):
    def __getattribute__(self, name):
        raise RuntimeError(f"asked for {name}")


with ThreadPoolExecutor(2) as pool:
    print([pool.submit(Touchy(), n).result(5) for n in range(3)])
    print([pool.submit(TouchyAll(), n).result(5) for n in range(3)])
with ThreadPool(2) as pool:
    print(pool.map(Touchy(), range(5)), pool.apply(TouchyAll(), (1,)))
    print(list(pool.imap(Touchy(), range(5))))
