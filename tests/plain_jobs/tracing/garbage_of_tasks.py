"""Tasks and queue items leave no more cycles for the collector than they do without a probe."""

import gc
import queue
import threading
from concurrent.futures import ThreadPoolExecutor


def serve():
    while jobs.get() is not None:
        jobs.task_done()


jobs = queue.Queue()
thread = threading.Thread(target=serve)
thread.start()
with ThreadPoolExecutor(1) as pool:
    for _ in range(3):
        pool.submit(abs, -1).result()
        jobs.put(1)
        jobs.join()
    gc.collect()
    gc.disable()
    for _ in range(500):
        pool.submit(abs, -1).result()
        jobs.put(1)
    jobs.join()
    print(gc.collect())
jobs.put(None)
thread.join()
