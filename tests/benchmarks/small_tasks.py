"""Rows 6 and 7 of the probe's cost: tasks that do next to nothing, in a pool and in a queue.

They have no bar: they show what a job of such tasks loses at each step of detail.
"""

from __future__ import annotations

import contextlib
import queue
import statistics
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.thread import _WorkItem
from time import perf_counter_ns, process_time_ns, thread_time_ns
from typing import Any, Callable

from pool_hooks import Variant, patched, plain, plain_run, probe, probed_run, run_items
from support import Row, interleaved, median_over, quartiles

import idlehands
from idlehands._detail import THINNING_FACTOR
from idlehands._governor import Governor

STEPS = {
    0: "all recorded",
    1: "no CPU times",
    2: f"one in {THINNING_FACTOR} recorded",
    3: "only counted",
}
WORKERS = 2
IN_FLIGHT = 64


@contextlib.contextmanager
def _detail_stays() -> Iterator[None]:
    """Have no detail given up or taken back for the block."""
    turn = Governor._turn
    Governor._turn = lambda *_: None  # type: ignore[method-assign]
    try:
        yield
    finally:
        Governor._turn = turn  # type: ignore[method-assign]


def nothing() -> None:
    """Be a task of a queue."""


class TinyJob:
    """A real pool that runs `abs`, once as it is and once probed, both living through all runs."""

    def __init__(self) -> None:
        self.pools = {on: ThreadPoolExecutor(WORKERS) for on in (True, False)}
        for pool in self.pools.values():
            pool.submit(abs, 1).result()
        queues: Any = {on: pool._work_queue for on, pool in self.pools.items()}
        self.record = queues[True].reporter.pool
        queues[False].reporter.leave()  # the pool's own `put` again
        self.run = probed_run

    def turn_to(self, step: int) -> None:
        """Give up detail up to a step."""
        self.record.turn_to(step)
        if step > 1:
            self.run = _WorkItem.run  # as the probe has put it in place by now

    def spend(self, on: bool, tasks: int) -> tuple[int, int]:
        """Run so many tasks; return (wall, process CPU) nanoseconds."""
        submit = self.pools[on].submit
        with patched(Variant(None, self.run if on else plain_run)):
            cpu, wall = process_time_ns(), perf_counter_ns()
            for _ in range(tasks // IN_FLIGHT):
                for future in [submit(abs, 1) for _ in range(IN_FLIGHT)]:
                    future.result()
            return perf_counter_ns() - wall, process_time_ns() - cpu


def tiny_rows(rounds: int, count: int) -> tuple[list[Row], list[str]]:
    """Row 6: what a pool of `abs` loses at each step of detail, nobody attached."""
    notes = []
    bare, probed = plain(), probe()
    record: Any = probed.queue.reporter.pool  # type: ignore[attr-defined]
    with _detail_stays():
        job = TinyJob()
        for step, words in STEPS.items():
            record.turn_to(step)
            job.turn_to(step)
            run = probed_run if step < 2 else _WorkItem.run
            calls: dict[str, Callable[[], float]] = {
                "plain": lambda: _per_item(bare, count),
                "probe": lambda run=run: _per_item(Variant(probed.queue, run), count),  # type: ignore[misc]
            }
            found = interleaved(calls, rounds)
            added = median_over(found["probe"], found["plain"])
            ratios = []
            for number in range(rounds):
                order = (False, True) if number % 2 else (True, False)
                spent = {on: job.spend(on, count) for on in order}
                ratios.append([spent[True][place] / spent[False][place] for place in (0, 1)])
            wall, cpu = (quartiles([ratio[place] for ratio in ratios]) for place in (0, 1))
            notes.append(
                f"row 6, {words}: {added:.0f} ns added to {statistics.median(found['plain']):.0f} "
                f"of an item; a pool of {WORKERS} takes {cpu[1]:.3f} times the CPU (quartiles "
                f"{cpu[0]:.3f} to {cpu[2]:.3f}), {wall[1]:.3f} times the wall time"
            )
    return [], notes


def _per_item(variant: Variant, count: int) -> float:
    with patched(variant):
        began = process_time_ns()
        run_items(variant, count, nothing)
        return (process_time_ns() - began) / count


def _through(tasks: Any, count: int) -> float:
    """Put and take so many items in the calling thread; return CPU nanoseconds for each."""
    began = thread_time_ns()
    for _ in range(count):
        tasks.put(nothing)
        tasks.get()()
        tasks.task_done()
    return (thread_time_ns() - began) / count


def queue_rows(rounds: int, count: int) -> tuple[list[Row], list[str]]:
    """Row 7: what an item costs, of a queue that a worker serves and of one that none does."""
    idlehands.configure(full_detail=True)
    found: dict[str, list[float]] = {}
    bare = _PlainQueue()

    def measure() -> None:
        served: queue.Queue[Any] = queue.Queue()
        _through(served, 1)
        calls = {
            "served": lambda: _through(served, count),
            "plain": lambda: _through(bare, count),
        }
        found.update(interleaved(calls, rounds))

    worker = threading.Thread(target=measure)
    worker.start()
    worker.join()
    alone: queue.Queue[Any] = queue.Queue()
    unserved = interleaved(
        {"alone": lambda: _through(alone, count), "plain": lambda: _through(bare, count)}, rounds
    )
    idlehands.configure(full_detail=False)
    plain_ns = statistics.median(found["plain"])
    served_ns = median_over(found["served"], found["plain"])
    alone_ns = median_over(unserved["alone"], unserved["plain"])
    return [], [
        f"row 7: put, get and task_done of a queue.Queue take {plain_ns:.0f} ns; "
        f"{served_ns:.0f} ns are added where a worker serves it, {alone_ns:.0f} ns where none does"
    ]


class _PlainQueue(queue.Queue):  # type: ignore[type-arg]
    """A queue with the library's own methods."""

    def _init(self, maxsize: int) -> None:
        self.queue = queue.deque()  # type: ignore[attr-defined]

    def _qsize(self) -> int:
        return len(self.queue)

    def _put(self, item: Any) -> None:
        self.queue.append(item)

    def _get(self) -> Any:
        return self.queue.popleft()

    def task_done(self) -> None:
        with self.all_tasks_done:
            unfinished = self.unfinished_tasks - 1
            if unfinished <= 0:
                if unfinished < 0:
                    raise ValueError("task_done() called too many times")
                self.all_tasks_done.notify_all()
            self.unfinished_tasks = unfinished
