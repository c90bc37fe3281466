"""The attributes of a queue that threads serve, and of executors and their work items."""

import queue
import threading
from concurrent.futures import ThreadPoolExecutor, thread

items = []
run = thread._WorkItem.run


def serve():
    while jobs.get() is not None:
        jobs.task_done()


jobs = queue.Queue()
served = threading.Thread(target=serve)
served.start()
jobs.put(1)
jobs.join()
jobs.put(None)
served.join()
print(sorted(vars(jobs)))
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result(), sorted(vars(pool)), type(pool._work_queue).__name__)
