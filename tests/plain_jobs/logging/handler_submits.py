"""A log handler submits to the pool whose tasks log, the folder being refused."""

# /// job
# refused = true
# ///
import logging
import threading
from concurrent.futures import ThreadPoolExecutor

pool = ThreadPoolExecutor(2)
written = []


class Submitting(logging.Handler):
    def emit(self, record):
        if record.name == "job":
            pool.submit(written.append, record.getMessage())
        else:
            pool.submit(abs, -1)


logging.getLogger().addHandler(Submitting())


def work(number):
    logging.getLogger("job").warning("task %d", number)
    return number


print(sorted(future.result(5) for future in [pool.submit(work, n) for n in range(5)]))
ended = threading.Event()
while len(written) < 5:
    ended.wait(0.001)
pool.shutdown()
print(sorted(written))
