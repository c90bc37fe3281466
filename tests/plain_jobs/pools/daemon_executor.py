"""An executor whose threads do not hold up the end of the program, as recipes have it."""

import threading
import time
import weakref
from concurrent.futures import ThreadPoolExecutor, thread


class DaemonExecutor(ThreadPoolExecutor):
    def _adjust_thread_count(self):
        if len(self._threads) < self._max_workers:
            started = threading.Thread(
                target=serve, args=(weakref.ref(self), self._work_queue), daemon=True
            )
            started.start()
            self._threads.add(started)


def serve(executor, work):
    while (item := work.get(block=True)) is not None:
        item.run()
        del item


pool = DaemonExecutor(2)
print([pool.submit(abs, -n).result(5) for n in range(5)])
pool.submit(time.sleep, 30)
print(len(thread._threads_queues))
