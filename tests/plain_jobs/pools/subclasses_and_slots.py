"""Subclasses of executors with properties, slots and __setattr__ of their own."""

import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

log = []


class Watched(ThreadPoolExecutor):
    def __setattr__(self, name, value):
        log.append(name)
        super().__setattr__(name, value)

    def __getattribute__(self, name):
        if name == "_idlehands":
            raise RuntimeError(name)
        return super().__getattribute__(name)


class Limited(ThreadPoolExecutor):
    @property
    def _max_workers(self):
        log.append("asked for workers")
        return 1

    @_max_workers.setter
    def _max_workers(self, value):
        pass


class Empty(ThreadPoolExecutor):
    __slots__ = ("extra",)

    def __bool__(self):
        raise RuntimeError("bool")

    def __len__(self):
        raise RuntimeError("len")

    def __eq__(self, other):
        raise RuntimeError("equal")

    __hash__ = ThreadPoolExecutor.__hash__


class Processes(ProcessPoolExecutor):
    def __setattr__(self, name, value):
        log.append(name)
        super().__setattr__(name, value)


if __name__ == "__main__":
    for kind in (Watched, Limited, Empty, Processes):
        with kind(2) as pool:
            print(kind.__name__, [pool.submit(abs, -n).result(10) for n in range(4)])
        print(sorted(set(log)))
        log.clear()
    time.sleep(0.01)
