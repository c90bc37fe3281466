"""A priority queue with items that cannot be compared gives the usual TypeError and goes on."""

import queue
import threading

jobs = queue.PriorityQueue()
done = []


def serve():
    while (item := jobs.get())[0] < 100:
        done.append(item)
        jobs.task_done()


jobs.put((1, abs))
for item in ((1, len), (1, {}), "text"):
    try:
        jobs.put(item)
    except TypeError as error:
        print(error)
with jobs.mutex:
    print(len(jobs.queue))
    del jobs.queue[1:]
    jobs.unfinished_tasks = 1
thread = threading.Thread(target=serve)
thread.start()
for number in (5, 3, 9):
    jobs.put((number, print))
jobs.join()
jobs.put((100,))
thread.join()
print(len(done))
