"""Which threads a program sees after something was logged, the folder being refused."""

# /// job
# refused = true
# ///
import logging
import threading
import time
from concurrent.futures import ThreadPoolExecutor

seen = []


class Seeing(logging.Handler):
    def emit(self, record):
        seen.append(record.threadName is not None)


logging.getLogger().addHandler(Seeing())
with ThreadPoolExecutor(1) as pool:
    pool.submit(abs, -1).result()
    deadline = time.monotonic() + 2
    while not seen and time.monotonic() < deadline:
        time.sleep(0.01)
        if "idlehands" not in __import__("sys").modules:
            break
print(threading.active_count(), [type(thread).__name__ for thread in threading.enumerate()])
