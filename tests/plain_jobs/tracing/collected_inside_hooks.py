"""The garbage collector runs at every chance, and finalizers put connections back into a queue."""

import gc
import queue
import threading
from concurrent.futures import ThreadPoolExecutor

idle, jobs, done = queue.LifoQueue(), queue.Queue(), []
returned = [0]


class Lease:
    def __init__(self):
        self.own = self

    def __del__(self):
        if idle.mutex.acquire(False):  # not in the middle of a call to this very queue
            idle.mutex.release()
            idle.put("connection")
            idle.get()
            returned[0] += 1


def serve():
    while (item := jobs.get()) is not None:
        Lease()
        done.append(item)
        jobs.task_done()


def lease(number):
    Lease()
    return number


gc.set_threshold(1, 1, 1)
threads = [threading.Thread(target=serve) for _ in range(2)]
for thread in threads:
    thread.start()
for number in range(300):
    Lease()
    jobs.put(number)
jobs.join()
for number in range(10):
    with ThreadPoolExecutor(2, f"pool{number}") as pool:
        assert sum(pool.map(lease, range(30))) == 435
for _ in threads:
    jobs.put(None)
for thread in threads:
    thread.join()
print(sorted(done) == list(range(300)), returned[0] > 0)
