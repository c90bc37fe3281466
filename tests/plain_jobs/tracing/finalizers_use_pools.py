"""Finalizers and weak references' callbacks use pools and queues as objects die."""

import gc
import queue
import threading
import weakref
from concurrent.futures import ThreadPoolExecutor

jobs = queue.SimpleQueue()
said = []


class Thing:
    def __del__(self):
        jobs.put("del")
        said.append(threading.current_thread() is threading.main_thread())


def work(thing):
    return None


with ThreadPoolExecutor(1) as pool:
    for _ in range(50):
        thing = Thing()
        finalizer = weakref.finalize(thing, jobs.put, "finalized")
        pool.submit(work, thing).result()
        del thing
    pool.submit(abs, -1).result()
gc.collect()
print(len(said), jobs.qsize())
