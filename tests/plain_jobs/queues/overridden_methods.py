"""Subclasses of Queue with methods of their own: unique items, counted ones, a limit by weight."""

import queue
import threading


class Unique(queue.Queue):
    def _init(self, maxsize):
        self.queue = set()

    def _put(self, item):
        self.queue.add(item)

    def _get(self):
        return self.queue.pop()


class Weighed(queue.Queue):
    def _init(self, maxsize):
        super()._init(maxsize)
        self.weight = 0

    def _qsize(self):
        return self.weight

    def _put(self, item):
        super()._put(item)
        self.weight += item

    def _get(self):
        item = super()._get()
        self.weight -= item
        return item


class Silent(queue.Queue):
    def __init__(self):
        self.calls = []
        super().__init__()

    def put(self, item, block=True, timeout=None):
        self.calls.append(item)
        return super().put(item, block, timeout)

    def get(self, block=True, timeout=None):
        return super().get(block, timeout)

    def task_done(self):
        self.calls.append("done")
        super().task_done()


class Bare(queue.Queue):
    def __init__(self, items):
        self.maxsize = 0
        self.queue = items
        self.mutex = threading.Lock()
        self.not_empty = threading.Condition(self.mutex)
        self.not_full = threading.Condition(self.mutex)
        self.all_tasks_done = threading.Condition(self.mutex)
        self.unfinished_tasks = len(items)
        self.is_shutdown = False

    def _get(self):
        return self.queue.pop()


def run(jobs, items):
    done = []

    def serve():
        while True:
            item = jobs.get()
            done.append(item)
            jobs.task_done()
            if item == 99:
                return

    thread = threading.Thread(target=serve)
    thread.start()
    for item in items:
        jobs.put(item)
    jobs.join()
    jobs.put(99)
    thread.join()
    print(type(jobs).__name__, sorted(done), jobs.unfinished_tasks, jobs.qsize(), jobs.empty())


run(Unique(), [1, 2, 3])
run(Weighed(maxsize=0), [1, 2, 3])
silent = Silent()
run(silent, [1, 2, 3])
print(len(silent.calls))
bare = Bare([5, 6])
run(bare, [])
