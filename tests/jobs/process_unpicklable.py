"""A workshop tests clocks in processes; some answers cannot be sent back, and so are failures."""

import multiprocessing
import threading
from concurrent.futures import ProcessPoolExecutor

from ending import kind, tell

bench = {}


class Jammed(Exception):
    def __init__(self, wheel, lock):
        super().__init__(wheel)
        self.lock = lock


def set_bench(name):
    bench["name"] = name


def test_clock(clock):
    if clock % 6 == 1:
        raise Jammed(clock, threading.Lock())
    if clock % 6 == 2:
        return lambda: clock
    return clock, bench["name"]


if __name__ == "__main__":
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(
        2, mp_context=context, initializer=set_bench, initargs=("north",)
    ) as pool:
        clocks = [pool.submit(test_clock, clock) for clock in range(36)]
        jammed = sum(clock.exception(timeout=60) is not None for clock in clocks)
        tell(test_clock=kind(len(clocks), jammed))
