"""Jobs that use the pools people use, and know nothing of idlehands.

Each says "ready" when its pool is at work, waits to be told "go", runs `SINGLES` tasks one by one
(of which `FAILING` fail) and `CALLS` calls in chunks, and says which (process, thread) ran them.
"""

from __future__ import annotations

import sys
from typing import NamedTuple

SINGLES, CALLS, CHUNK = 120, 60, 4
FAILING = sum(1 for number in range(SINGLES) if number % 50 == 13)
WARM_UP = 1

JOB = """\
import json, os, queue, sys, threading, time
import multiprocessing

def say(line):
    sys.stdout.write(f"{line}\\n")
    sys.stdout.flush()

def told(expected):
    line = sys.stdin.readline().strip()
    assert line == expected, f"told {line!r}, not {expected!r}"

def single(number):
    time.sleep(0.002)
    if number % 50 == 13:
        raise ValueError(number)
    return os.getpid(), threading.get_native_id()

def several(number):
    time.sleep(0.0005)
    return os.getpid(), threading.get_native_id()

def main(method):
    seen = set()

    def take(get):
        try:
            seen.add(tuple(get()))
        except ValueError:
            pass

SETUP
    take(submit(0))
    say("ready")
    told("go")
    for get in [submit(number) for number in range(SINGLES)]:
        take(get)
    seen.update(chunks())
    close()
    say(json.dumps(sorted(seen)))
    told("end")

if __name__ == "__main__":
    main(sys.argv[1])
"""

EXECUTOR = """\
    def submit(number):
        return pool.submit(single, number).result

    def chunks():
        return list(pool.map(several, range(CALLS), chunksize=CHUNK))

    def close():
        pool.shutdown()
"""

POOL = """\
    def submit(number):
        return pool.apply_async(single, (number,)).get

    def chunks():
        return pool.map(several, range(CALLS), chunksize=CHUNK)

    def close():
        pool.close()
        pool.join()
"""

QUEUE = """\
    tasks = queue.Queue()

    def serve():
        while True:
            item = tasks.get()
            if item is None:
                return
            function, number, done = item
            try:
                done.put((function(number), None))
            except ValueError as error:
                done.put((None, error))
            del item, function, number, done
            tasks.task_done()

    def submit(number):
        done = queue.SimpleQueue()
        tasks.put((single, number, done))

        def get():
            value, error = done.get()
            if error is not None:
                raise error
            return value

        return get

    def chunks():
        done = queue.SimpleQueue()
        for number in range(CALLS):
            tasks.put((several, number, done))
        return [done.get()[0] for _ in range(CALLS)]

    threads = [threading.Thread(target=serve) for _ in range(3)]
    for thread in threads:
        thread.start()

    def close():
        tasks.join()
        for thread in threads:
            tasks.put(None)
        for thread in threads:
            thread.join()
"""

JOBLIB = """\
    import joblib

    def submit(number):
        def get():
            call = joblib.delayed(single)(number)
            return joblib.Parallel(n_jobs=3, backend="loky", batch_size=1)([call])[0]

        return get

    def chunks():
        calls = (joblib.delayed(several)(number) for number in range(CALLS))
        return joblib.Parallel(n_jobs=3, backend="loky", batch_size=CHUNK)(calls)

    def close():
        from joblib.externals.loky import get_reusable_executor

        get_reusable_executor().shutdown(wait=True)
"""

METHODS = ("fork", "spawn", "forkserver")


class Case(NamedTuple):
    """One pool: how it is set up, how it is started, what it is called."""

    name: str
    setup: str
    kind: str
    method: str = ""
    needs: str = ""
    chunk: int = CHUNK
    fails: bool = True
    """Whether a task that raises is a failed one: a thread's own loop catches what it likes."""

    def __str__(self) -> str:
        return f"{self.name} {self.method}".strip()

    def script(self) -> str:
        """Return the job."""
        text = JOB.replace("SETUP", self.setup)
        for word, value in (("SINGLES", SINGLES), ("CALLS", CALLS), ("CHUNK", CHUNK)):
            text = text.replace(word, str(value))
        return text


CONTEXT = "    context = multiprocessing.get_context(method)\n"
FORKED_CONTEXT = """\
    import multiprocess
    context = multiprocess.get_context(method)
"""
"""Of the library that is the standard one with another pickler."""
THREADS = (
    "    from concurrent.futures import ThreadPoolExecutor\n    pool = ThreadPoolExecutor(3)\n"
)
INTERPRETERS = """\
    from concurrent.futures import InterpreterPoolExecutor
    pool = InterpreterPoolExecutor(3)
"""
PROCESSES = (
    CONTEXT
    + "    from concurrent.futures import ProcessPoolExecutor\n"
    + "    pool = ProcessPoolExecutor(3, mp_context=context)\n"
)
INTERPRETERS = (
    "    from concurrent.futures import InterpreterPoolExecutor\n"
    "    pool = InterpreterPoolExecutor(3)\n"
)
LOKY = "    import loky\n    pool = loky.get_reusable_executor(max_workers=3)\n"
THREAD_POOL = "    from multiprocessing.pool import ThreadPool\n    pool = ThreadPool(3)\n"

CASES = (
    Case("ThreadPoolExecutor", THREADS + EXECUTOR, "thread pool", chunk=1),
    Case(
        "InterpreterPoolExecutor",
        INTERPRETERS + EXECUTOR,
        "interpreter pool",
        needs="concurrent.interpreters",
        chunk=1,
    ),
    *(
        Case("ProcessPoolExecutor", PROCESSES + EXECUTOR, "process pool", method)
        for method in METHODS
    ),
    *(
        Case(
            "multiprocessing.Pool",
            CONTEXT + "    pool = context.Pool(3)\n" + POOL,
            "process pool",
            m,
        )
        for m in METHODS
    ),
    *(
        Case(
            "multiprocess.Pool",
            FORKED_CONTEXT + "    pool = context.Pool(3)\n" + POOL,
            "process pool",
            method,
            needs="multiprocess",
        )
        for method in ("fork", "spawn")
        if sys.version_info < (3, 15)  # for which dill, that it pickles with, is not ready
    ),
    Case("multiprocessing ThreadPool", THREAD_POOL + POOL, "thread pool"),
    Case("loky", LOKY + EXECUTOR, "loky pool", needs="loky"),
    Case("joblib", JOBLIB, "loky pool", needs="joblib"),
    Case("queue.Queue", QUEUE, "queue and threads", chunk=1, fails=False),
)
