"""A handler forks while the main thread makes queues and serves them by new threads."""

import os
import queue
import signal
import threading
import time
from multiprocessing.pool import ThreadPool
from warnings import simplefilter

simplefilter("ignore")
statuses = []


def handler(number, frame):
    while frame is not None and frame.f_code.co_filename not in (
        threading.__file__,
        queue.__file__,
    ):
        frame = frame.f_back
    if frame is None:  # else locks of theirs are held
        child = os.fork()
        if child == 0:
            os._exit(3)
        statuses.append(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
    signal.setitimer(signal.ITIMER_REAL, 0.002)


def serve(jobs):
    while jobs.get() is not None:
        jobs.task_done()


def use():
    jobs = queue.Queue()
    thread = threading.Thread(target=serve, args=(jobs,))
    thread.start()
    for item in (1, 2, None):
        jobs.put(item)
    thread.join()
    with ThreadPool(1) as pool:
        pool.map(abs, range(5))


signal.signal(signal.SIGALRM, handler)
signal.setitimer(signal.ITIMER_REAL, 0.002)
until = time.monotonic() + 1.5
while time.monotonic() < until:
    use()
signal.signal(signal.SIGALRM, signal.SIG_IGN)
print(set(statuses), len(statuses) > 5)
