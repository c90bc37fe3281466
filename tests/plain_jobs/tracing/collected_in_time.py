"""Arguments, results, tasks, items and pools die when nobody has them any more."""

import gc
import queue
import threading
import time
import weakref
from concurrent.futures import ThreadPoolExecutor, wait


class Cargo:
    def __call__(self):
        return 1


class Owner:
    def method(self, cargo):
        return cargo


def dead(reference):
    deadline = time.monotonic() + 5
    while reference() is not None and time.monotonic() < deadline:
        time.sleep(0.001)
    return reference() is None


def serve():
    while (item := jobs.get()) is not None:
        del item
        jobs.task_done()


gc.disable()
jobs = queue.Queue()
thread = threading.Thread(target=serve)
thread.start()
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    cargo, owner, task = Cargo(), Owner(), Cargo()
    references = [weakref.ref(thing) for thing in (cargo, owner, task)]
    futures = [pool.submit(owner.method, cargo), pool.submit(task)]
    wait(futures)
    pool.submit(abs, -1).result()
    del cargo, owner, task, futures
    print([dead(reference) for reference in references])
    item = Cargo()
    reference = weakref.ref(item)
    jobs.put(item)
    jobs.put((item, 1))
    jobs.join()
    del item
    print(dead(reference))
    pool_reference = weakref.ref(pool)
del pool
print(dead(pool_reference))
jobs.put(None)
thread.join()
queue_reference = weakref.ref(jobs)
del jobs, thread
print(dead(queue_reference))
