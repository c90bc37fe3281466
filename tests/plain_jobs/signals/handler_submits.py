"""A handler submits to the pool that the program uses, and puts into the queue of a thread."""

import os
import queue
import signal
import threading
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(2)
jobs = queue.Queue()
done, futures = [], []


def serve():
    while (item := jobs.get()) is not None:
        done.append(item)
        jobs.task_done()


def handler(number, frame):
    futures.append(pool.submit(abs, -2))
    jobs.put(1)


thread = threading.Thread(target=serve)
thread.start()
signal.signal(signal.SIGUSR1, handler)
for _ in range(200):
    os.kill(os.getpid(), signal.SIGUSR1)
jobs.join()
jobs.put(None)
thread.join()
print(sum(future.result(5) for future in futures), len(done))
pool.shutdown()
