"""A hundred thousand tasks, twenty thousand queue items, in order and none lost."""

import queue
import threading
from concurrent.futures import ThreadPoolExecutor

with ThreadPoolExecutor(2) as pool:
    print(sum(pool.map(abs, range(100_000), chunksize=1)))
jobs, done = queue.Queue(), []


def serve():
    while (item := jobs.get()) is not None:
        done.append(item)
        jobs.task_done()


thread = threading.Thread(target=serve)
thread.start()
for number in range(20_000):
    jobs.put(number)
jobs.join()
jobs.put(None)
thread.join()
print(done == list(range(20_000)))
