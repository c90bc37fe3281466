"""Jobs that repeat one thing thousands of times, and report what they hold: see `leaks`.

Run as a script with the name of a job. Each line on standard input, a number and perhaps a word,
makes it repeat its thing so often. It answers with one line of JSON: the seconds that this took,
and what the process holds then. With "settle" it first gives the probe time to free what has ended;
with "fill" it fills what the probe holds on purpose. A job knows nothing of the probe but for
`declared_pools`.
"""

from __future__ import annotations

import contextlib
import gc
import json
import multiprocessing
import os
import queue
import sys
import threading
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor, wait
from multiprocessing.pool import ThreadPool
from typing import Any, Callable

PROBE = "idlehands"
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
SETTLED_POOLS = 68
"""With no more pools there is nothing to wait for: those in use, and the last ones closed."""
SETTLE_SECONDS = 2.5
"""The probe checks once a second which pools have ended, and compacts them at the next check."""
TASKS = 10
"""How many tasks each pool is given."""
WORKED_SECONDS = 0.0004
"""As long as that a task is worth its CPU time being read."""
POOL_ROWS, WORKER_ROWS = 1 << 14, 1 << 13
"""More tasks than these and the probe's rings are full, of a pool and of each of its workers."""
WORKERS_REPLACED_AT_ONCE = 16
CHILD_WITH_A_TASK = 50
"""Of so many forked children one runs a task."""

Repeat = Callable[[range], None]

fillings: list[Callable[[], object]] = []
"""What a job does when it is told to fill what the probe keeps on purpose."""


def nothing(*_arguments: object) -> None:
    """The task of most jobs."""


def process_number(_argument: object) -> int:
    return os.getpid()


def nap(*_arguments: object) -> None:
    time.sleep(WORKED_SECONDS)


def at_a_place_of_its_own(number: int, text: str, **names: Any) -> None:
    """Run `text` as line 1 of a file that no other number has."""
    exec(compile(text, f"place_{number}.py", "exec"), names)  # noqa: S102 - the text is ours


def submit_some(pool: Any, task: Callable[..., None] = nothing, count: int = TASKS) -> None:
    wait([pool.submit(task) for _ in range(count)])


def fill_rings(pool: Any) -> None:
    """Fill all rings of a pool that stays, or is opened again: how full they are is no leak."""
    ran: Counter[int] = Counter()

    def run() -> None:
        ran[threading.get_ident()] += 1

    while sum(ran.values()) <= POOL_ROWS or min(ran.values()) <= WORKER_ROWS:
        submit_some(pool, run, 1000)


# -- pools made and closed ------------------------------------------------------------------------


def named_thread_pools(_stack: contextlib.ExitStack) -> Repeat:
    def repeat(numbers: range) -> None:
        for number in numbers:
            with ThreadPoolExecutor(2, thread_name_prefix=f"orchard-{number}") as pool:
                submit_some(pool)

    return repeat


def one_place_thread_pools(_stack: contextlib.ExitStack) -> Repeat:
    def use_a_pool(use: Callable[[Any], None]) -> None:
        with ThreadPoolExecutor(2) as pool:
            use(pool)

    def repeat(numbers: range) -> None:
        for _ in numbers:
            use_a_pool(submit_some)

    fillings.append(lambda: use_a_pool(fill_rings))
    return repeat


def uncollected_thread_pools(stack: contextlib.ExitStack) -> Repeat:
    gc.disable()
    return named_thread_pools(stack)


def uncollected_declared_pools(stack: contextlib.ExitStack) -> Repeat:
    gc.disable()
    return declared_pools(stack)


def long_task_thread_pools(_stack: contextlib.ExitStack) -> Repeat:
    def repeat(numbers: range) -> None:
        for number in numbers:
            with ThreadPoolExecutor(2, thread_name_prefix=f"kiln-{number}") as pool:
                submit_some(pool, nap)

    return repeat


def dropped_thread_pools(_stack: contextlib.ExitStack) -> Repeat:
    def repeat(numbers: range) -> None:
        for number in numbers:
            submit_some(ThreadPoolExecutor(2, thread_name_prefix=f"meadow-{number}"))

    return repeat


def process_pools(_stack: contextlib.ExitStack) -> Repeat:
    text = "with make(1) as pool: pool.submit(task).result()"

    def repeat(numbers: range) -> None:
        for number in numbers:
            at_a_place_of_its_own(number, text, make=ProcessPoolExecutor, task=nothing)

    return repeat


def multiprocessing_pools(_stack: contextlib.ExitStack) -> Repeat:
    text = "pool = make(1); pool.apply(task); pool.close(); pool.join()"

    def repeat(numbers: range) -> None:
        for number in numbers:
            at_a_place_of_its_own(number, text, make=multiprocessing.Pool, task=nothing)

    return repeat


def multiprocessing_thread_pools(_stack: contextlib.ExitStack) -> Repeat:
    text = "pool = make(2); pool.map(task, range(10)); pool.close(); pool.join()"

    def repeat(numbers: range) -> None:
        for number in numbers:
            at_a_place_of_its_own(number, text, make=ThreadPool, task=nothing)

    return repeat


def declared_pools(_stack: contextlib.ExitStack) -> Repeat:
    import idlehands

    def repeat(numbers: range) -> None:
        for number in numbers:
            pool = idlehands.declare_pool(f"quarry-{number}", workers=2)
            worker = pool.worker(0)
            worker.bind()
            for _ in range(TASKS):
                worker.running(worker.spawned("hew"))
                worker.finished()
            pool.close()

    return repeat


# -- queues ---------------------------------------------------------------------------------------


def serve(items: Any) -> None:
    while items.get() is not None:
        items.task_done()


def feed(items: Any, count: int) -> None:
    """Have a new thread serve the queue, and put so many items for it."""
    thread = threading.Thread(target=serve, args=(items,))
    thread.start()
    for number in range(count):
        items.put(number)
    items.put(None)
    thread.join()


def one_place_queues(_stack: contextlib.ExitStack) -> Repeat:
    def feed_a_new_queue(count: int) -> None:
        feed(queue.Queue(), count)

    def repeat(numbers: range) -> None:
        for _ in numbers:
            feed_a_new_queue(TASKS)

    fillings.append(lambda: feed_a_new_queue(POOL_ROWS))
    return repeat


def queues(_stack: contextlib.ExitStack) -> Repeat:
    text = "feed(Queue(), 10)"

    def repeat(numbers: range) -> None:
        for number in numbers:
            at_a_place_of_its_own(number, text, feed=feed, Queue=queue.Queue)

    return repeat


def threads_of_one_queue(_stack: contextlib.ExitStack) -> Repeat:
    items: Any = queue.Queue()

    def repeat(numbers: range) -> None:
        for _ in numbers:
            feed(items, TASKS)

    fillings.append(lambda: feed(items, POOL_ROWS))
    return repeat


class NewestOnly(queue.Queue):  # type: ignore[type-arg]
    """A queue that drops its oldest item when there are too many."""

    def _put(self, item: Any) -> None:
        if len(self.queue) >= TASKS:
            self.queue.popleft()
        super()._put(item)


def idle_worker_of(items: Any, stack: contextlib.ExitStack) -> None:
    """Have a thread serve the queue that takes one item and then waits until the job ends."""
    taken, end = threading.Event(), threading.Event()

    def serve_one() -> None:
        items.get()
        taken.set()
        end.wait()

    thread = threading.Thread(target=serve_one)
    thread.start()
    items.put(0)
    taken.wait()
    stack.callback(thread.join)
    stack.callback(end.set)


def cleared_items(stack: contextlib.ExitStack) -> Repeat:
    items: Any = queue.Queue()
    idle_worker_of(items, stack)

    def repeat(numbers: range) -> None:
        for number in numbers:
            items.put((nothing, number))
            if number % 1000 == 0:
                with items.mutex:
                    items.queue.clear()
        with items.mutex:
            items.queue.clear()

    return repeat


def dropped_items(stack: contextlib.ExitStack) -> Repeat:
    items: Any = NewestOnly()
    idle_worker_of(items, stack)

    def repeat(numbers: range) -> None:
        for number in numbers:
            items.put((nothing, number))

    return repeat


# -- forks, and worker processes replaced ----------------------------------------------------------


def forks(stack: contextlib.ExitStack) -> Repeat:
    pool = stack.enter_context(ThreadPoolExecutor(1))
    fillings.append(lambda: fill_rings(pool))

    def repeat(numbers: range) -> None:
        for number in numbers:
            pool.submit(nothing).result()
            child = os.fork()
            if not child:
                if number % CHILD_WITH_A_TASK == 0:
                    ThreadPoolExecutor(1).submit(nothing).result()
                os._exit(0)
            os.waitpid(child, 0)

    return repeat


def forks_without_threads(_stack: contextlib.ExitStack) -> Repeat:
    def use_a_pool(use: Callable[[Any], None]) -> None:
        with ThreadPoolExecutor(1) as pool:
            use(pool)

    def repeat(numbers: range) -> None:
        for _ in numbers:
            use_a_pool(lambda pool: pool.submit(nothing).result())
            child = os.fork()
            if not child:
                os._exit(0)
            os.waitpid(child, 0)

    fillings.append(lambda: use_a_pool(fill_rings))
    return repeat


def replaced_workers(stack: contextlib.ExitStack) -> Repeat:
    pool: Any = stack.enter_context(
        multiprocessing.Pool(WORKERS_REPLACED_AT_ONCE, maxtasksperchild=1)
    )

    def repeat(numbers: range) -> None:
        ended = set(pool.map(process_number, numbers, chunksize=1))
        while len(pool._pool) < WORKERS_REPLACED_AT_ONCE or not ended.isdisjoint(
            worker.pid for worker in pool._pool
        ):
            time.sleep(0.01)  # what the pool itself holds of a worker goes when that is replaced

    return repeat


# -- tasks -----------------------------------------------------------------------------------------


def tasks(stack: contextlib.ExitStack) -> Repeat:
    pool = stack.enter_context(ThreadPoolExecutor(2))

    def repeat(numbers: range) -> None:
        for _ in range(0, len(numbers), 1000):
            submit_some(pool, count=1000)

    fillings.append(lambda: fill_rings(pool))
    return repeat


def kinds_of_task(stack: contextlib.ExitStack) -> Repeat:
    pool = stack.enter_context(ThreadPoolExecutor(2))
    fillings.append(lambda: fill_rings(pool))

    def repeat(numbers: range) -> None:
        for number in numbers:
            names: dict[str, Any] = {"__name__": "made"}
            exec(f"def made_{number}(): pass", names)  # noqa: S102 - the text is ours
            pool.submit(names[f"made_{number}"]).result()

    return repeat


def failing_tasks(stack: contextlib.ExitStack) -> Repeat:
    pool = stack.enter_context(ThreadPoolExecutor(2))

    def repeat(numbers: range) -> None:
        for number in numbers:
            pool.submit(int, "no number").exception()
            pool.submit(nothing, number).cancel()

    fillings.append(lambda: fill_rings(pool))
    return repeat


def tasks_all_the_time(stack: contextlib.ExitStack) -> Repeat:
    """Run tasks until the end; a repetition is whatever the one who reads does meanwhile."""
    pool = stack.enter_context(ThreadPoolExecutor(2))
    fillings.append(lambda: fill_rings(pool))
    end = threading.Event()

    def submit() -> None:
        while not end.wait(0.001):
            submit_some(pool)

    thread = threading.Thread(target=submit)
    thread.start()
    stack.callback(thread.join)
    stack.callback(end.set)
    return lambda _numbers: None


JOBS: dict[str, Callable[[contextlib.ExitStack], Repeat]] = {
    job.__name__: job
    for job in (
        named_thread_pools,
        one_place_thread_pools,
        uncollected_thread_pools,
        uncollected_declared_pools,
        long_task_thread_pools,
        dropped_thread_pools,
        process_pools,
        multiprocessing_pools,
        multiprocessing_thread_pools,
        declared_pools,
        one_place_queues,
        queues,
        threads_of_one_queue,
        cleared_items,
        dropped_items,
        forks,
        forks_without_threads,
        replaced_workers,
        tasks,
        kinds_of_task,
        failing_tasks,
        tasks_all_the_time,
    )
}


def types_of_the_probe() -> Counter[type]:
    """Count what is alive of the probe's own types."""
    alive = Counter(map(type, gc.get_objects()))
    return Counter({cls: n for cls, n in alive.items() if str(cls.__module__).startswith(PROBE)})


def has_settled() -> bool:
    """Say whether the pools that have ended are let go, and their threads gone."""
    pools = [
        thing
        for thing in gc.get_objects()
        if any(parent.__name__ == "PoolProbe" for parent in type(thing).__mro__)
    ]
    # One that has closed holds its memory and descriptors until it is made small.
    large = [pool for pool in pools if pool.closed_ns >= 0 and not pool.is_compact]
    return len(pools) <= SETTLED_POOLS and not large


def collect() -> None:
    """Collect garbage, unless the job is one that goes without."""
    if gc.isenabled():
        gc.collect()


def settle() -> None:
    deadline = time.monotonic() + SETTLE_SECONDS
    collect()
    while not has_settled() and time.monotonic() < deadline:
        time.sleep(0.1)
        collect()


def held() -> dict[str, Any]:
    """Return what this process holds: bytes, descriptors, threads, the probe's objects."""
    collect()
    objects = {cls.__name__: count for cls, count in types_of_the_probe().items()}
    with open("/proc/self/statm") as file:
        memory = int(file.read().split()[1]) * PAGE_BYTES
    return {
        "memory": memory,
        "descriptors": len(os.listdir("/proc/self/fd")),
        "threads": len(os.listdir("/proc/self/task")),
        "objects": objects,
    }


def main() -> None:
    """Do as the lines say until there are no more."""
    with contextlib.ExitStack() as stack:
        repeat = JOBS[sys.argv[1]](stack)
        done = 0
        for line in sys.stdin:
            count, *how = line.split()
            began = time.monotonic()
            repeat(range(done, done + int(count)))
            seconds = time.monotonic() - began
            done += int(count)
            if how == ["settle"]:
                settle()
            elif how == ["fill"]:
                for fill in fillings:
                    fill()
            print(json.dumps({"seconds": seconds, **held()}), flush=True)


if __name__ == "__main__":
    main()
