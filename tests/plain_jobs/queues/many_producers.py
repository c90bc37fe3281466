"""Eight threads put and eight take, through one bounded queue, with join in between."""

import queue
import threading

jobs = queue.Queue(maxsize=5)
counts = [0] * 8


def serve(index):
    while (item := jobs.get()) is not None:
        counts[index] += item
        jobs.task_done()
    jobs.task_done()


def put():
    for _ in range(250):
        jobs.put(1)


servers = [threading.Thread(target=serve, args=(index,)) for index in range(8)]
putters = [threading.Thread(target=put) for _ in range(8)]
for thread in servers + putters:
    thread.start()
for thread in putters:
    thread.join()
jobs.join()
for _ in servers:
    jobs.put(None)
for thread in servers:
    thread.join()
print(sum(counts), jobs.unfinished_tasks)
