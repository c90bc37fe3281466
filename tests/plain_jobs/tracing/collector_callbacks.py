"""Callbacks of the garbage collector submit to a pool and put into a queue."""

import gc
import queue
import threading
from concurrent.futures import ThreadPoolExecutor

jobs = queue.SimpleQueue()
seen = []


def callback(phase, information):
    if threading.current_thread() is threading.main_thread():
        seen.append(phase)
        jobs.put(phase)


class Cycle:
    def __init__(self):
        self.own = self


gc.disable()
with ThreadPoolExecutor(2) as pool:
    pool.submit(abs, -1).result()
    gc.callbacks.append(callback)
    for _ in range(20):
        Cycle()
        gc.collect()
    gc.callbacks.remove(callback)
print(len(seen), jobs.qsize(), gc.garbage, gc.callbacks)
