"""A handler makes a multiprocessing ThreadPool and uses it, while the main thread makes others."""

import queue
import signal
import sys
import threading
import time

jobs = [queue.Queue() for _ in range(3)]
taken = []


def handler(number, frame):
    inner = frame
    while inner is not None:
        if inner.f_code.co_filename in (threading.__file__, queue.__file__):
            return  # its locks are held
        inner = inner.f_back
    own = queue.Queue()
    own.put(1)
    taken.append(own.get())


def serve():
    while True:
        own = queue.Queue()
        own.put(2)
        if own.get() and stop.is_set():
            return


stop = threading.Event()
signal.signal(signal.SIGALRM, handler)
signal.setitimer(signal.ITIMER_REAL, 0.001, 0.001)
threads = [threading.Thread(target=serve) for _ in range(2)]
for thread in threads:
    thread.start()
until = time.monotonic() + 1
while time.monotonic() < until:
    own = queue.Queue()
    own.put(3)
    own.get()
signal.setitimer(signal.ITIMER_REAL, 0)
stop.set()
for thread in threads:
    thread.join()
print(set(taken), len(taken) > 50)
