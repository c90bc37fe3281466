"""A task whose unpickling raises in the worker process."""

from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context


class RaisesInWorker:
    def __reduce__(self):
        return explode, ()


def explode():
    raise ValueError("unpickled")


if __name__ == "__main__":
    with ProcessPoolExecutor(1, mp_context=get_context("fork")) as pool:
        error = pool.submit(abs, RaisesInWorker()).exception()
        print(isinstance(error, BrokenProcessPool), error)
