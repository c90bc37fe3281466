"""Threads started by _thread, without an object of threading's, take from a queue and run a pool's
tasks.
"""

import _thread
import queue
import threading
from concurrent.futures import ThreadPoolExecutor

jobs, done = queue.Queue(), []
ended = _thread.allocate_lock()
ended.acquire()


def serve():
    while (item := jobs.get()) is not None:
        done.append(item)
        jobs.task_done()
    with ThreadPoolExecutor(1) as pool:
        done.append(pool.submit(abs, -7).result())
    ended.release()


_thread.start_new_thread(serve, ())
for number in range(5):
    jobs.put(number)
jobs.join()
print(
    threading.active_count() <= 2, sorted(type(thread).__name__ for thread in threading.enumerate())
)
jobs.put(None)
ended.acquire()
print(done)
