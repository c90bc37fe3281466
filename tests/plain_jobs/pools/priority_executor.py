"""An executor with a priority queue and work items that compare, as recipes on the web have it."""

import itertools
import queue
import threading
from concurrent.futures import Future, ThreadPoolExecutor, thread


class Item(thread._WorkItem):
    def __init__(self, priority, *given):
        super().__init__(*given)
        self.priority = priority

    def __lt__(self, other):
        return self.priority < other.priority


class Prioritised(ThreadPoolExecutor):
    def __init__(self, *given):
        super().__init__(*given)
        self._work_queue = queue.PriorityQueue()
        self.numbers = itertools.count()

    def submit(self, function, *arguments, priority=0):
        return super().submit(function, *arguments)


class Bounded(ThreadPoolExecutor):
    def __init__(self, *given):
        super().__init__(*given)
        self._work_queue = queue.Queue(maxsize=2)


class Entries(queue.PriorityQueue):
    def put(self, item, *given):
        super().put((item is None, next(numbers), item), *given)

    def get(self, *given, **keywords):
        return super().get(*given, **keywords)[2]

    def get_nowait(self):
        return self.get(block=False)


class Wrapping(ThreadPoolExecutor):
    def __init__(self, *given):
        super().__init__(*given)
        self._work_queue = Entries()


numbers = itertools.count()
for kind in (Bounded, Wrapping):
    with kind(2) as pool:
        futures = [pool.submit(abs, -number) for number in range(20)]
        print(kind.__name__, sum(future.result(10) for future in futures), pool._work_queue.qsize())
go_on = threading.Event()
with ThreadPoolExecutor(1) as pool:
    first = pool.submit(go_on.wait)
    while pool._work_queue.qsize():
        pass
    futures = [pool.submit(abs, -number) for number in range(7)]
    print(pool._work_queue.qsize(), pool._work_queue.empty(), len(pool._threads))
    dropped = pool._work_queue.get_nowait()
    dropped.future.set_result("by hand")
    go_on.set()
    print([future.result(5) for future in futures], Future is type(first))
