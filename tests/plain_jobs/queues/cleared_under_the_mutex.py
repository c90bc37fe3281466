"""Items are taken out of a queue under its mutex, by clear, by index and by filtering."""

import collections
import queue
import threading

jobs = queue.Queue()
done, go_on, inside = [], threading.Event(), threading.Event()


def serve():
    while (item := jobs.get()) is not None:
        if item == "wait":
            inside.set()
            go_on.wait()
        done.append(item)
        jobs.task_done()


thread = threading.Thread(target=serve)
thread.start()
for _ in range(5):
    inside.clear()
    go_on.clear()
    jobs.put("wait")
    inside.wait()
    for number in range(1000):
        jobs.put(number)
    with jobs.mutex:
        jobs.unfinished_tasks -= len(jobs.queue)
        jobs.queue.clear()
    for number in range(10):
        jobs.put(number)
    with jobs.mutex:
        del jobs.queue[3]
        jobs.unfinished_tasks -= 1
        kept = [item for item in jobs.queue if item % 2]
        jobs.unfinished_tasks -= len(jobs.queue) - len(kept)
        jobs.queue = collections.deque(kept)
    go_on.set()
    jobs.join()
jobs.put(None)
thread.join()
print(done, jobs.unfinished_tasks)
