"""Queues of multiprocessing, plain, joinable and simple, with threads and processes that take from
them.
"""

import multiprocessing
import queue
import threading


def serve(tasks, results):
    while (task := tasks.get()) is not None:
        results.put(task * 2)
        if hasattr(tasks, "task_done"):
            tasks.task_done()


if __name__ == "__main__":
    for make in (multiprocessing.Queue, multiprocessing.JoinableQueue, multiprocessing.SimpleQueue):
        tasks, results = make(), multiprocessing.SimpleQueue()
        workers = [
            multiprocessing.Process(target=serve, args=(tasks, results)),
            threading.Thread(target=serve, args=(tasks, results)),
        ]
        for worker in workers:
            worker.start()
        for number in range(10):
            tasks.put(number)
        print(sorted(results.get() for _ in range(10)))
        for _ in workers:
            tasks.put(None)
        for worker in workers:
            worker.join()
    try:
        multiprocessing.Queue().get(timeout=0.01)
    except queue.Empty as error:
        print(repr(error))
