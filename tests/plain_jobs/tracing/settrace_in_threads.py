"""threading.settrace counts the lines of tasks, and a queue's consumers."""

import queue
import threading
from concurrent.futures import ThreadPoolExecutor

lock = threading.Lock()
events = {}


def trace(frame, event, argument):
    if frame.f_code.co_filename != __file__:
        return None
    with lock:
        key = frame.f_code.co_name, event
        events[key] = events.get(key, 0) + 1
    return trace


def work(number):
    number += 1
    return number


def serve():
    while jobs.get() is not None:
        jobs.task_done()


threading.settrace(trace)
jobs = queue.Queue()
thread = threading.Thread(target=serve)
thread.start()
with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(work, range(50))))
for number in range(10):
    jobs.put(number)
jobs.join()
jobs.put(None)
thread.join()
print(sorted(events.items()))
