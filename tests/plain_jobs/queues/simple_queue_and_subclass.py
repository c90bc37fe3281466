"""SimpleQueues, and a thread pool whose queue is a subclass of them."""

import queue
import threading
from concurrent.futures import ThreadPoolExecutor


class Prioritised(queue.SimpleQueue):
    puts = 0

    def put(self, item, block=True, timeout=None):
        Prioritised.puts += 1
        super().put(item, block, timeout)


class OwnQueue(ThreadPoolExecutor):
    def __init__(self, workers):
        super().__init__(workers)
        self._work_queue = Prioritised()


class Ordered(ThreadPoolExecutor):
    def __init__(self, workers):
        super().__init__(workers)
        self._work_queue = queue.LifoQueue()


for kind in (OwnQueue, Ordered):
    with kind(1) as pool:
        print(sorted(future.result(5) for future in [pool.submit(abs, -n) for n in range(5)]))
        print(type(pool._work_queue).__name__)
print(Prioritised.puts)
with ThreadPoolExecutor(1) as pool:
    print(pool.submit(abs, -1).result())
simple, done = queue.SimpleQueue(), []
thread = threading.Thread(target=lambda: done.append(simple.get()))
thread.start()
simple.put(4)
thread.join()
print(done)
