"""Daemon threads that are busy with a queue as the program ends."""

import queue
import threading

jobs = queue.Queue()


def serve():
    while True:
        jobs.get()
        jobs.task_done()


threads = [threading.Thread(target=serve, daemon=True) for _ in range(3)]
for thread in threads:
    thread.start()
for number in range(200):
    jobs.put(number)
jobs.join()
for number in range(2000):
    jobs.put(number)
print("end")
