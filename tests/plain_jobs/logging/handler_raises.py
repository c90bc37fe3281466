"""A log handler raises, or calls sys.exit, at whatever is logged, the folder being refused."""

# /// job
# refused = true
# ///
import logging
import queue
import threading
from concurrent.futures import ThreadPoolExecutor


class Raising(logging.Handler):
    def emit(self, record):
        if record.name != "job":
            raise SystemExit(3)


logging.getLogger().addHandler(Raising())
jobs, done = queue.Queue(), []


def serve():
    while (item := jobs.get()) is not None:
        done.append(item)


with ThreadPoolExecutor(2) as pool:
    print(list(pool.map(abs, range(-3, 0))))
thread = threading.Thread(target=serve)
thread.start()
jobs.put(1)
jobs.put(None)
thread.join()
print(done)
